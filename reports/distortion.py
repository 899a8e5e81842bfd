"""Third- and second-order intercepts and harmonics, from the levels of the lines in the load.

All levels are per tone or per product, dBm in the load, shape (conditions,). The lower tone f1 has level P1, the upper
f2 has P2; products are 2f1−f2 (lower), 2f2−f1 (upper), f1+f2, 2f1 and 3f1.

Why the intercepts look as they do: a product of a memoryless power series of order k grows dB for dB with each tone as
often as the tone takes part in it, so the level at which it would meet the tones is the extrapolation below (Kundert,
Accurate and Rapid Measurement of IP2 and IP3, 2002; from memory, not seen). With unequal tones both sidebands still
give the same intercept.
"""

from __future__ import annotations

import numpy as np

from reports.uncertainty import Uncertain, choose, linear


def oip3_lower(tone_lower: Uncertain, tone_upper: Uncertain, im3_lower: Uncertain) -> Uncertain:
    """Output third-order intercept in dBm from the product at 2f1 − f2: (2·P1 + P2 − Pim) / 2."""
    return linear([(1.0, tone_lower), (0.5, tone_upper), (-0.5, im3_lower)])


def oip3_upper(tone_lower: Uncertain, tone_upper: Uncertain, im3_upper: Uncertain) -> Uncertain:
    """Output third-order intercept in dBm from the product at 2f2 − f1: (P1 + 2·P2 − Pim) / 2."""
    return linear([(0.5, tone_lower), (1.0, tone_upper), (-0.5, im3_upper)])


def oip3(lower: Uncertain, upper: Uncertain) -> Uncertain:
    """The smaller of both, row by row, with its own uncertainty and bound.

    If the smaller one is "at least x", the true smaller one is at least x as well; if it is measured, a bound on the
    other, which is larger, changes nothing. Where only one side is known the result is not known.
    """
    chosen = choose(lower.value <= upper.value, lower, upper)
    missing = np.isnan(lower.value) | np.isnan(upper.value)
    return Uncertain(np.where(missing, np.nan, chosen.value), chosen.causes, chosen.bound)


def im3(tone_lower: Uncertain, tone_upper: Uncertain, im3_lower: Uncertain, im3_upper: Uncertain) -> Uncertain:
    """Third-order product against the tone beside it, dBc, the worse of both sidebands; negative for a weaker product.

    2f1 − f2 is held against f1 and 2f2 − f1 against f2. If the larger one is "at most x", so is the true larger one.
    Where only one side is known the result is not known.
    """
    lower, upper = im3_lower - tone_lower, im3_upper - tone_upper
    chosen = choose(lower.value >= upper.value, lower, upper)
    missing = np.isnan(lower.value) | np.isnan(upper.value)
    return Uncertain(np.where(missing, np.nan, chosen.value), chosen.causes, chosen.bound)


def oip2(tone_lower: Uncertain, tone_upper: Uncertain, im2_sum: Uncertain) -> Uncertain:
    """Output second-order intercept in dBm from the product at f1 + f2: P1 + P2 − Pim."""
    return linear([(1.0, tone_lower), (1.0, tone_upper), (-1.0, im2_sum)])


def harmonic(tone_lower: Uncertain, line: Uncertain) -> Uncertain:
    """Harmonic of the lower tone against it, dBc: negative where the harmonic is the weaker."""
    return line - tone_lower
