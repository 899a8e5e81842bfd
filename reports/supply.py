"""Supply current, its change with temperature, and the power taken.

Rule: a change with temperature compares only conditions that are equal on every other axis.

Uncertainty: from the meters, and from the unit's temperature. A figure is stated at the condition's temperature; what
the board was off it, and what the thermometer may be wrong, count with the current's own slope over temperature.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.errors import CannotDerive
from reports.partners import Grid, Rows
from reports.uncertainty import DIVISORS, Cause, Uncertain, difference, product, ratio, standard
from sequences.values import SAME_WITHIN

if TYPE_CHECKING:
    from reports.wide_readings import WideReadings
    from sequences.bench_file import Instruments
    from sequences.sequence_file import Soak

FloatArray = NDArray[np.float64]


def current(wide: WideReadings, instruments: Instruments, grid: Grid, soak: Soak) -> Uncertain:
    """Supply current in A, shape (conditions,); NaN where not measured.

    With a meter in the line: error = gain error · current + offset, each one draw for the bench. Without, the supply's
    own reading with its one error. Raises CannotDerive if the bench has neither.
    """
    reading = wide.of("supply_current_a")
    causes = {"scatter of the repeats": _repeats(wide, "supply_current_a")}
    if instruments.current_meter is not None:
        accuracy = instruments.current_meter.accuracy
        causes["current meter gain"] = Cause.of(standard(accuracy.gain, "rectangular") * reading, rows=wide.rows)
        causes["current meter offset"] = Cause.of(standard(accuracy.offset_a, "rectangular"), rows=wide.rows)
    elif instruments.supply is not None:
        half_width = instruments.supply.accuracy.current_a
        causes["supply current reading"] = Cause.of(standard(half_width, "rectangular"), rows=wide.rows)
    else:
        raise CannotDerive("supply_current", "the bench has neither a current meter nor a supply")
    return Uncertain.of(reading, causes | _temperature(wide, instruments, grid, soak))


def voltage(wide: WideReadings, instruments: Instruments) -> Uncertain:
    """Supply voltage in V as the supply reads it, shape (conditions,). Raises CannotDerive without a supply."""
    if instruments.supply is None:
        raise CannotDerive("supply_power", "the bench has no supply")
    half_width = instruments.supply.accuracy.voltage_reading_v
    causes = {
        "supply voltage reading": Cause.of(standard(half_width, "rectangular"), rows=wide.rows),
        "scatter of the repeats": _repeats(wide, "supply_voltage_v"),
    }
    return Uncertain.of(wide.of("supply_voltage_v"), causes)


def power(supply_voltage: Uncertain, supply_current: Uncertain) -> Uncertain:
    """Power from the supply in W."""
    return product(supply_voltage, supply_current)


def change(supply_current: Uncertain, grid: Grid, reference_temperature_c: float) -> tuple[Rows, Uncertain]:
    """Current less that at the reference temperature, A, and its rows; 0 by definition at the reference itself."""
    rows, references = _to_reference(grid, reference_temperature_c)
    return rows, difference(supply_current, rows, supply_current, references)


def drift(supply_current: Uncertain, grid: Grid, reference_temperature_c: float) -> tuple[Rows, Uncertain]:
    """Current relative to that at the reference temperature, less 1, in %, and its rows; gain error cancels."""
    rows, references = _to_reference(grid, reference_temperature_c)
    known = supply_current.value[references] != 0
    rows, references = rows[known], references[known]
    relative = ratio(supply_current.take(rows), supply_current.take(references), factor=100.0)
    return rows, relative.shifted(-100.0)


def box(supply_current: Uncertain, grid: Grid, reference_temperature_c: float) -> tuple[Rows, Uncertain]:
    """Temperature coefficient by the box method in ppm/K, and its rows: those at the reference temperature.

    10⁶ · (highest − lowest) / (current at the reference · (highest − lowest temperature)), over all temperatures of a
    group, not only its ends. A group with one temperature, without the reference, or with a reference of 0 A has none.
    """
    temperature = grid.axis("temperature_c")
    group, groups = grid.groups("temperature_c")
    there = np.flatnonzero(~np.isnan(supply_current.value))
    highest, lowest = _ends(supply_current.value, group, groups, there)
    hottest, coldest = _ends(temperature, group, groups, there)
    is_reference = np.abs(temperature[there] - reference_temperature_c) <= SAME_WITHIN
    rows = there[is_reference & (supply_current.value[there] != 0)]
    # np.where in _ends leaves −1 for a group of which nothing was measured; its rows are not in `there`.
    span = temperature[hottest[group[rows]]] - temperature[coldest[group[rows]]]
    rows, span = rows[span > 0], span[span > 0]
    swing = difference(supply_current, highest[group[rows]], supply_current, lowest[group[rows]])
    return rows, ratio(swing, supply_current.take(rows), factor=1e6).scaled(1.0 / span)


def _temperature(wide: WideReadings, instruments: Instruments, grid: Grid, soak: Soak) -> dict[str, Cause]:
    """What the unit's temperature adds to the current, in A.

    The thermometer's error is one draw for the bench, so it all but cancels in a change with temperature. How far the
    board was off differs from soak to soak: the deviation that it showed, or, without a board thermometer, the soak
    rule's tolerance for the air and the chamber's own error, as half-width of a rectangular distribution. A group with
    one temperature has no slope and takes nothing from here.
    """
    slope = _slope_a_per_k(wide.of("supply_current_a"), grid)
    unshared = np.arange(wide.rows)
    causes: dict[str, Cause] = {}
    if instruments.board_thermometer is not None and "board_temperature_c" in wide.mean:
        error_k = standard(instruments.board_thermometer.accuracy.temperature_k, "rectangular")
        causes["board thermometer"] = Cause.of(slope * error_k, rows=wide.rows)
        off_k = np.abs(wide.of("board_temperature_c") - grid.axis("temperature_c"))
    elif instruments.chamber is not None:
        off_k = np.full(wide.rows, soak.air_within_k + instruments.chamber.accuracy.temperature_k)
    else:
        return causes
    causes["unit off its temperature"] = Cause.of(slope * off_k / DIVISORS["rectangular"], unshared, rows=wide.rows)
    return causes


def _slope_a_per_k(reading: FloatArray, grid: Grid) -> FloatArray:
    """Change of current per kelvin between the hottest and the coldest condition of each group; 0 with one."""
    temperature = grid.axis("temperature_c")
    group, groups = grid.groups("temperature_c")
    there = np.flatnonzero(~np.isnan(reading))
    hottest, coldest = _ends(temperature, group, groups, there)
    span = temperature[hottest] - temperature[coldest]
    change_a = reading[hottest] - reading[coldest]
    slope: FloatArray = np.where(span > 0, change_a / np.where(span > 0, span, 1.0), 0.0)
    return slope[group]


def _repeats(wide: WideReadings, quantity: str) -> Cause:
    """Standard deviation of the mean over the repeats; 0 with one. Counted as known: pooled over a run, it is."""
    spread = wide.spread.get(quantity, np.zeros(wide.rows))
    # Voltage and current of one condition scatter apart: even numbers for one, odd for the other.
    number = 2 * np.arange(wide.rows) + (quantity == "supply_voltage_v")
    return Cause.of(spread, number, rows=wide.rows, kind="A", distribution="normal")


def _to_reference(grid: Grid, reference_temperature_c: float) -> tuple[Rows, Rows]:
    values = grid.values["temperature_c"]
    at_reference = [value for value in values if abs(float(value) - reference_temperature_c) <= SAME_WITHIN]
    return grid.pairs("temperature_c", dict.fromkeys(values, at_reference[0]) if at_reference else {})


def _ends(value: FloatArray, group: NDArray[np.int64], groups: int, there: Rows) -> tuple[Rows, Rows]:
    """Row of the highest and of the lowest value of each group; −1 for a group without any."""
    order = there[np.lexsort((value[there], group[there]))]
    last = np.full(groups, -1, dtype=np.intp)
    first = last.copy()
    last[group[order]] = order
    first[group[order[::-1]]] = order[::-1]
    return last, first
