"""SCPI text: numbers, words, lists and blocks into messages and out of replies. Pure: no link, no instrument.

Rule: what a reply says is read as the standard defines it or refused with ``Unreadable``; nothing is guessed, and a
reply that says "no number" (overload, not-a-number) never becomes a number.

Clauses are those of IEEE 488.2 and of SCPI-1999 Volume 1 (Syntax and Style), from memory and from quotations in the
manuals and parsers of others; the standards themselves were not seen.
"""

from __future__ import annotations

import math
import re
import struct
import sys
from collections.abc import Iterable
from typing import Final, Literal

NOT_A_NUMBER_FROM = 9.8e37
"""Magnitudes from here on are no numbers: INF is 9.9E37, NAN is 9.91E37 (SCPI-1999 Vol 1, 7.2.1.4 and 7.2.1.5).

Below both, since a 32-bit float does not hold either exactly.
"""

SIGNIFICANT_DIGITS = 12
"""Digits sent. Enough for 1 Hz in 100 GHz, few enough to hide the last bits of a sum such as 0.1 + 0.2."""

RealBits = Literal[32, 64]
ByteOrder = Literal["normal", "swapped"]
"""``FORMat:BORDer``: normal sends the most significant byte first."""

Unit = Literal["V", "A", "HZ", "S", "DB", "DBM", "CEL"]
"""Base units by their suffixes (488.2, 7.7.3; DBM and CEL from memory)."""

_SUFFIXES: Final[dict[Unit, tuple[str, ...]]] = {
    "V": ("V",),
    "A": ("A",),
    "HZ": ("HZ",),
    "S": ("S",),
    "DB": ("DB",),
    "DBM": ("DBM",),
    "CEL": ("CEL", "C"),  # C alone is coulomb in the standard, and is met for °C; nothing here counts in coulombs
}
_NUMBER_WITH_SUFFIX: Final = re.compile(
    r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:E[+-]?[0-9]+)?)\s*([A-Z]+)\s*", re.IGNORECASE | re.ASCII
)

_SMALLEST_OF_BITS: Final[dict[RealBits, float]] = {32: 2.0**-126, 64: sys.float_info.min}
"""Smallest normal numbers of IEEE 754 single and double."""

_REAL_CODES: dict[tuple[RealBits, ByteOrder], tuple[str, int]] = {
    (32, "normal"): (">%df", 4),
    (32, "swapped"): ("<%df", 4),
    (64, "normal"): (">%dd", 8),
    (64, "swapped"): ("<%dd", 8),
}


class Unreadable(ValueError):
    """A reply, or a part of one, that is not what its place promises."""


class NotMeasured(Unreadable):
    """The instrument answers that it has no number: overload (±9.9E37) or not-a-number (9.91E37)."""


def format_number(value: float) -> str:
    """Write a number as NRf in base units without a suffix (488.2, 7.7.2: a device accepts any of NR1, NR2, NR3).

    Args:
        value: Finite number in the base unit of its command.

    Raises:
        ValueError: The number is not finite or is one that SCPI reserves for "no number".
    """
    if not abs(value) < NOT_A_NUMBER_FROM:
        raise ValueError(f"{value!r} cannot be sent as a number")
    return f"{value + 0.0:.{SIGNIFICANT_DIGITS}G}"  # + 0.0 turns -0.0 into 0


def format_boolean(*, on: bool) -> str:
    """Write a boolean as ``1`` or ``0`` (Vol 1, 7.3)."""
    return "1" if on else "0"


def format_channel_list(channels: Iterable[int]) -> str:
    """Write a channel list: ``(@101,102)`` (Vol 1, 8.3.2).

    Raises:
        ValueError: There is no channel, or a negative one.
    """
    numbers = list(channels)
    if not numbers or min(numbers) < 0:
        raise ValueError(f"a channel list needs one or more channels from 0 up, got {numbers}")
    return f"(@{','.join(map(str, numbers))})"


def parse_number(text: str, unit: Unit | None = None) -> float:
    """Read NR1, NR2 or NR3 (488.2, 8.7.2 to 8.7.4), blanks around it allowed.

    A reply has no suffix (488.2, 8.7); some instruments send one. The plain suffix of the base unit is taken, as it can
    mean nothing else. Any other is refused: multiplying by what a suffix seems to say would be guessing, since ``M`` is
    milli before V and mega before HZ, and not to every firmware.

    Args:
        text: The reply.
        unit: Base unit of the quantity; None where no suffix may stand.

    Raises:
        NotMeasured: The reply is one of the numbers that mean "no number".
        Unreadable: The reply is no number, or has another suffix.
    """
    try:
        value = float(text)
    except ValueError:
        if unit is not None:
            return parse_number(_without_suffix(text, unit))
        raise Unreadable(f"{text!r} is not a number") from None
    if -NOT_A_NUMBER_FROM < value < NOT_A_NUMBER_FROM and "_" not in text and text.isascii():
        return value
    # float() also takes "inf", "nan", "1_0" and digits of other scripts: 488.2 knows none of them.
    if text.strip().lstrip("+-")[:1] in set("0123456789.") and "_" not in text and text.isascii():
        raise NotMeasured(f"{text.strip()} means overload or not-a-number")
    raise Unreadable(f"{text!r} is not a number")


def _without_suffix(text: str, unit: Unit) -> str:
    found = _NUMBER_WITH_SUFFIX.fullmatch(text)
    if found is None:
        raise Unreadable(f"{text!r} is not a number")
    number, suffix = found.groups()
    if suffix.upper() not in _SUFFIXES[unit]:
        raise Unreadable(f"{text!r} has the suffix {suffix}, where none or the base unit {unit} may stand")
    return number


