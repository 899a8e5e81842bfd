"""Numbers, conditions and decisions as words for people; every writer takes them from here, so that they agree.

Rule: nothing is decided or derived here. Rounding is for reading only; decisions were made on unrounded values.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal

from sequences.units import from_si, plain_number, to_si

#: Axis → (in front of the value, unit of the number, behind it), in the order in which a condition is read out.
_AXES: dict[str, tuple[str, str, str]] = {
    "channel": ("channel ", "", ""),
    "gain_code": ("code ", "", ""),
    "temperature_c": ("", "°C", " °C"),
    "supply_mode": ("", "", " mode"),
    "load_ohm": ("", "Ω", " Ω"),
    "tone_level_dbm": ("", "dBm", " dBm per tone"),
    "frequency_hz": ("", "MHz", " MHz"),
}

#: Decision → (word for people, sign that tells it apart without colour), from best to worst.
DECISIONS: dict[str, tuple[str, str]] = {
    "pass": ("Pass", "✓"),
    "conditional pass": ("Conditional pass", "◐"),
    "conditional fail": ("Conditional fail", "◑"),
    "fail": ("Fail", "✗"),
    "not tested": ("Not tested", "–"),
}

#: Unit in the tables → unit that people read; others stay as they are.
_SHOWN_UNITS = {"A": "mA", "W": "mW", "s": "ns", "dB/K": "mdB/K"}

#: Unit of a value → unit of a difference between two such values, where it is another.
_DIFFERENCES = {"dBm": "dB", "dBc": "dB", "°C": "K"}

#: Bound flag → sign in front of a value: the true one is at least, or at most, this.
BOUNDS: dict[int, str] = {0: "", 1: "≥ ", -1: "≤ "}


def with_minus(text: str) -> str:
    """Text of a number with a true minus sign (U+2212), as wide as the plus, instead of the hyphen."""
    return text.replace("-", "−")


def decimal_places(value: float, significant: int) -> int:
    """How many decimal places show ``value`` with ``significant`` digits; 0 for a value that is not above 0."""
    if not math.isfinite(value) or value <= 0:
        return 0
    return max(0, significant - 1 - Decimal(repr(float(value))).adjusted())


def fixed_text(value: float, places: int) -> str:
    """A number with ``places`` decimal places, for columns that line up."""
    return with_minus(f"{value:.{places}f}") if math.isfinite(value) else "–"


def true_minus(text: str) -> str:
    """A text for people in which the hyphens that are signs of numbers, and only they, become minus signs."""
    return re.sub(r"(?<![\w-])-(?=\d)", "−", text)


def number_text(value: float, significant: int = 6) -> str:
    """A number that carries no uncertainty (a setting, a limit): shortest text up to ``significant`` digits."""
    return with_minus(plain_number(value, significant)) if math.isfinite(value) else "–"


def rounded(value: float, expanded_uncertainty: float) -> tuple[str, str]:
    """Texts of a value and its expanded uncertainty, the uncertainty to two significant digits, the value alike.

    Source: JCGM 100:2008, 7.2.6. Without a finite uncertainty above 0 the value keeps four significant digits and the
    second text is empty.
    """
    if not math.isfinite(value):
        return "–", ""
    if not math.isfinite(expanded_uncertainty) or expanded_uncertainty <= 0:
        return number_text(value, 4), ""
    exact = Decimal(repr(float(expanded_uncertainty)))
    quantum = Decimal(1).scaleb(exact.adjusted() - 1)
    short = exact.quantize(quantum, ROUND_HALF_EVEN)
    # 0.0996 rounds to 0.100: one more digit than meant, so that the last one goes.
    if short.adjusted() > exact.adjusted():
        quantum = quantum.scaleb(1)
        short = short.quantize(quantum)
    near = Decimal(repr(float(value))).quantize(quantum, ROUND_HALF_EVEN)
    return with_minus(format(abs(near) if near == 0 else near, "f")), format(short, "f")


def value_text(value: float, expanded_uncertainty: float, unit: str, bound: int = 0) -> str:
    """``38.42 ± 0.35 dBm``, ``1.2 ± 0.1°``; a bounded value has ``≥`` or ``≤`` in front."""
    near, short = rounded(value, expanded_uncertainty)
    middle = f" ± {short}" if short else ""
    # No space before the degree of an angle (SI Brochure, 9th edition, 5.4.3, from memory, not seen).
    space = "" if unit == "°" else " "
    return f"{BOUNDS[bound]}{near}{middle}{space}{unit}".rstrip()


def probability_text(probability: float) -> str:
    """A probability in percent for people; what rounds to 0 or to 100 % without being it says so."""
    percent = 100 * probability
    if percent < 0.05:
        return "< 0.1 %"
    return "> 99.9 %" if percent > 99.95 else f"{percent:.1f} %"


def shown_unit(unit: str) -> tuple[str, float]:
    """The unit in which people read a characteristic, and the factor to it from the unit of the tables."""
    shown = _SHOWN_UNITS.get(unit)
    return (unit, 1.0) if shown is None else (shown, to_si(1.0, unit) / to_si(1.0, shown))


def difference_unit(unit: str) -> str:
    """Unit of the difference of two values in ``unit``: two levels in dBm lie some dB apart."""
    return _DIFFERENCES.get(unit, unit)


def time_text(at: datetime) -> str:
    """A moment to the second in UTC: ``2026-11-02 18:30:00``. Raises ValueError for a time without zone."""
    if at.tzinfo is None:
        raise ValueError(f"{at}: a time without zone")
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S}"


def axis_text(axis: str, value: object) -> str:
    """One swept value in words: ``code 17``, ``−40 °C``, ``60 MHz``. Raises KeyError for an unknown axis."""
    before, unit, after = _AXES[axis]
    return f"{before}{_item_text(value, unit)}{after}"


def axis_values_text(axis: str, values: Iterable[object]) -> str:
    """Several values of one axis in words: ``codes 17, 18``, ``−40, −20 °C``; more than four numbers become a span."""
    before, unit, after = _AXES[axis]
    items = list(set(values))
    names = sorted(item for item in items if isinstance(item, str))
    numbers = sorted(float(item) for item in items if not isinstance(item, str))  # type: ignore[arg-type]  # axes are text or numbers
    texts = names or [_item_text(number, unit) for number in numbers]
    if len(texts) == 1:
        return f"{before}{texts[0]}{after}"
    joined = f"{texts[0]} to {texts[-1]}" if len(numbers) > 4 else ", ".join(texts)
    return f"{before.replace(' ', 's ')}{joined}{after + 's' if after == ' mode' else after}"


def _item_text(value: object, unit: str) -> str:
    return value if isinstance(value, str) else number_text(from_si(float(value), unit))  # type: ignore[arg-type]  # axes are text or numbers


def condition_text(condition: Mapping[str, object]) -> str:
    """A condition in words, axes in their usual order; axes that it does not name are left out."""
    return ", ".join(axis_text(axis, condition[axis]) for axis in _AXES if axis in condition)
