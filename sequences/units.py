"""Units: what the endings of keys and the unit texts of limits mean, and how a quantity reads to a person.

Rule: no other module knows a prefix. Arithmetic goes through the decimal text of a number, so that 0.3 mA becomes the
same float as 0.0003 A and no noise of binary fractions reaches a file, a comparison or a page.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Context, Decimal

#: Enough digits for the product of two exact float texts (17 digits each); a fixed context keeps the result the same
#: whatever a caller has set.
_EXACT = Context(prec=60, Emin=-999_999, Emax=999_999)


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: its text, how a key ends for it, what it measures, and its size in that dimension's base unit."""

    text: str
    ending: str
    dimension: str
    size: Decimal


def _unit(text: str, ending: str, dimension: str, size: str = "1") -> Unit:
    return Unit(text, ending, dimension, Decimal(size))


#: A temperature and a temperature difference are two dimensions, for 0 °C is not 0 K. Temperatures stay in °C and ramp
#: rates in K/min, as the names of this project say; all else is in SI base units. An empty ending: not for keys.
_UNITS = (
    _unit("Hz", "hz", "frequency"),
    _unit("kHz", "khz", "frequency", "1e3"),
    _unit("MHz", "mhz", "frequency", "1e6"),
    _unit("GHz", "ghz", "frequency", "1e9"),
    _unit("s", "s", "time"),
    _unit("µs", "us", "time", "1e-6"),
    _unit("ns", "", "time", "1e-9"),
    _unit("ms", "ms", "time", "1e-3"),
    _unit("min", "min", "time", "60"),
    _unit("h", "h", "time", "3600"),
    _unit("V", "v", "voltage"),
    _unit("µV", "uv", "voltage", "1e-6"),
    _unit("mV", "mv", "voltage", "1e-3"),
    _unit("A", "a", "current"),
    _unit("µA", "ua", "current", "1e-6"),
    _unit("mA", "ma", "current", "1e-3"),
    _unit("Ω", "ohm", "resistance"),
    _unit("kΩ", "kohm", "resistance", "1e3"),
    _unit("W", "w", "power"),
    _unit("mW", "mw", "power", "1e-3"),
    _unit("°C", "c", "temperature"),
    _unit("K", "k", "temperature difference"),
    _unit("mK", "mk", "temperature difference", "1e-3"),
    _unit("K/min", "k_per_min", "temperature rate"),
    _unit("K/s", "k_per_s", "temperature rate", "60"),
    _unit("dB", "db", "level difference"),
    _unit("mdB", "", "level difference", "1e-3"),
    _unit("dBm", "dbm", "level"),
    _unit("dBc", "", "level below carrier"),
    _unit("dBm/Hz", "dbm_per_hz", "level density"),
    _unit("dB/K", "", "level difference over temperature"),
    _unit("mdB/K", "", "level difference over temperature", "1e-3"),
    _unit("", "", "ratio"),
    _unit("%", "", "ratio", "1e-2"),
    _unit("ppm", "", "ratio", "1e-6"),
    _unit("1/K", "", "ratio over temperature"),
    _unit("%/K", "", "ratio over temperature", "1e-2"),
    _unit("ppm/K", "", "ratio over temperature", "1e-6"),
    _unit("°", "", "angle"),
)

#: A humidity in a key stays a number of percent, as its name says.
_PERCENT_KEY = _unit("%", "percent", "percentage")

UNITS: dict[str, Unit] = {unit.text: unit for unit in _UNITS}

#: Other ways to type a sign that a keyboard lacks, or that looks the same (MICRO SIGN and GREEK MU; OHM SIGN).
_TYPED = {"ohm": "Ω", "kohm": "kΩ", "us": "µs", "uV": "µV", "uA": "µA", "deg": "°", "degC": "°C", "\u2126": "Ω"}

_ENDINGS: dict[str, Unit] = {unit.ending: unit for unit in (*_UNITS, _PERCENT_KEY) if unit.ending}

#: Base unit of a dimension → prefixes that people are used to, smallest first.
_PREFIXES: dict[str, tuple[tuple[str, str], ...]] = {
    "Hz": (("Hz", "1"), ("kHz", "1e3"), ("MHz", "1e6"), ("GHz", "1e9")),
    "s": (("µs", "1e-6"), ("ms", "1e-3"), ("s", "1")),
    "V": (("µV", "1e-6"), ("mV", "1e-3"), ("V", "1")),
    "A": (("µA", "1e-6"), ("mA", "1e-3"), ("A", "1")),
    "W": (("mW", "1e-3"), ("W", "1")),
    "Ω": (("Ω", "1"), ("kΩ", "1e3")),
}