def parse_numbers(text: str) -> tuple[float, ...]:
    """Read numbers separated by commas (488.2, 8.4.2), one or more."""
    return tuple(map(parse_number, text.split(",")))


def parse_integer(text: str) -> int:
    """Read NR1 (488.2, 8.7.2); a number with a point or exponent is taken if it is whole, as counts often come so."""
    value = parse_number(text)
    if not value.is_integer():
        raise Unreadable(f"{text!r} is not a whole number")
    return int(value)


def parse_boolean(text: str) -> bool:
    """Read a boolean: always ``0`` or ``1`` in a reply (Vol 1, 7.3); the words ``ON`` and ``OFF`` are met and taken."""
    match text.strip().upper():
        case "1" | "+1" | "ON":
            return True
        case "0" | "+0" | "OFF":
            return False
    raise Unreadable(f"{text!r} is neither 0 nor 1")


def parse_booleans(text: str) -> tuple[bool, ...]:
    """Read booleans separated by commas, one or more."""
    return tuple(map(parse_boolean, text.split(",")))


def parse_string(text: str) -> str:
    """Read string response data: in double quotes, doubled inside (488.2, 8.7.8); single quotes are met and taken.

    Raises:
        Unreadable: No quotes, no closing quote, or a single quote sign inside that should be doubled.
    """
    stripped = text.strip()
    quote = stripped[:1]
    if quote not in ('"', "'") or len(stripped) < 2 or stripped[-1] != quote:
        raise Unreadable(f"{text!r} is not a quoted string")
    inside = stripped[1:-1]
    if quote in inside.replace(quote * 2, ""):
        raise Unreadable(f"{text!r} has a quote inside that is not doubled")
    return inside.replace(quote * 2, quote)


def parse_error_entry(text: str) -> tuple[int, str]:
    """Read the reply to ``:SYSTem:ERRor?``: number and text (SCPI-1999 Vol 2, 21.8).

    Variants that are met: a sign before the number (``+0,"No error"``), a text without quotes, no text at all.
    """
    number_text, _, message = text.partition(",")
    try:
        number = int(number_text)
    except ValueError:
        raise Unreadable(f"{text!r} is not an error entry") from None
    quoted = message.lstrip()[:1] in ('"', "'")
    return number, parse_string(message) if quoted else message.strip()


def parse_identity(text: str) -> tuple[str, str, str, str]:
    """Read the four fields of ``*IDN?`` (488.2, 10.14); an empty field counts as unknown: ``0``.

    A comma inside the fourth field is left there, as some firmware lists are written so.
    """
    fields = [field.strip() or "0" for field in text.split(",", 3)]
    if len(fields) != 4:
        raise Unreadable(f"{text!r} has {len(fields)} of the four fields of an identity")
    maker, model, serial, firmware = fields
    return maker, model, serial, firmware


def block_length(data: bytes | bytearray) -> int | None:
    """Count the bytes of a definite-length block with its header, from its first bytes (488.2, 8.7.9).

    ``#`` n, n digits of count, so many bytes: ``#15HELLO`` has 8.

    Returns:
        Length of header and content; None when the bytes do not begin with a complete header of a definite block.
    """
    if data[:1] != b"#":
        return None
    digits = data[1:2]
    if not digits.isdigit() or digits == b"0":
        return None
    count_ends = 2 + int(digits)
    count = data[2:count_ends]
    if len(count) != count_ends - 2 or not count.isdigit():
        return None
    return count_ends + int(count)


def parse_block(data: bytes) -> bytes:
    """Take the content out of a definite-length block (488.2, 8.7.9).

    The indefinite form ``#0`` is refused: without an END signal nobody can tell its last byte from a broken line.

    Raises:
        Unreadable: Not such a block, or more or fewer bytes than its header says.
    """
    length = block_length(data)
    if length is None:
        raise Unreadable(f"{data[:16]!r} does not begin with the header of a definite-length block")
    if len(data) != length:
        raise Unreadable(f"the block says {length} bytes with its header, {len(data)} came")
    return data[2 + data[1] - ord("0") :]


def parse_reals(content: bytes, bits: RealBits = 32, order: ByteOrder = "normal") -> tuple[float, ...]:
    """Read binary reals: ``FORMat:DATA REAL,32`` or ``REAL,64`` (IEEE 754 single or double).

    Args:
        content: Content of a block.
        bits: Size of one number.
        order: As ``FORMat:BORDer``.

    Raises:
        NotMeasured: One of them is a number that means "no number", or an IEEE infinity or not-a-number.
        Unreadable: The bytes are no whole count of numbers, or one is too small to be normal: that is what round
            numbers look like in the other byte order (-20 becomes 5.8e-41), and no instrument resolves it.
    """
    code, size = _REAL_CODES[bits, order]
    count, rest = divmod(len(content), size)
    if rest:
        raise Unreadable(f"{len(content)} bytes are no whole count of {bits}-bit numbers")
    values: tuple[float, ...] = struct.unpack(code % count, content)
    # The sum finds not-a-number, which hides from min and max.
    if values and not (math.isfinite(sum(values)) and max(map(abs, values)) < NOT_A_NUMBER_FROM):
        raise NotMeasured("the block holds overload or not-a-number")
    if min(map(abs, filter(None, values)), default=1.0) < _SMALLEST_OF_BITS[bits]:
        raise Unreadable("the block holds numbers too small to be any: its bytes are in another order than asked for")
    return values
