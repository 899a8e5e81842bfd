"""Voltage gain, and how well the gain codes keep to their nominal steps.

Rule: step and cumulative error compare only conditions that are equal on every axis but the gain code.

Definitions are those that makers of programmable amplifiers use: the step error is that between two adjacent codes, the
cumulative error that of all steps from the highest gain added up (common practice, no single source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio
from reports.grouped import Groups, combined, residual_weights, slope_weights
from reports.partners import Grid, Rows
from reports.uncertainty import Uncertain, difference, linear
from sequences.part_file import GainCodes

FloatArray = NDArray[np.float64]


def voltage_gain(
    outputs: tuple[Uncertain, Uncertain],
    inputs: tuple[Uncertain, Uncertain],
    load_ohm: FloatArray,
    input_resistance_ohm: float,
) -> Uncertain:
    """Voltage gain in dB, mean of both tones, shape (conditions,).

    Args:
        outputs: Levels of the lower and the upper tone in the load, dBm.
        inputs: Their levels in the input resistance, dBm.
        load_ohm: Shape (conditions,).
        input_resistance_ohm: The part's.

    With P = V²/R, 20·log10(Vout/Vin) = Pout − Pin + 10·log10(R_load/R_in).
    """
    power_gain = linear([(0.5, outputs[0]), (0.5, outputs[1]), (-0.5, inputs[0]), (-0.5, inputs[1])])
    return power_gain.shifted(db_of_power_ratio(load_ohm / input_resistance_ohm))


def step_errors(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Error of each gain step, dB, and the rows it belongs to: those of the code at which the step ends.

    e = (G[previous] − G[code]) − (nominal[previous] − nominal[code]), previous being the code with the next higher
    nominal gain. A step counts only if both its codes were measured.
    """
    falling = codes_by_falling_gain(codes)
    previous = dict(zip(falling[1:], falling, strict=False))
    return _against(gain, grid, codes, previous)


