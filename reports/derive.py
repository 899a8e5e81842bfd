"""From a run's frames to every characteristic that it holds.

Rule: what a run did not measure is left out; nothing is filled in.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports import distortion, fewer_tones, gain, load_dependence, matching, small_signal, supply, third_order
from reports.characteristics import CHARACTERISTICS
from reports.decibels import db_of_power_ratio
from reports.frames import AXES, RunFrames
from reports.levels import input_level, level_in_load
from reports.partners import Grid, Rows
from reports.temperature import at_temperature
from reports.uncertainty import Settled, Uncertain
from reports.wide_readings import WideReadings, wide_readings
from sequences.products import HARMONICS, TONES, TWO_TONE_PRODUCTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from sequences.part_file import GainCodes


@dataclass(frozen=True, slots=True, eq=False)
class Characteristic:
    """One characteristic at the conditions that have it.

    Attributes:
        rows: Position of each condition in ``RunFrames.conditions``, shape (n,).
        result: Values with uncertainty and bounds, n rows, in the unit of ``CHARACTERISTICS``; all finite.
    """

    rows: Rows
    result: Uncertain


Derived = dict[str, Characteristic]
Found = Iterator[tuple[str, Characteristic]]

FloatArray = NDArray[np.float64]

Number = TypeVar("Number", bound=np.generic)


def derive(frames: RunFrames) -> Derived:
    """Every characteristic of ``CHARACTERISTICS`` that the readings hold, in that order; see ``derive_each``."""
    found = dict(derive_each(frames))
    return {word: found[word] for word in CHARACTERISTICS if word in found}


def derive_each(frames: RunFrames, wide: WideReadings | None = None) -> Found:
    """One characteristic after the other, as they come; ``wide`` are the run's readings, if they were spread already.

    Causes take many times the memory of the values: whoever settles one before asking for the next (``summary``) never
    holds them all.

    Raises:
        CannotDerive: Readings are there whose instrument the bench file lacks.
        ShapeFault: The frames contradict themselves.
        NotServed, NotCovered: From the path losses: none for a path, or none at a frequency.
    """
    wide = wide or wide_readings(frames.conditions.index, frames.readings)
    grid = Grid.of(frames.conditions)
    tones = _tones(frames, wide, grid)
    groups: list[Iterable[tuple[str, Characteristic]]] = []
    if tones is not None:
        groups.append(_from_lines(frames, wide, grid, tones))
    if "supply_current_a" in wide.mean:
        groups.append(_from_supply(frames, wide, grid, tones))
    groups.append((word, _known_at(rows, one)) for word, rows, one in fewer_tones.figures(frames, wide, grid))
    groups.append((word, _known_at(rows, one)) for word, rows, one in small_signal.figures(frames, wide, grid))
    for word, one in itertools.chain.from_iterable(groups):
        if len(one.rows):
            yield word, one


def _has(wide: WideReadings, quantities: Iterable[str]) -> bool:
    return all(quantity in wide.mean for quantity in quantities)


@dataclass(frozen=True, slots=True, eq=False)
class _Tones:
    """Levels of the lower and the upper tone in dBm: in the load, and, if the sources' settings were read, put in."""

    outputs: tuple[Uncertain, Uncertain]
    inputs: tuple[Uncertain, Uncertain] | None


def _tones(frames: RunFrames, wide: WideReadings, grid: Grid) -> _Tones | None:
    """None for a run that has not measured both tones."""
    if not _has(wide, (f"{tone}_level_dbm" for tone in TONES)):
        return None
    lower, upper = TONES
    outputs = (_level(frames, wide, grid, lower), _level(frames, wide, grid, upper))
    if not _has(wide, ("source_1_level_dbm", "source_2_level_dbm")):
        return _Tones(outputs, None)
    return _Tones(outputs, (input_level(frames, wide, lower), input_level(frames, wide, upper)))


def _level(frames: RunFrames, wide: WideReadings, grid: Grid, line: str) -> Uncertain:
    in_load = level_in_load(frames, wide, line)
    return at_temperature(in_load, wide, frames.bench.instrument, grid, frames.sequence.soak)


