"""Who is told of a run, and how: the ``[tell]`` table of a file of the user's own.

The file is not one of the three that a run keeps: it may hold secrets. So no value of it is ever repeated, in no fault,
no answer and no ``repr``; a fault names the key alone.
"""

from __future__ import annotations

import importlib.util
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from sequences.errors import FaultKind, FileFault, FileFaults, nearest_word

What = Literal["done", "stopped", "tripped", "paused", "unsafe", "safe to open", "try"]

#: All that a person may be told of.
#: "try" is asked for at the command line.
WHATS: tuple[What, ...] = ("done", "stopped", "tripped", "paused", "unsafe", "safe to open")

#: What a command may be handed.
WORDS = ("what", "text", "run", "unit", "bench", "at")

#: How long one way of telling may take. Ours: mail servers answer within it, and nobody waits longer at a prompt.
LIMIT_S = 30.0

#: Longest that a file may ask for. Ours: a run that ends waits for it.
LONGEST_LIMIT_S = 300.0

#: Name of the file in the user's folder of settings.
FILE_NAME = "nightbench.toml"

#: Variable of the environment that names the file.
VARIABLE = "NIGHTBENCH_TELL"

_KEYS = ("command", "urls", "on", "limit_s")
_PLACE = re.compile(r"\{(?P<word>[a-z]+)\}|\$\{(?P<variable>\w+)\}")
_POSITION = re.compile(r"line (\d+), column (\d+)")


@dataclass(frozen=True, slots=True)
class Message:
    """What is told. ``at`` is the bench's time, in ISO 8601."""

    what: str
    text: str
    run: str
    unit: str
    bench: str
    at: str


@dataclass(frozen=True, slots=True)
class TellFile:
    """Ways to tell people.

    Attributes:
        path: Where it was read from.
        command: Program and arguments; ``{what}`` and the other ``WORDS`` stand for the message's. Empty for none.
        urls: Addresses as apprise takes them.
        on: What is told.
        limit_s: Time that one way may take.
    """

    path: Path
    command: tuple[str, ...] = field(default=(), repr=False)
    urls: tuple[str, ...] = field(default=(), repr=False)
    on: tuple[What, ...] = WHATS
    limit_s: float = LIMIT_S
    environment: Mapping[str, str] = field(default_factory=dict, repr=False)

    def arguments(self, message: Message) -> list[str]:
        """The command for one message. What a message says is never looked into for further places."""

        def put(found: re.Match[str]) -> str:
            if found["word"]:
                return str(getattr(message, found["word"]))
            return self.environment[found["variable"]]

        return [_PLACE.sub(put, argument) for argument in self.command]


def find_tell_file(named: Path | None, folder: Path) -> TellFile | None:
    """The file that was named, else ``nightbench.toml`` in the user's folder of settings; None if there is none.

    Raises FileFaults: a file that was named is not there, or it is wrong.
    """
    path = named or folder / FILE_NAME
    if named is None and not path.is_file():
        return None
    return read_tell_file(path, os.environ)


@contextmanager
def handing_down(file: TellFile | None) -> Iterator[None]:
    """Let processes that this one starts in the block know the file; by its name, so that no value of it travels."""
    before = os.environ.pop(VARIABLE, None)
    if file is not None:
        os.environ[VARIABLE] = str(file.path.absolute())
    try:
        yield
    finally:
        os.environ.pop(VARIABLE, None)
        if before is not None:
            os.environ[VARIABLE] = before


def handed_down(environment: Mapping[str, str]) -> TellFile | None:
    """The file that the process that started this one has handed down; None for none. Raises FileFaults."""
    name = environment.get(VARIABLE)
    return read_tell_file(Path(name), environment) if name else None


