"""Program data of SCPI commands, as a device reads it (IEEE 488.2, 7.7; SCPI-1999 Vol 1, chapter 7).

Written from the standards' rules as far as they were seen in quotation, and sharing no code with the drivers, so that
a misreading on one side cannot hide on the other.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from drivers.simulated.status import ScpiError

#: Suffix multipliers (488.2, 7.7.3). MA is mega and M milli, but for the exceptions below.
_MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
#: The two units whose M is mega (488.2, 7.7.3).
_MEGA_UNITS = ("HZ", "OHM")

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z][A-Za-z/]*|)$")
_NON_DECIMAL = re.compile(r"#(?:[Hh]([0-9A-Fa-f]{1,16})|[Qq]([0-7]{1,21})|[Bb]([01]{1,64}))$")
_CHANNEL = re.compile(r"\s*(\d{1,9})\s*(?::\s*(\d{1,9})\s*)?$")

#: Longest channel list that is taken; ours, far above any relay card's.
_LONGEST_LIST = 1000


class Parameter(Protocol):
    """One element of program data."""

    def read(self, text: str) -> object:
        """Value of the element; raises ScpiError."""
        ...


def suffixes(unit: str) -> dict[str, float]:
    """Suffixes of a unit with their factors; ``""`` gives none."""
    if unit in ("", "DBM", "DB", "CEL"):
        return {unit: 1.0} if unit else {}
    table = {multiplier + unit: factor for multiplier, factor in _MULTIPLIERS.items()}
    if unit in _MEGA_UNITS:
        table["M" + unit] = 1e6
    return table


@dataclass(frozen=True, slots=True)
class Number:
    """A decimal number with an optional suffix, or MINimum, MAXimum, DEFault (Vol 1, 7.2.1).

    ``limits`` gives the range that may be set now. A value beyond it is refused with −222.
    """

    limits: Callable[[], tuple[float, float]]
    factors: dict[str, float]
    default: float | None = None
    whole: bool = False

    def read(self, text: str) -> float:
        """Value in base units; rounded to a whole number where the setting is one."""
        match = _NUMBER.match(text)
        if match is None:
            value = self._read_other(text)
        else:
            digits, suffix = match.groups()
            value = float(digits) if " " not in digits else float(digits.replace(" ", ""))
            if suffix:
                value *= self._factor(suffix)
        if self.whole and math.isfinite(value):
            value = float(round(value))
        low, high = self.limits()
        if not low <= value <= high:
            raise ScpiError(-222)
        return value

    def keyword(self, text: str) -> float | None:
        """Value that MIN, MAX or DEF stands for; None for any other text."""
        word = text.upper()
        if word in ("MIN", "MINIMUM"):
            return self.limits()[0]
        if word in ("MAX", "MAXIMUM"):
            return self.limits()[1]
        if word in ("DEF", "DEFAULT"):
            return self.default
        return None

    def _factor(self, suffix: str) -> float:
        if not self.factors:
            raise ScpiError(-138)
        factor = self.factors.get(suffix.upper())
        if factor is None:
            raise ScpiError(-131)
        return factor

    def _read_other(self, text: str) -> float:
        meant = self.keyword(text)
        if meant is not None:
            return meant
        match = _NON_DECIMAL.match(text)
        if match:
            hexadecimal, octal, binary = match.groups()
            return float(int(hexadecimal, 16) if hexadecimal else int(octal, 8) if octal else int(binary, 2))
        if text.upper() in ("INF", "INFINITY", "NINF", "NAN"):
            raise ScpiError(-222)
        raise ScpiError(_wrong_kind(text, otherwise=-121 if text[:1] in "+-.0123456789" else -141))


@dataclass(frozen=True, slots=True)
class Boolean:
    """ON, OFF or a number, rounded; not zero is ON (Vol 1, 7.3)."""

    def read(self, text: str) -> bool:
        """The state."""
        if text == "1":
            return True
        if text == "0":
            return False
        word = text.upper()
        if word in ("ON", "OFF"):
            return word == "ON"
        match = _NUMBER.match(text)
        if match is None:
            raise ScpiError(_wrong_kind(text, otherwise=-141))
        if match.group(2):
            raise ScpiError(-138)
        return abs(float(match.group(1).replace(" ", ""))) > 0.5  # round half to even: 0.5 is 0


@dataclass(frozen=True, slots=True)
class Keyword:
    """One of a few words, each in its short or long form: ``("POSitive", "RMS")``. The value is the short form."""

    words: tuple[str, ...]

    def read(self, text: str) -> str:
        """Short form of the word, upper case; −224 for one that is not in the list."""
        word = text.upper()
        for candidate in self.words:
            short = short_form(candidate)
            if word in (short, candidate.upper()):
                return short
        raise ScpiError(_wrong_kind(text, otherwise=-128 if text[:1] in "+-.0123456789" else -224))


@dataclass(frozen=True, slots=True)
class Channels:
    """A channel list ``(@101,103:105)`` (Vol 1, 8.3.2), flat; channels that do not exist are refused with −222."""

    existing: frozenset[int]

    def read(self, text: str) -> tuple[int, ...]:
        """Channel numbers in the order given."""
        if not text.startswith("("):
            raise ScpiError(-104)
        if not (text.startswith("(@") and text.endswith(")")):
            raise ScpiError(-171)
        found: list[int] = []
        for item in text[2:-1].split(","):
            match = _CHANNEL.match(item)
            if match is None:
                raise ScpiError(-171)
            first, last = int(match.group(1)), int(match.group(2) or match.group(1))
            if abs(last - first) >= _LONGEST_LIST:
                raise ScpiError(-222)
            found.extend(range(first, last + 1) if last >= first else range(first, last - 1, -1))
        if not self.existing.issuperset(found):
            raise ScpiError(-222)
        return tuple(found)


def short_form(mnemonic: str) -> str:
    """Short form of a mnemonic that is written with it in capitals: ``FREQuency`` → ``FREQ``."""
    return "".join(character for character in mnemonic if not character.islower())


def split_data(text: str) -> list[str]:
    """Elements of program data between commas; commas in strings and lists do not part. Raises −103, −151, −171."""
    if "(" not in text and '"' not in text and "'" not in text:
        elements = [element.strip() for element in text.split(",")]
    else:
        elements = [element.strip() for element in split_outside(text, ",")]
    if "" in elements:
        raise ScpiError(-103)
    return elements


def split_outside(text: str, separator: str) -> list[str]:
    """Split at ``separator`` outside strings and parentheses. Raises −151 for an open string, −171 for an open list."""
    pieces, begin, depth, quote = [], 0, 0, ""
    for index, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character in "()":
            depth += 1 if character == "(" else -1
        elif character == separator and depth == 0:
            pieces.append(text[begin:index])
            begin = index + 1
    if quote:
        raise ScpiError(-151)
    if depth:
        raise ScpiError(-171)
    pieces.append(text[begin:])
    return pieces


def _wrong_kind(text: str, otherwise: int) -> int:
    """Error number for an element of a kind that is not taken here."""
    kinds = {'"': -158, "'": -158, "#": -168, "(": -178}
    return kinds.get(text[:1], otherwise)
