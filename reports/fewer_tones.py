"""What follows from readings with one tone, or with none: compression and noise figure, from frames to figures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from reports import noise
from reports.compression import compression_points
from reports.decibels import db_of_power_ratio
from reports.levels import input_level, level_in_load
from reports.temperature import at_temperature
from reports.uncertainty import Uncertain, linear
from sequences.products import NOISE, SINGLE, TONES

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.partners import Grid, Rows
    from reports.wide_readings import WideReadings

#: Reading of the source's setting, by tone.
_SETTINGS = {TONES[0]: "source_1_level_dbm", TONES[1]: "source_2_level_dbm", SINGLE: "source_1_level_dbm"}


def figures(frames: RunFrames, wide: WideReadings, grid: Grid) -> Iterator[tuple[str, Rows, Uncertain]]:
    """Word of ``CHARACTERISTICS``, the rows that it may be known at, and its values there; nothing if nothing was read.

    Raises:
        CannotDerive: The bench has no analyzer, or not the source whose setting was read.
        NotServed, NotCovered: From the path losses.
    """
    if _gain_is_known(wide, SINGLE):
        output, power_gain = _single(frames, wide, grid)
        load_ohm = frames.conditions["load_ohm"].to_numpy(dtype=np.float64)
        ratio_db = db_of_power_ratio(load_ohm / frames.part.part.input_resistance_ohm)
        yield "single_gain", np.arange(wide.rows), power_gain.shifted(ratio_db)
        yield "op1db", *compression_points(output, power_gain, grid)
    if f"{NOISE}_level_dbm" in wide.mean:
        for word, figure in _noise(frames, wide):
            instruments, soak = frames.bench.instrument, frames.sequence.soak
            yield word, np.arange(wide.rows), at_temperature(figure, wide, instruments, grid, soak)


def _single(frames: RunFrames, wide: WideReadings, grid: Grid) -> tuple[Uncertain, Uncertain]:
    """Level of a single tone in the load, dBm, and that less its level at the input, dB."""
    in_load = level_in_load(frames, wide, SINGLE)
    output = at_temperature(in_load, wide, frames.bench.instrument, grid, frames.sequence.soak)
    return output, output - input_level(frames, wide, SINGLE)


def _noise(frames: RunFrames, wide: WideReadings) -> Iterator[tuple[str, Uncertain]]:
    read = noise.NoiseReadings.of(frames, wide)
    y_factor = noise.by_y_factor(read)
    yield "noise_figure_y", y_factor
    power_gain = _power_gain(frames, wide)
    if power_gain is None:
        yield "noise_figure", y_factor
        return
    by_gain = noise.by_gain(read, power_gain)
    yield "noise_figure_gain", by_gain
    yield "noise_figure", noise.better_of(y_factor, by_gain)


def _power_gain(frames: RunFrames, wide: WideReadings) -> Uncertain | None:
    """Gain in dB between the powers in load and input resistance, mean of the tones that were read; None without any.

    Without what the unit's temperature does to it: a noise figure has that of its own.
    """
    for tones in (TONES, (SINGLE,)):
        if all(_gain_is_known(wide, tone) for tone in tones):
            gains = [level_in_load(frames, wide, tone) - input_level(frames, wide, tone) for tone in tones]
            return linear([(1.0 / len(gains), gain) for gain in gains])
    return None


def _gain_is_known(wide: WideReadings, tone: str) -> bool:
    return f"{tone}_level_dbm" in wide.mean and _SETTINGS[tone] in wide.mean