def _from_lines(frames: RunFrames, wide: WideReadings, grid: Grid, tones: _Tones) -> Found:
    lower, upper = tones.outputs
    # Each level when it is needed: a long run has no memory for all of them at once.
    there = {line for line in (*TWO_TONE_PRODUCTS, *HARMONICS) if f"{line}_level_dbm" in wide.mean}
    if {"im3_lower", "im3_upper"} <= there:
        products = {line: _level(frames, wide, grid, line) for line in ("im3_lower", "im3_upper")}
        yield from _from_third_order(frames, grid, tones.outputs, products)
        del products
    if "im2_sum" in there:
        yield "oip2", _known(distortion.oip2(lower, upper, _level(frames, wide, grid, "im2_sum")))
    for line in HARMONICS:
        if line in there:
            yield line, _known(distortion.harmonic(lower, _level(frames, wide, grid, line)))
    if tones.inputs is not None:
        yield from _from_gain(frames, grid, tones.outputs, tones.inputs)


def _from_third_order(
    frames: RunFrames, grid: Grid, tones: tuple[Uncertain, Uncertain], products: Mapping[str, Uncertain]
) -> Found:
    lower, upper = tones
    both = (
        distortion.oip3_lower(lower, upper, products["im3_lower"]),
        distortion.oip3_upper(lower, upper, products["im3_upper"]),
    )
    oip3 = distortion.oip3(*both)
    yield "oip3", _known(oip3)
    yield "oip3_lower", _known(both[0])
    yield "oip3_upper", _known(both[1])
    del both
    reference_ohm = frames.part.part.reference_load_ohm
    yield "oip3_load_change", _known_at(*load_dependence.against_reference(oip3, grid, reference_ohm))
    del oip3
    yield "im3", _known(distortion.im3(lower, upper, products["im3_lower"], products["im3_upper"]))
    lines = third_order.ThirdOrder.of(tones, products)
    yield "im3_slope", _known_at(*third_order.local_slopes(lines, grid))
    yield "im3_departure_level", _known_at(*third_order.departures(lines, grid))
    yield "im3_knee_level", _known_at(*third_order.knees(lines, grid))


def _from_gain(
    frames: RunFrames, grid: Grid, outputs: tuple[Uncertain, Uncertain], inputs: tuple[Uncertain, Uncertain]
) -> Found:
    load_ohm = frames.conditions["load_ohm"].to_numpy(dtype=np.float64)
    voltage_gain = gain.voltage_gain(outputs, inputs, load_ohm, frames.part.part.input_resistance_ohm)
    codes = frames.part.gain_codes
    reference_c = frames.sequence.sequence.reference_temperature_c
    yield "gain", _known(voltage_gain)
    yield "gain_tempco", _known_at(*gain.tempco(voltage_gain, grid, reference_c))
    yield "gain_flatness", _known_at(*gain.flatness(voltage_gain, grid))
    by_code: dict[str, Callable[[Uncertain, Grid, GainCodes], tuple[Rows, Uncertain]]] = {
        "gain_step": gain.steps,
        "gain_step_error": gain.step_errors,
        "cumulative_gain_error": gain.cumulative_errors,
        "gain_monotonicity": gain.smallest_steps,
        "gain_range": gain.ranges,
        "gain_end_point_error": gain.end_point_errors,
        "gain_best_fit_error": gain.best_fit_errors,
    }
    for word, function in by_code.items():
        yield word, _known_at(*function(voltage_gain, grid, codes))
    yield "gain_match", _known_at(*matching.gain_match(voltage_gain, grid, frames.part.single_channels))
    yield from _from_loads(frames, grid, voltage_gain, load_ohm)


def _from_loads(frames: RunFrames, grid: Grid, voltage_gain: Uncertain, load_ohm: FloatArray) -> Found:
    reference_ohm = frames.part.part.reference_load_ohm
    # Level in the load at a constant level at the input: the voltage gain as a ratio of powers, but for a constant.
    delivered = voltage_gain.shifted(-db_of_power_ratio(load_ohm))
    rows, resistance = load_dependence.output_resistance(voltage_gain, grid, reference_ohm)
    yield "level_load_change", _known_at(*load_dependence.against_reference(delivered, grid, reference_ohm))
    yield "output_resistance", _known_at(rows, resistance)
    # Resistors can only add to the output resistance.
    low = np.flatnonzero(resistance.value < reference_ohm)
    rows, resistance = rows[low], resistance.take(low)
    yield "series_resistor", _known_at(rows, load_dependence.series_resistors(resistance, reference_ohm))
    loss = load_dependence.series_loss(resistance, reference_ohm, reference_ohm)
    yield "series_resistor_loss", _known_at(rows, loss)


