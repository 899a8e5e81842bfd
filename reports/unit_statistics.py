"""Statistics of a few units: spread, tolerance factors, capability, outliers. Factors are exact; approximations say so.

Rule: plain functions of plain numbers; nothing here knows a characteristic.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reports.errors import ShapeFault

FloatArray = NDArray[np.float64]


def mean_and_deviation(values: FloatArray) -> tuple[float, float]:
    """Mean and experimental standard deviation (n − 1); the latter NaN for one value. Raises ShapeFault for none.

    In two passes, around the first value: a sum of squares loses all digits of a small spread on a large mean.
    """
    if not len(values):
        raise ShapeFault("statistics of no values")
    shifted = values - values[0]
    mean = float(shifted.mean())
    deviations = shifted - mean
    # What rounding left of a sum that is 0 is taken out (corrected two-pass algorithm).
    squares = float(np.sum(deviations**2)) - float(np.sum(deviations)) ** 2 / len(values)
    deviation = math.sqrt(max(squares, 0.0) / (len(values) - 1)) if len(values) > 1 else math.nan
    return float(values[0]) + mean, deviation


def _check(count: int, *probabilities: float) -> None:
    if count < 2 or not all(0 < one < 1 for one in probabilities):
        raise ShapeFault("a tolerance factor needs two values and probabilities between 0 and 1")


def one_sided_factor(count: int, proportion: float, confidence: float) -> float:
    """k such that mean + k·s is above ``proportion`` of a normal population with ``confidence``: exact.

    Quantile of the noncentral Student distribution, t(confidence; n − 1, √n·z_p)/√n (NIST/SEMATECH e-Handbook of
    Statistical Methods, 7.2.6.3, from memory, not seen).
    """
    from scipy.special import ndtri
    from scipy.stats import nct

    _check(count, proportion, confidence)
    return float(nct.ppf(confidence, count - 1, math.sqrt(count) * ndtri(proportion))) / math.sqrt(count)


def natrella_factor(count: int, proportion: float, confidence: float) -> float:
    """Natrella's approximation of ``one_sided_factor`` (same section of the e-Handbook)."""
    from scipy.special import ndtri

    _check(count, proportion, confidence)
    z_p, z_c = float(ndtri(proportion)), float(ndtri(confidence))
    a = 1 - z_c**2 / (2 * (count - 1))
    b = z_p**2 - z_c**2 / count
    return (z_p + math.sqrt(z_p**2 - a * b)) / a


def two_sided_factor(count: int, proportion: float, confidence: float) -> float:
    """k such that mean ± k·s holds ``proportion`` of a normal population with ``confidence``: exact.

    Over the sample mean's error z the interval must have the half-width r(z) with Φ(z + r) − Φ(z − r) = proportion; the
    sample's spread is large enough for it with the probability of χ² > (n − 1)·r²/k². Its mean over z is the
    confidence, solved for k.
    """
    from scipy.optimize import brentq
    from scipy.stats import chi2, ncx2

    _check(count, proportion, confidence)
    nodes, weights = np.polynomial.legendre.leggauss(96)
    # Eight standard deviations of the mean, one side standing for both: beyond lies 1e-15.
    error = (nodes + 1) * 4 / math.sqrt(count)
    density = np.exp(-count * error**2 / 2) * math.sqrt(count / (2 * math.pi))
    weight = 2 * weights * density * 4 / math.sqrt(count)
    needed = ncx2.ppf(proportion, 1, error**2)

    def missing(factor: float) -> float:
        return float(np.sum(weight * chi2.sf((count - 1) * needed / factor**2, count - 1))) - confidence

    return float(brentq(missing, 1e-3, 1e4, xtol=1e-12))


def howe_factor(count: int, proportion: float, confidence: float) -> float:
    """Howe's approximation of ``two_sided_factor`` (e-Handbook, 7.2.6.3): above or below it, by n and p."""
    from scipy.special import chdtri, ndtri

    _check(count, proportion, confidence)
    dof = count - 1
    chi_square = float(chdtri(dof, confidence))
    return float(ndtri((1 + proportion) / 2)) * math.sqrt(dof * (1 + 1 / count) / chi_square)


def capability(mean: float, deviation: float, limit_min: float | None, limit_max: float | None) -> float:
    """Cpk: distance from the mean to the nearer limit in units of three standard deviations (e-Handbook, 6.1.6)."""
    if deviation <= 0 or (limit_min is None and limit_max is None):
        raise ShapeFault("a capability needs a spread above 0 and a limit")
    sides = [mean - limit_min] if limit_min is not None else []
    sides += [limit_max - mean] if limit_max is not None else []
    return min(sides) / (3 * deviation)


def potential_capability(deviation: float, limit_min: float, limit_max: float) -> float:
    """Cp: width between the limits in units of six standard deviations, wherever the mean lies (e-Handbook, 6.1.6)."""
    if deviation <= 0 or limit_max <= limit_min:
        raise ShapeFault("a capability needs a spread above 0 and a max above the min")
    return (limit_max - limit_min) / (6 * deviation)


def capability_interval(cpk: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Normal approximation of the two-sided confidence interval of Cpk from ``count`` values (e-Handbook, 6.1.6)."""
    from scipy.special import ndtri

    _check(count, confidence)
    half = float(ndtri((1 + confidence) / 2)) * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
    return cpk - half, cpk + half


def potential_capability_interval(cp: float, count: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided confidence interval of Cp from ``count`` values by χ²: exact if they are normal (e-Handbook, 6.1.6)."""
    from scipy.special import chdtri

    _check(count, confidence)
    tails = ((1 + confidence) / 2, (1 - confidence) / 2)
    low, high = (cp * math.sqrt(float(chdtri(count - 1, tail)) / (count - 1)) for tail in tails)
    return low, high


def grubbs(values: FloatArray) -> tuple[int, float]:
    """Place of the value farthest from the mean, and its distance in standard deviations, G. Raises ShapeFault."""
    mean, deviation = mean_and_deviation(values)
    if len(values) < 3 or not deviation > 0:
        raise ShapeFault("an outlier can be told from three different values on")
    distance = np.abs(values - mean) / deviation
    place = int(np.argmax(distance))
    return place, float(distance[place])


def grubbs_critical(count: int, significance: float = 0.05, sides: Literal[1, 2] = 2) -> float:
    """G from which a value is an outlier: (n − 1)/√n · √(t²/(n − 2 + t²)), t of n − 2 at significance/(sides·n).

    Published tables are mostly those for one side; here two are the default (e-Handbook, 1.3.5.17.1, from memory).
    """
    from scipy.special import stdtrit

    if count < 3 or not 0 < significance < 1:
        raise ShapeFault("an outlier can be told from three values on, at a significance between 0 and 1")
    t_square = float(stdtrit(count - 2, significance / (sides * count))) ** 2
    return (count - 1) / math.sqrt(count) * math.sqrt(t_square / (count - 2 + t_square))
