"""Command headers as a device knows them: patterns, and the tree that every spelling of them is looked up in.

A pattern is written as the standard writes it: ``[:SOURce]:FREQuency[:CW|:FIXed]``. Capitals are the short form,
brackets mark nodes that may be left out, a bar parts words for one node, ``#`` a node that takes a numeric suffix.
Rules: SCPI-1999 Vol 1, 6.2 (short and long form 6.2.1, header path 6.2.4, numeric suffix 6.2.5).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from itertools import product
from typing import Any

from drivers.simulated.parameters import Parameter, short_form
from drivers.simulated.status import ScpiError

#: Longest mnemonic (488.2, 7.6.1).
LONGEST_MNEMONIC = 12

_NODE = re.compile(r"(\[)?:([A-Za-z]+#?(?:\|:[A-Za-z]+#?)*)(\])?")
_MNEMONIC = re.compile(r"([A-Z][A-Z_]*?)(\d*)$")
_LEGAL = re.compile(r"[A-Z0-9_:]*$")


@dataclass(frozen=True, slots=True)
class Command:
    """One entry of an instrument's command table.

    Attributes:
        header: Pattern.
        tell: What the command does; gets the read parameters. None: query only.
        ask: What the query answers. None: command only.
        takes: Parameters of the command.
        asks: Parameters of the query.
        optional: How many of the last parameters may be left out.
        suffixes: Numeric suffixes of the ``#`` node; the suffix is then the first argument.
        waits: The query waits until no operation is pending.
        same_as: Message that the query is short for, headers from the root; its last unit gives the answer.
    """

    header: str
    tell: Callable[..., None] | None = None
    ask: Callable[..., str | bytes] | None = None
    takes: tuple[Parameter, ...] = ()
    asks: tuple[Parameter, ...] = ()
    optional: int = 0
    suffixes: tuple[int, ...] = ()
    waits: bool = False
    same_as: str = ""


@dataclass(slots=True, eq=False)
class _Node:
    children: dict[str, _Node] = field(default_factory=dict)
    command: Command | None = None
    numbered: bool = False


class HeaderTree:
    """All headers of one instrument."""

    def __init__(self, commands: tuple[Command, ...]) -> None:
        self._root = _Node()
        for command in commands:
            for path in _paths(command.header):
                self._add(path, command)

    def find(self, header: str) -> tuple[Command, int]:
        """Command of an upper-case header without leading colon or question mark, and its numeric suffix.

        Raises ScpiError −101, −112, −113 or −114.
        """
        if not _LEGAL.match(header):
            raise ScpiError(-101)
        node, given = self._root, 1
        for word in header.split(":"):
            if len(word) > LONGEST_MNEMONIC:
                raise ScpiError(-112)
            match = _MNEMONIC.match(word)
            child = node.children.get(match.group(1)) if match else None
            if match is None or child is None:
                raise ScpiError(-113)
            number = int(match.group(2) or 1)
            if child.numbered:
                given = number
            elif number != 1:
                raise ScpiError(-114)
            node = child
        if node.command is None:
            raise ScpiError(-113)
        if node.command.suffixes and given not in node.command.suffixes:
            raise ScpiError(-114)
        return node.command, given

    def _add(self, path: tuple[str, ...], command: Command) -> None:
        node = self._root
        for words in path:
            keys = _keys(words)
            known = [node.children[key] for key in keys if key in node.children]
            child = known[0] if known else _Node()
            if any(other is not child for other in known):
                raise ValueError(f"two nodes share a word of {words} in {command.header}")
            child.numbered = child.numbered or "#" in words
            node.children.update(dict.fromkeys(keys, child))
            node = child
        if node.command not in (None, command):
            raise ValueError(f"{command.header} is in the table twice")
        node.command = command


@cache  # as for _paths: every instrument that is made has the same few hundred headers
def _keys(words: str) -> frozenset[str]:
    """Spellings of a node: the short and the long form of each of its words, in capitals."""
    names = [word.removesuffix("#") for word in words.split("|")]
    return frozenset(key for name in names for key in (short_form(name), name.upper()))


@cache
def _paths(pattern: str) -> tuple[tuple[str, ...], ...]:
    """Every path of nodes that a pattern allows, optional nodes left out or not."""
    nodes = list(_NODE.finditer(pattern))
    if "".join(match.group(0) for match in nodes) != pattern:
        raise ValueError(f"not a header pattern: {pattern}")
    choices: list[tuple[str | None, ...]] = []
    for match in nodes:
        words = match.group(2).replace("|:", "|")
        choices.append((None, words) if match.group(1) else (words,))
    return tuple(tuple(word for word in chosen if word is not None) for chosen in product(*choices))


def setting(
    header: str,
    parameter: Parameter,
    tell: Callable[[Any], None],
    ask: Callable[[], str],
) -> Command:
    """A command that sets one value, and its query."""
    return Command(header, tell=tell, ask=ask, takes=(parameter,))
