"""Numbers, conditions and decisions as words for people; every writer takes them from here, so that they agree.

Rule: nothing is decided or derived here. Rounding is for reading only; decisions were made on unrounded values.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_EVEN, Decimal

#: Axis → (name in front of the value, unit behind it, factor from SI), in the order in which a condition is read out.
_AXES: dict[str, tuple[str, str, float]] = {
    "channel": ("channel ", "", 1),
    "gain_code": ("code ", "", 1),
    "temperature_c": ("", " °C", 1),
    "supply_mode": ("", " mode", 1),
    "load_ohm": ("", " Ω", 1),
    "tone_level_dbm": ("", " dBm per tone", 1),
    "frequency_hz": ("", " MHz", 1e-6),
}

#: Decision → (word for people, sign that tells it apart without colour), from best to worst.
DECISIONS: dict[str, tuple[str, str]] = {
    "pass": ("Pass", "✓"),
    "conditional pass": ("Conditional pass", "◐"),
    "conditional fail": ("Conditional fail", "◑"),
    "fail": ("Fail", "✗"),
    "not tested": ("Not tested", "–"),
}

#: Bound flag → words in front of a value.
BOUNDS: dict[int, str] = {0: "", 1: "at least ", -1: "at most "}


def with_minus(text: str) -> str:
    """Text of a number with a true minus sign (U+2212), as wide as the plus, instead of the hyphen."""
    return text.replace("-", "−")


def number_text(value: float, significant: int = 6) -> str:
    """A number that carries no uncertainty (a setting, a limit): shortest text up to ``significant`` digits."""
    if not math.isfinite(value):
        return "–"
    text = f"{value:.{significant}g}"
    if "e" in text:
        text = format(Decimal(text), "f")
    return with_minus("0" if text == "-0" else text)


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
    """``38.42 ± 0.35 dBm``; a bounded value says ``at least`` or ``at most`` in front."""
    near, short = rounded(value, expanded_uncertainty)
    middle = f" ± {short}" if short else ""
    return f"{BOUNDS[bound]}{near}{middle} {unit}".rstrip()


def axis_text(axis: str, value: object) -> str:
    """One swept value in words: ``code 17``, ``−40 °C``, ``60 MHz``. Raises KeyError for an unknown axis."""
    before, after, factor = _AXES[axis]
    if isinstance(value, str):
        return f"{before}{value}{after}"
    return f"{before}{number_text(float(value) * factor)}{after}"  # type: ignore[arg-type]  # axes are text or numbers


def condition_text(condition: Mapping[str, object]) -> str:
    """A condition in words, axes in their usual order; axes that it does not name are left out."""
    return ", ".join(axis_text(axis, condition[axis]) for axis in _AXES if axis in condition)


def axis_values_text(axis: str, values: Iterable[object]) -> str:
    """Several values of one axis in words: ``codes 17, 18``, ``−40, −20 °C``; more than four become a span."""
    before, after, factor = _AXES[axis]
    items = sorted(set(values), key=lambda item: (isinstance(item, str), item))
    texts = [item if isinstance(item, str) else number_text(float(item) * factor) for item in items]  # type: ignore[arg-type]  # axes are text or numbers
    joined = f"{texts[0]} … {texts[-1]}" if len(texts) > 4 else ", ".join(texts)
    plural = len(texts) > 1
    before = before.replace(" ", "s ") if plural else before
    after = after + "s" if plural and after == " mode" else after
    return f"{before}{joined}{after}"
