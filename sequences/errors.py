"""What can be wrong with the three files and with what they describe.

    SequenceError
    ├── FileFaults        one or more faults of files, all found in one reading
    └── PathLossError     a path loss that was asked for and is not known
        ├── NotServed     no path_loss entry, or more than one, holds for the path
        └── NotCovered    the entry's table does not reach the frequency

Rule: a text made here says what, where, found and allowed, and the same facts are attributes.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

FaultKind = Literal[
    "no file",
    "unreadable file",
    "broken TOML",
    "wrong file",
    "unknown key",
    "wrong unit",
    "key twice",
    "missing key",
    "wrong type",
    "not allowed",
    "contradiction",
    "no instrument",
    "no route",
    "no path loss",
    "beyond rating",
]


@dataclass(frozen=True, slots=True)
class FileFault:
    """One fault of one file.

    Attributes:
        kind: What sort of fault, for programs and for looking it up.
        file: File as it was named.
        table: Table with its brackets, ``[axes]`` or ``[[limit]] no. 3``; empty for the file as a whole.
        key: Key as the file spells it, dotted below ``table``; empty for the table as a whole.
        found: What stands there, as TOML.
        allowed: What may stand there.
        nearest: The valid word closest to a misspelt one, or empty.
        problem: A sentence, where found and allowed do not say it all.
    """

    kind: FaultKind
    file: str
    table: str = ""
    key: str = ""
    found: str = ""
    allowed: str = ""
    nearest: str = ""
    problem: str = ""

    def __str__(self) -> str:
        place = " ".join(part for part in (self.table, self.key) if part)
        head = f"{self.file}, {place}" if place else self.file
        facts = [self.problem] if self.problem else []
        if self.found:
            facts.append(f"found {self.found}")
        if self.allowed:
            facts.append(f"allowed {self.allowed}")
        hint = f".  Did you mean {self.nearest}?" if self.nearest else ""
        return f"{head}: {', '.join(facts)}{hint}"


class SequenceError(Exception):
    """Base of what this package raises."""


class FileFaults(SequenceError):
    """One or more faults; ``faults`` holds them, the text is one line for each."""

    def __init__(self, faults: Iterable[FileFault]) -> None:
        self.faults = tuple(faults)
        super().__init__(self.faults)

    def __str__(self) -> str:
        return "\n".join(map(str, self.faults))


class PathLossError(SequenceError):
    """A path loss that is not known.

    Args:
        path: ``"input"`` or ``"output"``.
        channel: Channel of the unit.
        load_ohm: Differential load in Ω.
        problem: What is wrong with it.
    """

    def __init__(self, path: str, channel: str, load_ohm: float, problem: str) -> None:
        super().__init__(path, channel, load_ohm, problem)
        self.path = path
        self.channel = channel
        self.load_ohm = load_ohm
        self.problem = problem

    def __str__(self) -> str:
        return f"{self.path} path, channel {self.channel}, {self.load_ohm:g} Ω: {self.problem}"


class NotServed(PathLossError):
    """``count`` entries hold for the path, where exactly one must."""

    def __init__(self, path: str, channel: str, load_ohm: float, count: int) -> None:
        super().__init__(path, channel, load_ohm, f"{count or 'no'} path_loss entries hold for it, one is needed")
        self.args = (path, channel, load_ohm, count)
        self.count = count


class NotCovered(PathLossError):
    """The loss is known from ``lowest_hz`` to ``highest_hz``, and ``frequency_hz`` is outside."""

    def __init__(
        self, path: str, channel: str, load_ohm: float, frequency_hz: float, lowest_hz: float, highest_hz: float
    ) -> None:
        span = f"{lowest_hz / 1e6:.9g} … {highest_hz / 1e6:.9g} MHz"
        super().__init__(path, channel, load_ohm, f"{frequency_hz / 1e6:.9g} MHz is outside its table, {span}")
        self.args = (path, channel, load_ohm, frequency_hz, lowest_hz, highest_hz)
        self.frequency_hz = frequency_hz
        self.lowest_hz = lowest_hz
        self.highest_hz = highest_hz


def nearest_word(word: str, allowed: Iterable[str]) -> str:
    """The allowed word most like ``word``, whatever its case, or an empty text when none is like it."""
    by_lower = {candidate.lower(): candidate for candidate in allowed}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return by_lower[close[0]] if close else ""
