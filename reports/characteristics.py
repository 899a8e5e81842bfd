"""The characteristics that can be derived: word, unit, title, definition and where the definition comes from.

Rule: this table is the only list of them. A limit may name any of these words and no other.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Definition:
    """What one characteristic is.

    Attributes:
        unit: Unit of every value in the tables.
        title: Name for people.
        formula: One-line definition.
        source: Where the definition was published, or that it is common practice.
        assumptions: What must hold for the figure to mean what its title says; empty if nothing beyond the formula.
    """

    unit: str
    title: str
    formula: str
    source: str
    assumptions: str = ""


_INTERCEPT = "K. Kundert, Accurate and Rapid Measurement of IP2 and IP3, 2002 (from memory, not seen)"
_PRACTICE = "common practice, no source"
_STEPS = "common practice of makers of digitally controlled amplifiers, no single source"
_BOX = "box method, as data sheets of voltage references define their temperature coefficient"

CHARACTERISTICS: dict[str, Definition] = {
    "oip3": Definition(
        "dBm",
        "Output third-order intercept",
        "the smaller of the intercepts from the lower and the upper third-order product",
        _INTERCEPT,
    ),
    "oip3_lower": Definition(
        "dBm", "OIP3 from the lower product", "(2·P1 + P2 − P(2f1−f2)) / 2, levels in the load per tone", _INTERCEPT
    ),
    "oip3_upper": Definition(
        "dBm", "OIP3 from the upper product", "(P1 + 2·P2 − P(2f2−f1)) / 2, levels in the load per tone", _INTERCEPT
    ),
    "oip2": Definition(
        "dBm", "Output second-order intercept", "P1 + P2 − P(f1+f2), levels in the load per tone", _INTERCEPT
    ),
    "hd2": Definition(
        "dBc", "Second harmonic", "level at 2·f1 less level at f1, in the load, both tones present", _PRACTICE
    ),
    "hd3": Definition(
        "dBc", "Third harmonic", "level at 3·f1 less level at f1, in the load, both tones present", _PRACTICE
    ),
    "gain": Definition(
        "dB",
        "Voltage gain",
        "output level − input level + 10·log10(R_load / R_in), mean of both tones",
        "P = V²/R; the mean of both tones is common practice, no source",
    ),
    "gain_step_error": Definition(
        "dB",
        "Gain step error",
        "(gain of the next higher step − gain) − the nominal difference, at the code where the step ends",
        _STEPS,
    ),
    "cumulative_gain_error": Definition(
        "dB",
        "Cumulative gain error",
        "(gain at the code of highest gain − gain) − the nominal difference; the running sum of the step errors",
        _STEPS,
    ),
    "gain_match": Definition(
        "dB",
        "Gain match between channels",
        "gain of the part's first channel − gain of the other, all else equal; stated at the other channel",
        _PRACTICE,
    ),
    "supply_current": Definition("A", "Supply current", "mean reading in the supply line", _PRACTICE),
    "supply_current_change": Definition(
        "A", "Supply-current change", "current − current at the reference temperature, all else equal", _PRACTICE
    ),
    "supply_current_drift": Definition(
        "%",
        "Supply-current drift",
        "100 · (current / current at the reference temperature − 1), all else equal",
        _PRACTICE,
    ),
    "supply_current_box": Definition(
        "ppm/K",
        "Supply-current temperature coefficient",
        "10⁶ · (highest − lowest) / (current at the reference temperature · temperature span), over all temperatures",
        _BOX,
    ),
    "supply_power": Definition("W", "Power taken from the supply", "supply voltage · supply current", "P = V·I"),
}
