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
from reports.repeats import scatter_of_repeats
from reports.temperature import at_temperature, ends
from reports.uncertainty import Cause, Uncertain, difference, product, ratio, standard
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
    causes = {"scatter of the repeats": _repeats(wide, "supply_current_a", "A")}
    if instruments.current_meter is not None:
        accuracy = instruments.current_meter.accuracy
        gain, offset_a = standard(accuracy.gain, "rectangular"), standard(accuracy.offset_a, "rectangular")
        causes["current meter gain"] = Cause.of(
            gain * reading, rows=wide.rows, standard=gain, unit="A/A", name_of=lambda _: "current meter: gain"
        )
        causes["current meter offset"] = Cause.of(
            offset_a, rows=wide.rows, standard=offset_a, unit="A", name_of=lambda _: "current meter: offset"
        )
    elif instruments.supply is not None:
        error_a = standard(instruments.supply.accuracy.current_a, "rectangular")
        causes["supply current reading"] = Cause.of(
            error_a, rows=wide.rows, standard=error_a, unit="A", name_of=lambda _: "supply: current reading"
        )
    else:
        raise CannotDerive("supply_current", "the bench has neither a current meter nor a supply")
    return at_temperature(Uncertain.of(reading, causes), wide, instruments, grid, soak)


def voltage(wide: WideReadings, instruments: Instruments) -> Uncertain:
    """Supply voltage in V as the supply reads it, shape (conditions,). Raises CannotDerive without a supply."""
    if instruments.supply is None:
        raise CannotDerive("supply_power", "the bench has no supply")
    error_v = standard(instruments.supply.accuracy.voltage_reading_v, "rectangular")
    causes = {
        "supply voltage reading": Cause.of(
            error_v, rows=wide.rows, standard=error_v, unit="V", name_of=lambda _: "supply: voltage reading"
        ),
        "scatter of repeated voltages": _repeats(wide, "supply_voltage_v", "V"),
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
    highest, lowest = ends(supply_current.value, group, groups, there)
    hottest, coldest = ends(temperature, group, groups, there)
    is_reference = np.abs(temperature[there] - reference_temperature_c) <= SAME_WITHIN
    rows = there[is_reference & (supply_current.value[there] != 0)]
    # ``ends`` leaves −1 for a group of which nothing was measured; its rows are not in `there`.
    span = temperature[hottest[group[rows]]] - temperature[coldest[group[rows]]]
    rows, span = rows[span > 0], span[span > 0]
    swing = difference(supply_current, highest[group[rows]], supply_current, lowest[group[rows]])
    return rows, ratio(swing, supply_current.take(rows), factor=1e6).scaled(1.0 / span)


def _repeats(wide: WideReadings, quantity: str, unit: str) -> Cause:
    return scatter_of_repeats(
        wide, quantity, np.arange(wide.rows), unit, lambda _: f"scatter of the repeats of {quantity}"
    )


def _to_reference(grid: Grid, reference_temperature_c: float) -> tuple[Rows, Rows]:
    values = grid.values["temperature_c"]
    at_reference = [value for value in values if abs(float(value) - reference_temperature_c) <= SAME_WITHIN]
    return grid.pairs("temperature_c", dict.fromkeys(values, at_reference[0]) if at_reference else {})