def read_tell_file(path: Path, environment: Mapping[str, str]) -> TellFile | None:
    """Ways to tell people from a file; see ``parse_tell_file``."""
    try:
        return parse_tell_file(path.read_bytes().decode("utf-8-sig"), path, environment)
    except FileNotFoundError:
        raise FileFaults([FileFault("no file", str(path), problem="there is no such file")]) from None
    except OSError as error:
        problem = f"it cannot be read: {error.strerror}"
        raise FileFaults([FileFault("unreadable file", str(path), problem=problem)]) from None
    except UnicodeDecodeError:
        raise FileFaults([FileFault("unreadable file", str(path), problem="it is not UTF-8 text")]) from None


def parse_tell_file(text: str, path: Path, environment: Mapping[str, str]) -> TellFile | None:
    """Ways to tell people from a file's text; None if it has no ``[tell]`` table. Raises FileFaults, all at once."""
    table = _document(text, path).get("tell")
    if table is None:
        return None
    faults = _Faults(str(path))
    if not isinstance(table, dict):
        faults.add("wrong type", "", allowed="a table")
        raise FileFaults(faults.found)
    for key in table.keys() - set(_KEYS):
        faults.add("unknown key", key, allowed=", ".join(_KEYS), nearest=nearest_word(key, _KEYS))
    command, urls = faults.texts(table, "command"), faults.texts(table, "urls")
    used = faults.places("command", command, WORDS, environment) | faults.places("urls", urls, (), environment)
    on = faults.texts(table, "on") or WHATS
    if set(on) - set(WHATS):
        faults.add("not allowed", "on", allowed=", ".join(WHATS))
    limit_s = table.get("limit_s", LIMIT_S)
    if isinstance(limit_s, bool) or not isinstance(limit_s, int | float) or not 0 < limit_s <= LONGEST_LIMIT_S:
        faults.add("not allowed", "limit_s", allowed=f"a number of seconds up to {LONGEST_LIMIT_S:g}")
    if "command" not in table and "urls" not in table:
        faults.add("missing key", "command", problem="neither command nor urls says how")
    if urls and importlib.util.find_spec("apprise") is None:
        faults.add("not allowed", "urls", problem="addresses need apprise: pip install 'nightbench[tell]'")
    if faults.found:
        raise FileFaults(faults.found)
    whats = tuple(what for what in WHATS if what in on)
    addresses = tuple(_PLACE.sub(lambda found: environment.get(found["variable"] or "", found[0]), url) for url in urls)
    known = {name: environment[name] for name in used}
    return TellFile(path, command, addresses, whats, float(limit_s), known)


def _document(text: str, path: Path) -> dict[str, Any]:
    """The parsed file. The parser's own words and the broken line could hold a secret; its place does not."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        place = _POSITION.search(str(error))
        where = f"line {place[1]}, column {place[2]}" if place else "at its end"
        raise FileFaults([FileFault("broken TOML", str(path), problem=f"{where}: this is not TOML")]) from None


class _Faults:
    """Faults of one file, found one after the other."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.found: list[FileFault] = []

    def add(self, kind: FaultKind, key: str, *, allowed: str = "", nearest: str = "", problem: str = "") -> None:
        self.found.append(FileFault(kind, self.file, "[tell]", key, "", allowed, nearest, problem))

    def texts(self, table: Mapping[str, Any], key: str) -> tuple[str, ...]:
        """The list of texts at ``key``; none if there is no such key."""
        value = table.get(key)
        if value is None:
            return ()
        if not isinstance(value, list) or not value or not all(isinstance(one, str) and one for one in value):
            self.add("wrong type", key, allowed="a list of texts")
            return ()
        return tuple(value)

    def places(
        self, key: str, texts: Iterable[str], words: tuple[str, ...], environment: Mapping[str, str]
    ) -> set[str]:
        """Variables of the environment that the texts name; what is not there is a fault."""
        found = [place for text in texts for place in _PLACE.finditer(text)]
        variables = {place["variable"] for place in found if place["variable"]}
        for name in sorted(variables - environment.keys()):
            self.add("not allowed", key, problem=f"the environment has no variable {name}")
        if words and any(place["word"] and place["word"] not in words for place in found):
            self.add("not allowed", key, problem="a word in braces is none of ours", allowed=", ".join(words))
        return variables & environment.keys()
