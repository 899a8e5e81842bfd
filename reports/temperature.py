"""What it does to a figure that the unit was not quite at the temperature for which the figure is stated.

Rule: the sensitivity comes from the run itself, as the change between the hottest and the coldest condition of a group;
a group with one temperature has none and takes nothing from here.

Draws that are shared: the thermometer's error is one for the bench, so it all but cancels in a change with temperature;
how far the board was off, one for each soak, so it all but cancels between codes and channels; how it moved during the
soak, one for each condition.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.uncertainty import Cause, Uncertain, standard

if TYPE_CHECKING:
    from reports.partners import Grid, Rows
    from reports.wide_readings import WideReadings
    from sequences.bench_file import Instruments
    from sequences.sequence_file import Soak

FloatArray = NDArray[np.float64]


def at_temperature(
    quantity: Uncertain, wide: WideReadings, instruments: Instruments, grid: Grid, soak: Soak
) -> Uncertain:
    """``quantity`` (all conditions) with the causes that come from the unit's temperature; its values stay.

    The half-widths are what the board showed against the condition's temperature, or, without a board thermometer, the
    chamber's accuracy with the soak rule's tolerance for the air, and how the air moved.
    """
    measured = np.where(quantity.bound == 0, quantity.value, np.nan)
    slope = slope_per_k(measured, grid)
    if not slope.any():
        return quantity
    return Uncertain(
        quantity.value, dict(quantity.causes) | _causes(slope, wide, instruments, grid, soak), quantity.bound
    )


def _causes(
    slope: FloatArray, wide: WideReadings, instruments: Instruments, grid: Grid, soak: Soak
) -> dict[str, Cause]:
    temperature_c = grid.axis("temperature_c")
    visit = soaks(temperature_c)
    causes: dict[str, Cause] = {}
    if instruments.board_thermometer is not None and "board_temperature_c" in wide.mean:
        half_width_k = instruments.board_thermometer.accuracy.temperature_k
        error_k = standard(half_width_k, "rectangular")
        causes["board thermometer"] = Cause.of(
            slope * error_k, rows=wide.rows, standard=error_k, unit="K", name_of=lambda _: "board thermometer: accuracy"
        )
        off_k = wide.of("board_temperature_c") - temperature_c
        # A condition without this one reading was still measured after a soak that kept to its rule.
        middle_k, own_k = _span(np.where(np.isnan(off_k), soak.board_within_k, off_k), visit)
        shared_k = np.abs(middle_k)
    elif instruments.chamber is not None:
        shared_k = np.full(wide.rows, soak.air_within_k + instruments.chamber.accuracy.temperature_k)
        air_c = wide.of("air_temperature_c")
        own_k = _span(air_c, visit)[1] if np.isfinite(air_c).all() else np.full(wide.rows, soak.air_within_k)
    else:
        return causes
    causes["unit off its temperature"] = _rectangular(slope, shared_k, visit, "unit off its temperature after the soak")
    causes["unit's temperature during a soak"] = _rectangular(
        slope, own_k, np.arange(wide.rows), "unit's temperature between the conditions of a soak"
    )
    return causes


def _span(value: FloatArray, visit: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
    """Middle and half of the span of the values of each soak, for each of its conditions."""
    starts = np.flatnonzero(np.diff(visit, prepend=-1))
    highest, lowest = np.maximum.reduceat(value, starts)[visit], np.minimum.reduceat(value, starts)[visit]
    return (highest + lowest) / 2, (highest - lowest) / 2


def _rectangular(slope: FloatArray, half_width_k: FloatArray, number: NDArray[np.int64], name: str) -> Cause:
    known_k = half_width_k / np.sqrt(3.0)
    return Cause.of(slope * known_k, number, rows=len(slope), standard=known_k, unit="K", name_of=lambda _: name)


def soaks(temperature_c: FloatArray) -> NDArray[np.int64]:
    """Number of the soak of each condition: conditions that follow each other at one temperature share theirs."""
    return np.cumsum(np.diff(temperature_c, prepend=temperature_c[:1]) != 0)


def slope_per_k(value: FloatArray, grid: Grid) -> FloatArray:
    """Change per kelvin between the hottest and the coldest condition of each group that has a value; 0 with one."""
    temperature = grid.axis("temperature_c")
    group, groups = grid.groups("temperature_c")
    hottest, coldest = ends(temperature, group, groups, np.flatnonzero(~np.isnan(value)))
    span = temperature[hottest] - temperature[coldest]
    change = value[hottest] - value[coldest]
    # A group without any value has row −1 at both ends, and so a span of 0.
    slope: FloatArray = np.where(span > 0, change / np.where(span > 0, span, 1.0), 0.0)
    return slope[group]


def ends(value: FloatArray, group: NDArray[np.int64], groups: int, there: Rows) -> tuple[Rows, Rows]:
    """Row of the highest and of the lowest value of each group, among the rows ``there``; −1 if it has none."""
    order = there[np.lexsort((value[there], group[there]))]
    last = np.full(groups, -1, dtype=np.intp)
    first = last.copy()
    last[group[order]] = order
    first[group[order[::-1]]] = order[::-1]
    return last, first