class UnknownUnit(ValueError):
    """A unit text that this project does not know; ``unit`` holds it."""

    def __init__(self, unit: str) -> None:
        super().__init__(unit)
        self.unit = unit

    def __str__(self) -> str:
        return f"unknown unit {self.unit!r}; known are {', '.join(text for text in UNITS if text)}"


def unit_of(text: str) -> Unit:
    """The unit that ``text`` names; raises UnknownUnit."""
    plain = text.replace("\u03bc", "µ")
    unit = UNITS.get(_TYPED.get(plain, plain))
    if unit is None:
        raise UnknownUnit(text)
    return unit


def scaled(value: float, factor: Decimal) -> float:
    """``value`` times ``factor``, from the decimal text of ``value``, rounded once; infinite beyond any float."""
    if not math.isfinite(value):
        return value
    return float(_EXACT.multiply(Decimal(repr(value)), factor))


def to_si(value: float, unit: str) -> float:
    """``value`` in ``unit`` as a number of the base unit of its dimension: 0.3 "mA" → 0.0003.

    Ratios become plain numbers ("%" → 0.01), dB, dBm, dBc, ° and °C stay as they are. Raises UnknownUnit.
    """
    return scaled(value, unit_of(unit).size)


def from_si(value: float, unit: str) -> float:
    """Inverse of ``to_si``: 0.0003 to "mA" → 0.3. Raises UnknownUnit."""
    if not math.isfinite(value):
        return value
    return float(_EXACT.divide(Decimal(repr(value)), unit_of(unit).size))


def same_dimension(one: str, other: str) -> bool:
    """Whether two unit texts measure the same thing. Raises UnknownUnit."""
    return unit_of(one).dimension == unit_of(other).dimension


def split_key(key: str) -> tuple[str, Unit | None]:
    """A key without its unit, and the unit: ``frequency_mhz`` → ``frequency``, MHz. The longest known ending counts,

    so that ``noise_dbm_per_hz`` is not taken for a frequency. A key without unit comes back whole, with None.
    """
    words = key.split("_")
    for start in range(1, len(words)):
        unit = _ENDINGS.get("_".join(words[start:]))
        if unit is not None:
            return "_".join(words[:start]), unit
    return key, None


def spellings(key: str) -> tuple[str, ...]:
    """Every way to write ``key`` with another prefix of its unit, its own first; the key alone if it has no unit."""
    stem, unit = split_key(key)
    if unit is None:
        return (key,)
    others = (f"{stem}_{other.ending}" for other in _ENDINGS.values() if other.dimension == unit.dimension)
    return (key, *(other for other in others if other != key))


def plain_number(value: float, digits: int = 6) -> str:
    """``value`` with at most ``digits`` significant digits, no trailing zeros and no exponent in the usual range."""
    rounded = float(f"{value:.{digits}g}")
    if rounded == 0:
        return "0"
    if 1e-6 <= abs(rounded) < 1e15:
        return f"{Decimal(repr(rounded)):f}".removesuffix(".0")
    return f"{rounded:.{digits}g}"


def quantity_text(value_si: float, unit: str, digits: int = 6) -> str:
    """A quantity for people, with the prefix that keeps the number from 1 to 1000: 45e6 "Hz" → ``45 MHz``.

    ``value_si`` is in the base unit of the dimension of ``unit``; only units of ``_PREFIXES`` change their prefix,
    and a unit that is no base unit is kept: 0.0003 "mA" → ``0.3 mA``.
    """
    if unit not in _PREFIXES:
        return f"{plain_number(from_si(value_si, unit), digits)} {unit}".rstrip()
    rounded = abs(float(f"{value_si:.{digits}g}"))
    fitting = [step for step in _PREFIXES[unit] if Decimal(repr(rounded)) >= Decimal(step[1])]
    text = fitting[-1][0] if fitting else (unit if value_si == 0 else _PREFIXES[unit][0][0])
    return f"{plain_number(from_si(value_si, text), digits)} {text}"


def duration_text(duration_s: float) -> str:
    """A duration for people: ``350 ms``, ``12 s``, ``4 min 10 s``, ``9 h 12 min``; no seconds above an hour."""
    if duration_s < 60:
        return quantity_text(duration_s, "s", digits=3)
    whole_s = round(duration_s)
    if whole_s < 3600:
        minutes, seconds = divmod(whole_s, 60)
        return f"{minutes} min {seconds} s" if seconds else f"{minutes} min"
    hours, minutes = divmod(round(duration_s / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"
