"""What really lies between sources, unit and analyzer: the declared loss plus what its certificate could not know.

The error of each entry is one normal draw with the standard uncertainty U/2 (k = 2), the same at all frequencies. The
mismatch of its two ends comes on top: 20·log10|1 + Γ1·Γ2·e^(jφ)|, with a phase φ drawn at each knot and straight lines
in dB between knots.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from drivers.simulated.drawing import between_knots, fraction, normal


@dataclass(frozen=True, slots=True)
class PathLossSetup:
    """One declared loss.

    Attributes:
        path: ``input`` from the sources to the unit, ``output`` from the load to the analyzer.
        channel, load_ohm: For what it holds; None for all.
        loss_db: Declared loss in dB at a frequency in Hz; must answer at every frequency that a bench can meet.
        uncertainty_db: Expanded uncertainty, k = 2.
        vswr: Of the two ends that face each other at the instrument; 1 reflects nothing.
    """

    path: Literal["input", "output"]
    channel: str | None
    load_ohm: float | None
    loss_db: Callable[[float], float]
    uncertainty_db: float
    vswr: tuple[float, float] = (1.0, 1.0)


class Paths:
    """True losses of a bench; a path without an entry loses nothing, and the most specific entry holds."""

    def __init__(self, entries: tuple[PathLossSetup, ...], seed: int) -> None:
        self._entries = entries
        self._seed = seed
        self.errors_db = tuple(
            normal(entry.uncertainty_db / 2, seed, f"path loss {index}") for index, entry in enumerate(entries)
        )
        self._known: dict[tuple[str, str, float | None, float], float] = {}

    def input_db(self, channel: str, frequency_hz: float) -> float:
        """True loss from the sources to a channel's input."""
        return self._loss_db("input", channel, None, frequency_hz)

    def output_db(self, channel: str, load_ohm: float, frequency_hz: float) -> float:
        """True loss from the power in the load to the analyzer's connector."""
        return self._loss_db("output", channel, load_ohm, frequency_hz)

    def _loss_db(self, path: str, channel: str, load_ohm: float | None, frequency_hz: float) -> float:
        key = (path, channel, load_ohm, frequency_hz)
        known = self._known.get(key)
        if known is None:
            known = self._known[key] = self._look_up(path, channel, load_ohm, frequency_hz)
        return known

    def _look_up(self, path: str, channel: str, load_ohm: float | None, frequency_hz: float) -> float:
        best: int | None = None
        best_rank = -1
        for index, entry in enumerate(self._entries):
            fits = entry.path == path and entry.channel in (None, channel) and entry.load_ohm in (None, load_ohm)
            rank = (entry.channel is not None) + (entry.load_ohm is not None)
            if fits and rank > best_rank:
                best, best_rank = index, rank
        if best is None:
            return 0.0
        mismatch_db = between_knots(frequency_hz, lambda knot: self._mismatch_db(best, knot))
        return self._entries[best].loss_db(frequency_hz) + self.errors_db[best] + mismatch_db

    def _mismatch_db(self, index: int, knot: int) -> float:
        first, second = ((ratio - 1) / (ratio + 1) for ratio in self._entries[index].vswr)
        turn = cmath.exp(2j * math.pi * fraction(self._seed, f"mismatch of path {index} at {knot}"))
        return 20 * math.log10(abs(1 + first * second * turn))
