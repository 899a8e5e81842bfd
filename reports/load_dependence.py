"""What the load does to level and intercept, and the output resistance that follows from it.

Rule: only conditions that are equal on every axis but the load are compared.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.errors import NotPositive
from reports.grouped import Groups, combined, covariance
from reports.partners import Grid, Rows
from reports.uncertainty import Uncertain, difference, linear

FloatArray = NDArray[np.float64]

#: Rounds of the fit. From nothing to a hundred ohms the first few halve the error; then each one squares what is left.
ROUNDS = 8

_DB_PER_NEPER = 20.0 / np.log(10.0)


def against_reference(quantity: Uncertain, grid: Grid, reference_load_ohm: float) -> tuple[Rows, Uncertain]:
    """A quantity less its value into the reference load, all else equal, and its rows: of groups of two loads or more.

    0 by definition at the reference itself. Two values that are bounded on the same side leave nothing to say.
    """
    loads = grid.values["load_ohm"]
    there = [load for load in loads if np.isclose(float(load), reference_load_ohm, rtol=1e-9)]
    rows, references = grid.pairs("load_ohm", dict.fromkeys(loads, there[0]) if there else {})
    group, count = grid.groups("load_ohm")
    is_swept = np.bincount(group[rows], minlength=count)[group[rows]] > 1
    tells = is_swept & (quantity.bound[rows] * quantity.bound[references] <= 0)
    rows, references = rows[tells], references[tells]
    return rows, difference(quantity, rows, quantity, references)


def output_resistance(gain: Uncertain, grid: Grid, reference_load_ohm: float) -> tuple[Rows, Uncertain]:
    """Differential output resistance in Ω from the voltage gain into two loads or more, all else equal.

    A source of resistance Ro puts the part R/(R + Ro) of its voltage across a load R, so the gain in dB is
    A + 20·log10(R/(R + Ro)). A and Ro are fitted by generalised least squares, the weights being the inverse of the
    gains' whole covariance matrix: an error that all loads share moves A and not Ro, one of a single load's path moves
    Ro as far as that load counts (JCGM 102:2011 for the covariances; the fit is that of A. C. Aitken, 1935; both from
    memory, not seen). Stated at the load nearest to the reference, in ratio.

    Assumes a resistive output and load, loads that are as stated, and tones well below saturation.
    """
    load = grid.axis("load_ohm")
    groups = Groups.along(grid, "load_ohm", load, ~np.isnan(gain.value) & (gain.bound == 0))
    if not len(groups):
        return groups.first, gain.take(groups.first)
    loads, filled = load[groups.rows], groups.filled
    weights = _inverse(covariance(gain, groups), filled)
    measured = gain.value[groups.rows]
    resistance = np.zeros(len(groups))
    for _ in range(ROUNDS):
        total = loads + resistance[:, None]
        expected = 20.0 * np.log10(loads / total)
        slope = -_DB_PER_NEPER / total
        sensitivity = _sensitivity(slope, weights, filled)
        step = np.einsum("gk,gk->g", sensitivity, np.where(filled, measured - expected, 0.0))
        # A step to where a load and Ro would cancel has no logarithm: half of the way there at most.
        resistance = np.maximum(resistance + step, -0.5 * loads.min(axis=1))
    fitted = combined(gain, groups, sensitivity[:, None, :], value=resistance[:, None])
    return groups.lowest(np.abs(np.log(load / reference_load_ohm))), fitted


def series_resistors(output_resistance_ohm: Uncertain, source_resistance_ohm: float) -> Uncertain:
    """Each of two equal resistors, one in either output line, that make the source look like a wanted resistance, Ω.

    (Rs − Ro)/2: both stand in series with the differential output. Negative where Ro is above Rs: no resistors can do
    it. Raises NotPositive for a source resistance that is not above 0.
    """
    if not source_resistance_ohm > 0:
        raise NotPositive("source resistance in Ω", source_resistance_ohm)
    return output_resistance_ohm.scaled(-0.5).shifted(source_resistance_ohm / 2.0)


def series_loss(output_resistance_ohm: Uncertain, source_resistance_ohm: float, load_ohm: float) -> Uncertain:
    """What such resistors cost in level at a load, dB: 20·log10((Rs + R)/(Ro + R)).

    ``load_ohm`` is what follows the resistors, as a filter's input. Raises NotPositive for resistances not above 0.
    """
    for name, resistance in (("source", source_resistance_ohm), ("load", load_ohm)):
        if not resistance > 0:
            raise NotPositive(f"{name} resistance in Ω", resistance)
    total = output_resistance_ohm.value + load_ohm
    if np.any(total <= 0):
        raise NotPositive("output and load resistance in Ω", float(np.nanmin(total)))
    value = 20.0 * np.log10((source_resistance_ohm + load_ohm) / total)
    return linear([(-_DB_PER_NEPER / total, output_resistance_ohm)], value=value)


def _inverse(matrix: FloatArray, filled: NDArray[np.bool_]) -> FloatArray:
    """Weights of each group from its covariance, shape (groups, k, k); 0 for unfilled places.

    A millionth of the mean variance is added to the diagonal, so that gains known without uncertainty, or with one that
    all of them share, still have weights: equal ones.
    """
    both = filled[:, :, None] & filled[:, None, :]
    places = matrix.shape[1]
    diagonal = np.where(filled, np.einsum("gkk->gk", matrix), 0.0)
    mean = diagonal.sum(axis=1) / filled.sum(axis=1)
    ridge = np.where(mean > 0, 1e-6 * mean, 1.0)[:, None, None] * np.eye(places)
    # Unfilled places get a 1 on their diagonal, so that the matrix can be inverted, and no weight afterwards.
    safe = np.where(both, matrix, 0.0) + np.where(both, ridge, np.eye(places) * ~both)
    weights: FloatArray = np.where(both, np.linalg.inv(safe), 0.0)
    return weights


def _sensitivity(slope: FloatArray, weights: FloatArray, filled: NDArray[np.bool_]) -> FloatArray:
    """Derivative of the fitted second parameter to each gain, shape (groups, k): the last row of (JᵀWJ)⁻¹JᵀW.

    J has a column of ones (the common gain) and the column ``slope``. Written out by eliminating the first parameter.
    """
    ones = filled.astype(np.float64)
    slope = np.where(filled, slope, 0.0)
    weighted_ones = np.einsum("gkl,gl->gk", weights, ones)
    weighted_slope = np.einsum("gkl,gl->gk", weights, slope)
    mixed = np.sum(weighted_ones * slope, axis=1) / np.sum(weighted_ones * ones, axis=1)
    row = weighted_slope - mixed[:, None] * weighted_ones
    result: FloatArray = row / np.sum(row * slope, axis=1, keepdims=True)
    return result
