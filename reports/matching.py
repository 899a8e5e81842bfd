"""How alike the channels of a part are.

Rule: both channels are compared under conditions that are equal on every other axis.
"""

from __future__ import annotations

from reports.partners import Grid, Rows
from reports.uncertainty import Uncertain, difference


def gain_match(gain: Uncertain, grid: Grid, channels: tuple[str, ...]) -> tuple[Rows, Uncertain]:
    """Gain of the first channel less that of each other one, dB, and the rows (the other channel's) it belongs to."""
    first = channels[0]
    rows, partners = grid.pairs("channel", dict.fromkeys(channels[1:], first))
    return rows, difference(gain, partners, gain, rows)