def cumulative_errors(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Error of each code's gain against the highest, dB, and the rows it belongs to; 0 by definition at the highest.

    c = (G[highest] − G[code]) − (nominal[highest] − nominal[code]): the running sum of the step errors. It counts only
    where the part's code of highest nominal gain was measured under the same conditions.
    """
    falling = codes_by_falling_gain(codes)
    return _against(gain, grid, codes, dict.fromkeys(falling, falling[0]))


def steps(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Size of each gain step in dB, positive in the nominal direction, and the rows of the code at which it ends.

    G[previous] − G[code], previous being the code with the next higher nominal gain. The gain is monotonic where every
    step is above 0. A step counts only if both its codes were measured.
    """
    falling = codes_by_falling_gain(codes)
    rows, partners = grid.pairs("gain_code", dict(zip(falling[1:], falling, strict=False)))
    return rows, difference(gain, partners, gain, rows)


def smallest_steps(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Smallest of the steps over all codes, dB, with its own uncertainty; below 0 the gain is not monotonic.

    Stated at the group's last code, so that runs over the same codes state it in one place; ``steps`` says where the
    smallest one lies.
    """
    rows, step = steps(gain, grid, codes)
    size = np.full(len(gain), np.nan)
    size[rows] = step.value
    groups = Groups.along(grid, "gain_code", -_nominal(grid, codes), ~np.isnan(size), least=1)
    place = np.zeros(len(gain), dtype=np.intp)
    place[rows] = np.arange(len(rows))
    return groups.last, step.take(place[groups.lowest(size)])


def ranges(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Gain at the part's code of highest nominal gain less that at its lowest, dB, and the rows of the latter."""
    falling = codes_by_falling_gain(codes)
    rows, partners = grid.pairs("gain_code", {falling[-1]: falling[0]} if len(falling) > 1 else {})
    return rows, difference(gain, partners, gain, rows)


def end_point_errors(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Gain less the straight line through the gains at the highest and the lowest code, dB, and its rows.

    The line runs over nominal gain, which is the code number where steps are equal. 0 by definition at both ends. A
    code counts only where both ends were measured under the same conditions. The end-point form of a converter's
    integral nonlinearity (IEEE Std 1241, from memory, not seen), for gains.
    """
    falling = codes_by_falling_gain(codes)
    highest, lowest = codes.gain_of[falling[0]], codes.gain_of[falling[-1]]
    if highest == lowest:
        return np.zeros(0, dtype=np.intp), gain.take(np.zeros(0, dtype=np.intp))
    to_top = grid.pairs("gain_code", dict.fromkeys(falling, falling[0]))
    to_bottom = grid.pairs("gain_code", dict.fromkeys(falling, falling[-1]))
    rows, in_top, in_bottom = np.intersect1d(to_top[0], to_bottom[0], assume_unique=True, return_indices=True)
    way = (highest - _nominal(grid, codes)[rows]) / (highest - lowest)
    ends = (gain.take(to_top[1][in_top]), gain.take(to_bottom[1][in_bottom]))
    return rows, linear([(1.0, gain.take(rows)), (way - 1.0, ends[0]), (-way, ends[1])])


def best_fit_errors(gain: Uncertain, grid: Grid, codes: GainCodes) -> tuple[Rows, Uncertain]:
    """Gain less the least-squares straight line over nominal gain, dB, and its rows; groups of three codes and more.

    The line is fitted to every measured code of a group with equal weight, so these residuals depend on which codes
    were measured, and are not the cumulative error.
    """
    nominal = _nominal(grid, codes)
    groups = Groups.along(grid, "gain_code", -nominal, ~np.isnan(gain.value + nominal), least=3)
    residuals = combined(gain, groups, residual_weights(nominal[groups.rows], groups.filled), last=True)
    places = np.flatnonzero(groups.filled.reshape(-1))
    return groups.rows.reshape(-1)[places], residuals.take(places)


def flatness(gain: Uncertain, grid: Grid) -> tuple[Rows, Uncertain]:
    """Highest less lowest gain over the frequencies, dB, all else equal; stated at the group's lowest frequency."""
    groups = Groups.along(grid, "frequency_hz", grid.axis("frequency_hz"), ~np.isnan(gain.value))
    return groups.first, difference(gain, groups.highest(gain.value), gain, groups.lowest(gain.value))


def tempco(gain: Uncertain, grid: Grid, reference_temperature_c: float) -> tuple[Rows, Uncertain]:
    """Least-squares slope of gain over temperature, dB/K, all else equal, two temperatures at least.

    Σ(T − mean T)·G / Σ(T − mean T)². Stated at the group's temperature nearest to the reference. Errors that all
    temperatures share cancel; that the unit was off its temperature after a soak does not.
    """
    temperature = grid.axis("temperature_c")
    groups = Groups.along(grid, "temperature_c", temperature, ~np.isnan(gain.value))
    slope = combined(gain, groups, slope_weights(temperature[groups.rows], groups.filled))
    return groups.lowest(np.abs(temperature - reference_temperature_c)), slope


def codes_by_falling_gain(codes: GainCodes) -> list[int]:
    """The part's codes from the highest nominal gain to the lowest; codes of equal gain stay in file order."""
    return sorted(codes.gain_of, key=lambda code: -codes.gain_of[code])


def _against(gain: Uncertain, grid: Grid, codes: GainCodes, reference: dict[int, int]) -> tuple[Rows, Uncertain]:
    rows, partners = grid.pairs("gain_code", reference)
    nominal = _nominal(grid, codes)
    measured = difference(gain, partners, gain, rows)
    return rows, measured.shifted(nominal[rows] - nominal[partners])


def _nominal(grid: Grid, codes: GainCodes) -> FloatArray:
    """Nominal gain of each condition's code, dB; NaN for a code that the part does not know. Shape (conditions,)."""
    nominal = np.array([codes.gain_of.get(int(code), np.nan) for code in grid.values["gain_code"]], dtype=np.float64)
    found: FloatArray = nominal[grid.codes["gain_code"]]
    return found
