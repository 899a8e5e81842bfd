"""The long table of readings as one column per quantity, repeats averaged.

Rule: levels are averaged as power, everything else as it stands; nothing is left out and nothing counted twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports.errors import ShapeFault
from reports.frames import READINGS

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class WideReadings:
    """Readings by quantity, one value per condition, in the order of the conditions.

    Attributes:
        mean: Mean over the repeats, shape (conditions,); NaN where the condition has no such reading. Quantities that
            the run has nowhere are absent.
        spread: Experimental standard deviation of that mean (JCGM 100:2008, 4.2.3); 0 where there is one repeat. dB
            for levels.
        repeats: How many repeats the mean is of.
    """

    mean: Mapping[str, FloatArray]
    spread: Mapping[str, FloatArray]
    repeats: Mapping[str, FloatArray]
    rows: int

    def of(self, quantity: str) -> FloatArray:
        """Mean of one quantity, all NaN if the run does not have it."""
        return self.mean[quantity] if quantity in self.mean else np.full(self.rows, np.nan)


def wide_readings(conditions: pd.Index[int], readings: pd.DataFrame) -> WideReadings:
    """Spread ``readings`` (columns condition, repeat, quantity, value) over ``conditions``.

    Raises:
        ShapeFault: A reading belongs to no condition, or stands twice.
    """
    names, quantity = _quantities(readings["quantity"])
    row = _positions(conditions.to_numpy(), readings["condition"].to_numpy())
    repeat = readings["repeat"].to_numpy().astype(np.int64)
    repeats = int(repeat.max()) + 1 if repeat.size else 1
    cube = np.full((len(names), len(conditions), repeats), np.nan)
    value = readings["value"].to_numpy(dtype=np.float64)
    cube[quantity, row, repeat] = value
    if np.count_nonzero(~np.isnan(cube)) != np.count_nonzero(~np.isnan(value)):
        raise ShapeFault("readings: one stands twice for the same condition, repeat and quantity")
    mean, spread, count = {}, {}, {}
    for name, block in zip(names, cube, strict=True):
        is_level = READINGS[name] == "dBm"
        mean[name], spread[name], count[name] = _averaged(block, is_level)
    return WideReadings(mean, spread, count, len(conditions))


def _quantities(column: pd.Series[str]) -> tuple[list[str], NDArray[np.int64]]:
    if isinstance(column.dtype, pd.CategoricalDtype):
        return list(column.cat.categories), column.cat.codes.to_numpy().astype(np.int64)
    codes, names = pd.factorize(column)
    return list(names), codes.astype(np.int64)


def _positions(conditions: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.intp]:
    order = np.argsort(conditions, kind="stable")
    place = np.searchsorted(conditions, wanted, sorter=order)
    found = order[np.minimum(place, len(order) - 1)] if len(order) else np.zeros(0, dtype=np.intp)
    if len(wanted) and (not len(order) or np.any(conditions[found] != wanted)):
        raise ShapeFault("readings: one belongs to a condition that is not in the run")
    return found


def _averaged(block: FloatArray, is_level: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, standard deviation of it and count over the repeats; (conditions, repeats) to 3 × (conditions,)."""
    if block.shape[1] == 1:
        single = block[:, 0]
        # One number seen as a column: a long run has dozens of these.
        return single, np.broadcast_to(0.0, single.shape), np.broadcast_to(1.0, single.shape)
    there = ~np.isnan(block)
    count = there.sum(axis=1).astype(np.float64)
    divisor = np.where(count > 0, count, np.nan)
    linear = 10.0 ** (block / 10.0) if is_level else block
    average = np.where(there, linear, 0.0).sum(axis=1) / divisor
    mean: FloatArray = 10.0 * np.log10(average) if is_level else average
    deviation = np.where(there, block - mean[:, None], 0.0)
    variance = (deviation**2).sum(axis=1) / np.where(count > 1, count * (count - 1), np.nan)
    return mean, np.nan_to_num(np.sqrt(variance)), count
