"""Supply current, its change with temperature, and the power taken.

Rule: a change with temperature compares only conditions that are equal on every other axis.

Uncertainty: from the meters, and from the unit's temperature. A figure is stated at the condition's temperature
(``reports/temperature.py``), and at the voltage that the supply put out, which ``supply_voltage_v`` tells.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.decibels import watts_of_dbm
from reports.errors import CannotDerive, ShapeFault
from reports.grouped import Groups, combined, slope_weights
from reports.partners import Grid, Rows
from reports.repeats import scatter_of_repeats
from reports.temperature import at_temperature, ends
from reports.uncertainty import Cause, Uncertain, difference, linear, product, ratio, standard
from sequences.values import SAME_WITHIN

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    causes = _repeats(wide, "supply_current_a", "A")
    has_repeats = bool(causes)
    if instruments.current_meter is not None:
        accuracy = instruments.current_meter.accuracy
        gain, offset_a = standard(accuracy.gain, "rectangular"), standard(accuracy.offset_a, "rectangular")
        causes["current meter gain"] = Cause.of(
            gain * reading, rows=wide.rows, standard=gain, unit="A/A", name_of=lambda _: "current meter: gain"
        )
        causes["current meter offset"] = Cause.of(
            offset_a, rows=wide.rows, standard=offset_a, unit="A", name_of=lambda _: "current meter: offset"
        )
        noise_a = instruments.current_meter.noise_a
        if noise_a > 0 and not has_repeats:
            # Repeats show it; without them it is what the bench file says, one draw for each reading.
            causes["current meter noise"] = Cause.of(
                noise_a, np.arange(wide.rows), rows=wide.rows, distribution="normal", standard=noise_a, unit="A",
                name_of=lambda _: "current meter: noise",
            )  # fmt: skip
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
    }
    return Uncertain.of(wide.of("supply_voltage_v"), causes | _repeats(wide, "supply_voltage_v", "V"))


def power(supply_voltage: Uncertain, supply_current: Uncertain) -> Uncertain:
    """Power from the supply in W."""
    return product(supply_voltage, supply_current)


def mode_saving(supply_power: Uncertain, grid: Grid, modes: tuple[str, ...]) -> tuple[Rows, Uncertain]:
    """Part of the first mode's power that each other mode saves, %, all else equal, and the other mode's rows.

    100 · (1 − power / power in the first mode); negative for a mode that takes more. The meter's gain error cancels.
    """
    rows, firsts = grid.pairs("supply_mode", dict.fromkeys(modes[1:], modes[0]))
    known = supply_power.value[firsts] != 0
    rows, firsts = rows[known], firsts[known]
    return rows, ratio(supply_power.take(rows), supply_power.take(firsts), factor=-100.0).shifted(100.0)


def dissipation(supply_power: Uncertain, inputs: Sequence[Uncertain], outputs: Sequence[Uncertain]) -> Uncertain:
    """Power that the unit turns into heat, W: from the supply and from the sources, less what the load gets.

    Args:
        supply_power: W, shape (conditions,).
        inputs: Level of each tone in the input resistance, dBm.
        outputs: Level of each tone in the load, dBm.

    Both channels of a package share the supply; the other one, without a signal, adds heat and nothing else. Products
    and harmonics, a thousandth of the tones and less, are left out.
    """
    terms: list[tuple[float, Uncertain]] = [(1.0, supply_power)]
    terms += [(sign, _watts(level)) for sign, levels in ((1.0, inputs), (-1.0, outputs)) for level in levels]
    return linear(terms)


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


def slope(supply_current: Uncertain, grid: Grid, reference_temperature_c: float) -> tuple[Rows, Uncertain]:
    """Least-squares slope of the current over temperature, relative to that at the reference, in ppm/K.

    10⁶ · Σ(T − mean T)·I / Σ(T − mean T)² / I at the reference temperature, over all temperatures of a group; stated at
    the reference. A group with one temperature, without the reference, or with a reference of 0 A has none.
    """
    temperature = grid.axis("temperature_c")
    groups = Groups.along(grid, "temperature_c", temperature, ~np.isnan(supply_current.value))
    references = groups.lowest(np.abs(temperature - reference_temperature_c))
    at_reference = np.abs(temperature[references] - reference_temperature_c) <= SAME_WITHIN
    kept = np.flatnonzero(at_reference & (supply_current.value[references] != 0))
    groups, references = groups.take(kept), references[kept]
    fitted = combined(supply_current, groups, slope_weights(temperature[groups.rows], groups.filled))
    return references, ratio(fitted, supply_current.take(references), factor=1e6)


def box_span(coefficient_ppm_per_k: float, reference: float, span_k: float) -> float:
    """Highest less lowest value that a box coefficient stands for: coefficient · reference · span / 10⁶.

    The inverse of ``box``: over the whole temperature range, whatever the way between its ends. In the reference's
    unit. Raises ShapeFault for a negative span.
    """
    if span_k < 0:
        raise ShapeFault(f"a temperature span of {span_k:g} K")
    return coefficient_ppm_per_k * reference * span_k / 1e6


def _watts(level: Uncertain) -> Uncertain:
    power_w = watts_of_dbm(level.value)
    return linear([(power_w * np.log(10.0) / 10.0, level)], value=power_w)


def _repeats(wide: WideReadings, quantity: str, unit: str) -> dict[str, Cause]:
    name = f"scatter of the repeats of {quantity}"
    found = scatter_of_repeats(wide, quantity, np.arange(wide.rows), unit, lambda _: name)
    return {} if found is None else {name: found}


def _to_reference(grid: Grid, reference_temperature_c: float) -> tuple[Rows, Rows]:
    values = grid.values["temperature_c"]
    at_reference = [value for value in values if abs(float(value) - reference_temperature_c) <= SAME_WITHIN]
    return grid.pairs("temperature_c", dict.fromkeys(values, at_reference[0]) if at_reference else {})
