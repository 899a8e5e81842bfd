"""Supply current, its change with temperature, and the power taken.

Rule: a change with temperature compares only conditions that are equal on every other axis.

Uncertainty: from the meters alone. The temperatures are the conditions' own; how far the unit was from them is a matter
of the soak rule and is not part of these figures.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.errors import CannotDerive
from reports.partners import Grid, Rows
from reports.uncertainty import Cause, Uncertain, difference, product, ratio, standard
from sequences.values import SAME_WITHIN

if TYPE_CHECKING:
    from reports.wide_readings import WideReadings
    from sequences.bench_file import Instruments

FloatArray = NDArray[np.float64]


def current(wide: WideReadings, instruments: Instruments) -> Uncertain:
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
    return Uncertain.of(reading, causes)


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
    temperature = np.array(grid.values["temperature_c"], dtype=np.float64)[grid.codes["temperature_c"]]
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
