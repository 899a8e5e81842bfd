"""The spectral lines that a two-tone measurement looks at, and the source levels that a condition asks for.

The lower tone f1 comes from ``tone_1``, the upper tone f2 from ``tone_2``; every other line is n·f1 + m·f2.
"""

from __future__ import annotations

import math

#: Line name → (n, m) in n·f1 + m·f2. hd2 and hd3 are harmonics of the lower tone.
LINES: dict[str, tuple[int, int]] = {
    "tone_lower": (1, 0),
    "tone_upper": (0, 1),
    "im3_lower": (2, -1),
    "im3_upper": (-1, 2),
    "im2_sum": (1, 1),
    "hd2": (2, 0),
    "hd3": (3, 0),
}

#: The lower tone with the upper one off: what a compression sweep looks at.
SINGLE = "single"

#: Noise without any tone, and with a noise source on: read half-way between where the tones would be.
NOISE, NOISE_HOT = "noise", "noise_hot"

#: All that the analyzer is asked for: name → (n, m), it looks at n·f1 + m·f2.
LOOKS: dict[str, tuple[float, float]] = {**LINES, SINGLE: (1, 0), NOISE: (0.5, 0.5), NOISE_HOT: (0.5, 0.5)}

TONES = ("tone_lower", "tone_upper")
TWO_TONE_PRODUCTS = ("im3_lower", "im3_upper", "im2_sum")
HARMONICS = ("hd2", "hd3")


def tone_frequencies_hz(frequency_hz: float, spacing_hz: float) -> tuple[float, float]:
    """Lower and upper tone, half the spacing either side of the condition's frequency."""
    return frequency_hz - spacing_hz / 2, frequency_hz + spacing_hz / 2


def line_frequency_hz(line: str, frequency_hz: float, spacing_hz: float) -> float:
    """Frequency of a name of ``LOOKS`` for tones ``spacing_hz`` apart around ``frequency_hz``."""
    lower, upper = tone_frequencies_hz(frequency_hz, spacing_hz)
    n, m = LOOKS[line]
    return n * lower + m * upper


def input_level_dbm(
    output_level_dbm: float, voltage_gain_db: float, load_ohm: float, input_resistance_ohm: float
) -> float:
    """Level at the unit's input, dBm into its input resistance, that gives ``output_level_dbm`` into ``load_ohm``.

    Gain is voltage gain, so the level in dBm also changes by the ratio of the resistances: P = V²/R.
    """
    return output_level_dbm - voltage_gain_db + 10 * math.log10(load_ohm / input_resistance_ohm)


def output_level_dbm(
    input_level_dbm: float, voltage_gain_db: float, load_ohm: float, input_resistance_ohm: float
) -> float:
    """Inverse of ``input_level_dbm``."""
    return input_level_dbm + voltage_gain_db - 10 * math.log10(load_ohm / input_resistance_ohm)


def measured_lines(
    *, two_tone: bool, harmonics: bool, compression: bool = False, noise: bool = False
) -> tuple[str, ...]:
    """Lines whose frequencies are looked at, in the order of ``LINES``; harmonics are judged against the tones.

    A single tone stands where the lower tone does, and noise between both, so these two need the tones' frequencies.
    """
    if not (two_tone or harmonics or compression or noise):
        return ()
    products = (*(TWO_TONE_PRODUCTS if two_tone else ()), *(HARMONICS if harmonics else ()))
    return tuple(line for line in LINES if line in TONES or line in products)
