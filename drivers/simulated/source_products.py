"""What the sources send to the unit beside their tones: harmonics, and third-order products made where both meet.

They pass the unit as small signals, with its gain at their own frequency, and add there to what the unit makes.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

from drivers.simulated.amplifier import LINE_ORDERS, peak_v
from drivers.simulated.drawing import fraction

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

#: How far the true harmonic may lie below the declared one, which is a maker's "at most".
_HARMONIC_SPREAD_DB = 3.0


def input_products_dbm(rig: Rig, channel: str) -> dict[str, float]:
    """Level at a channel's input of each product of the sources, by line."""
    found: dict[str, float] = {}
    lower, upper = rig.tones.get("tone_1"), rig.tones.get("tone_2")
    if lower is not None and lower.on and lower.setup.harmonics_dbc is not None:
        tone_dbm = lower.emitted_dbm - rig.paths.input_db(channel, lower.emitted_hz)
        for line, dbc in zip(("hd2", "hd3"), lower.setup.harmonics_dbc, strict=True):
            below_db = _HARMONIC_SPREAD_DB * fraction(rig.setup.seed, f"tone_1 {line} level")
            found[line] = tone_dbm + dbc - below_db
    intercept_dbm = rig.setup.combiner_intercept3_dbm
    if intercept_dbm is not None and lower is not None and upper is not None and lower.on and upper.on:
        emitted = lower.emitted_dbm, upper.emitted_dbm
        for line in ("im3_lower", "im3_upper"):
            n, m = (abs(factor) for factor in LINE_ORDERS[line])
            level = n * emitted[0] + m * emitted[1] - 2 * intercept_dbm
            found[line] = level - rig.paths.input_db(channel, rig.line_frequency_hz(line))
    return found


def turned(rig: Rig, line: str, level_dbm: float, gain_db: float) -> complex:
    """Peak volts that a product at the input makes across the load, turned by a phase drawn once per bench."""
    phase = 2 * math.pi * fraction(rig.setup.seed, f"source phase {line}")
    volts = peak_v(level_dbm, rig.setup.unit.input_resistance_ohm) * 10 ** (gain_db / 20)
    return cmath.rect(volts, phase)