def _from_supply(frames: RunFrames, wide: WideReadings, grid: Grid, tones: _Tones | None) -> Found:
    reference_c = frames.sequence.sequence.reference_temperature_c
    current = supply.current(wide, frames.bench.instrument, grid, frames.sequence.soak)
    against_reference: dict[str, Callable[[Uncertain, Grid, float], tuple[Rows, Uncertain]]] = {
        "supply_current_change": supply.change,
        "supply_current_drift": supply.drift,
        "supply_current_box": supply.box,
        "supply_current_slope": supply.slope,
    }
    yield "supply_current", _known(current)
    for word, function in against_reference.items():
        yield word, _known_at(*function(current, grid, reference_c))
    if "supply_voltage_v" in wide.mean:
        power = supply.power(supply.voltage(wide, frames.bench.instrument), current)
        yield "supply_power", _known(power)
        yield "mode_power_saving", _known_at(*supply.mode_saving(power, grid, tuple(frames.part.modes)))
        if tones is not None and tones.inputs is not None:
            yield "dissipated_power", _known(supply.dissipation(power, tones.inputs, tones.outputs))


def _known(result: Uncertain) -> Characteristic:
    return _known_at(np.arange(len(result)), result)


def _known_at(rows: Rows, result: Uncertain) -> Characteristic:
    """Without the rows that miss a reading: theirs is NaN, in the value or in the uncertainty."""
    known = np.flatnonzero(np.isfinite(result.value) & np.isfinite(result.standard))
    if len(known) == len(rows):
        return Characteristic(rows, result)
    return Characteristic(rows[known], result.take(known))


def table(derived: Derived, conditions: pd.DataFrame) -> pd.DataFrame:
    """As ``settled_table``, of characteristics with their causes."""
    return settled_table({word: (one.rows, one.result.settled()) for word, one in derived.items()}, conditions)


def settled_table(derived: Mapping[str, tuple[Rows, Settled]], conditions: pd.DataFrame) -> pd.DataFrame:
    """Long table for people and files, in the order of ``derived`` and of the conditions.

    Columns: ``characteristic``, ``condition`` (its number), the axes, ``value``, ``standard_uncertainty``,
    ``expanded_uncertainty`` (about 95.45 %), ``dof`` (effective, untruncated), ``bound`` (0 measured, +1 the true value
    is at least, −1 at most, ``value``), ``unit`` and the condition's ``flag``.
    """
    rows = _joined([where for where, _ in derived.values()], np.dtype(np.intp))
    words = list(derived)
    lengths = [len(where) for where, _ in derived.values()]
    word_codes = np.repeat(np.arange(len(words)), lengths)
    units = sorted({CHARACTERISTICS[word].unit for word in words})
    unit_codes = np.repeat([units.index(CHARACTERISTICS[word].unit) for word in words], lengths).astype(np.int64)
    columns: dict[str, object] = {
        "characteristic": pd.Categorical.from_codes(word_codes, categories=pd.Index(words, dtype=object)),
        "condition": conditions.index.to_numpy()[rows],
    }
    for axis, dtype in AXES.items():
        column = conditions[axis].astype("category") if dtype == "str" else conditions[axis]
        columns[axis] = column.iloc[rows].array if dtype == "str" else column.to_numpy()[rows]
    results = [result for _, result in derived.values()]
    columns |= {
        "value": _joined([result.value for result in results], np.dtype(np.float64)),
        "standard_uncertainty": _joined([result.standard for result in results], np.dtype(np.float64)),
        "expanded_uncertainty": _joined([result.expanded for result in results], np.dtype(np.float64)),
        "dof": _joined([result.dof for result in results], np.dtype(np.float64)),
        "bound": _joined([result.bound for result in results], np.dtype(np.int8)),
        "unit": pd.Categorical.from_codes(unit_codes, categories=pd.Index(units, dtype=object)),
        "flag": conditions["flag"].astype("category").iloc[rows].array,
    }
    # All columns were made here, so nobody else can change them; copying them would double the peak of a long run.
    return pd.DataFrame(columns, copy=False)


def _joined(parts: list[NDArray[Number]], dtype: np.dtype[Number]) -> NDArray[Number]:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=dtype)
