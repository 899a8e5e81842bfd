"""Chance without a generator: each draw is a pure function of a seed and the name of the thing drawn.

So a draw does not depend on what was drawn before it, and one seed always gives the same bench and the same unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from hashlib import blake2b
from statistics import NormalDist

_STANDARD_NORMAL = NormalDist()
_SCALE = 2.0**-64

#: Distance of the knots of what changes with frequency in a way that nobody knows, Hz.
KNOT_HZ = 10e6


def seed_of(text: str, seed: int = 0) -> int:
    """A seed from a text, a serial number for example, and a seed above it. Always the same for the same two."""
    return int.from_bytes(blake2b(f"{seed}|{text}".encode(), digest_size=8).digest(), "big")


def fraction(seed: int, name: str) -> float:
    """A number in the open interval (0, 1), evenly distributed over names and seeds."""
    return (seed_of(name, seed) + 0.5) * _SCALE


def within(half_width: float, seed: int, name: str) -> float:
    """A number within ±``half_width``, rectangular (JCGM 100:2008, 4.3.7), in the unit of ``half_width``."""
    return half_width * (2.0 * fraction(seed, name) - 1.0)


def between_knots(frequency_hz: float, at_knot: Callable[[int], float]) -> float:
    """What lies on the straight line between the knots on either side of a frequency; knot n is at n · ``KNOT_HZ``."""
    below, along = divmod(frequency_hz / KNOT_HZ, 1.0)
    return at_knot(int(below)) * (1 - along) + at_knot(int(below) + 1) * along


def normal(standard_deviation: float, seed: int, name: str, *, at_most: float = math.inf) -> float:
    """A normally distributed number around 0, cut off at ``at_most`` standard deviations either side.

    The cut is by probability, not by clipping, so that no value piles up at the ends.
    """
    low = _STANDARD_NORMAL.cdf(-at_most)
    position = low + (1.0 - 2.0 * low) * fraction(seed, name)
    return standard_deviation * _STANDARD_NORMAL.inv_cdf(min(max(position, 1e-300), 1.0 - 2.0**-53))
