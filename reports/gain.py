"""Voltage gain, and how well the gain codes keep to their nominal steps.

Rule: step and cumulative error compare only conditions that are equal on every axis but the gain code.

Definitions are those that makers of programmable amplifiers use: the step error is that between two adjacent codes, the
cumulative error that of all steps from the highest gain added up (common practice, no single source).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio
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


def codes_by_falling_gain(codes: GainCodes) -> list[int]:
    """The part's codes from the highest nominal gain to the lowest; codes of equal gain stay in file order."""
    return sorted(codes.gain_of, key=lambda code: -codes.gain_of[code])


def _against(gain: Uncertain, grid: Grid, codes: GainCodes, reference: dict[int, int]) -> tuple[Rows, Uncertain]:
    rows, partners = grid.pairs("gain_code", reference)
    nominal = np.array([codes.gain_of.get(int(code), np.nan) for code in grid.values["gain_code"]])
    nominal = nominal[grid.codes["gain_code"]]
    measured = difference(gain, partners, gain, rows)
    return rows, measured.shifted(nominal[rows] - nominal[partners])
