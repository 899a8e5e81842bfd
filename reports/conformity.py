"""How probable it is that a unit conforms, given a value and its uncertainty; risks of accepting and rejecting.

Source: JCGM 106:2012, clauses 7 and 9 (7.3.3, example 2, seen as repeated elsewhere; the rest from memory, not seen).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reports.errors import ShapeFault
from reports.uncertainty import truncated_dof

FloatArray = NDArray[np.float64]


def conformity_probability(
    value: FloatArray,
    standard: FloatArray,
    dof: FloatArray,
    limit_min: float | None,
    limit_max: float | None,
) -> FloatArray:
    """Probability that the true value lies within the limits, ends included; shape (n,).

    The true value is taken as normally distributed around ``value`` with ``standard``, or, with limited degrees of
    freedom (truncated), as Student's; nothing is assumed of the part beforehand. Without uncertainty it is 1 or 0.

    Args:
        value, standard: Shape (n,), in the limit's unit.
        dof: Effective degrees of freedom, untruncated, shape (n,).
        limit_min, limit_max: The limit; None where it has no such side.
    """
    below = _cumulative(limit_min, value, standard, dof, at_limit=0.0) if limit_min is not None else 0.0
    up_to = _cumulative(limit_max, value, standard, dof, at_limit=1.0) if limit_max is not None else 1.0
    result: FloatArray = np.clip(up_to - below, 0.0, 1.0) + np.zeros_like(value)
    return result


def _cumulative(
    limit: float, value: FloatArray, standard: FloatArray, dof: FloatArray, *, at_limit: float
) -> FloatArray:
    """Probability of a true value below ``limit``; ``at_limit`` where the value is known exactly and equals it."""
    from scipy.special import ndtr, stdtr

    distance = limit - value
    known = standard > 0
    score = distance / np.where(known, standard, 1.0)
    finite = np.isfinite(dof)
    spread: FloatArray = np.where(finite, stdtr(truncated_dof(np.where(finite, dof, 1.0)), score), ndtr(score))
    return np.where(known, spread, np.where(distance == 0, at_limit, (distance > 0).astype(np.float64)))


def capability_index(limit_min: float, limit_max: float, standard: float) -> float:
    """Measurement capability index C_m = (TU − TL) / (4·u): how many U fit between limits and their middle (7.6)."""
    if standard <= 0 or limit_max <= limit_min:
        raise ShapeFault("a capability index needs an uncertainty above 0 and a max above the min")
    return (limit_max - limit_min) / (4 * standard)


@dataclass(frozen=True, slots=True)
class Risks:
    """Of a unit picked from production: shares of all units, not of the accepted ones.

    Attributes:
        consumer: Does not conform and is accepted.
        producer: Conforms and is rejected.
        nonconforming: Does not conform, whatever is measured.
    """

    consumer: float
    producer: float
    nonconforming: float


def global_risks(mean: float, spread: float, standard: float, limits: tuple[float, float], guard: float = 0.0) -> Risks:
    """Risks for units that are normally distributed (``mean``, ``spread``) and measured with ``standard``.

    A unit is accepted when its measured value lies within the limits less ``guard`` on either side. Integrals of
    JCGM 106:2012, 9.3.2 (from memory, not seen), by quadrature.
    """
    from scipy.integrate import quad
    from scipy.special import ndtr

    low, high = limits
    if not (spread > 0 and standard > 0 and low < high):
        raise ShapeFault("risks need spreads above 0 and a max above the min")

    def density(true: float) -> float:
        return float(np.exp(-0.5 * ((true - mean) / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))

    def accepted_at(true: float) -> float:
        chance = ndtr((high - guard - true) / standard) - ndtr((low + guard - true) / standard)
        return density(true) * float(chance)

    def accepted(start: float, end: float) -> float:
        # Beyond twelve standard deviations nothing is left (1e-32).
        start, end = max(start, mean - 12 * spread), min(end, mean + 12 * spread)
        inside = [mean] if start < mean < end else None
        return float(quad(accepted_at, start, end, points=inside, epsabs=1e-12, limit=400)[0]) if start < end else 0.0

    nonconforming = float(ndtr((low - mean) / spread) + ndtr((mean - high) / spread))
    return Risks(
        consumer=accepted(-np.inf, low) + accepted(high, np.inf),
        producer=1.0 - nonconforming - accepted(low, high),
        nonconforming=nonconforming,
    )
