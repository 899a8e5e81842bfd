"""What was corrected on the way from readings to levels, with which numbers, so that a reader can judge it.

Rule: nothing is corrected here; these are the numbers that ``levels`` uses, gathered for people.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from reports.analyzer_limits import (
    LEAST_ABOVE_NOISE_DB,
    LEAST_ABOVE_OWN_PRODUCT_DB,
    SCATTERS,
    noise_correction_db,
    noise_level_dbm,
)
from reports.bench_products import bench_products
from reports.decibels import db_of_voltage_ratio, voltage_ratio
from reports.levels import frequencies_hz
from reports.source_levels import SOURCES, coupling_db
from sequences.products import LINES, SINGLE, TONES, line_frequency_hz

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.wide_readings import WideReadings
    from sequences.bench_file import AnalyzerEntry


@dataclass(frozen=True, slots=True)
class PathUse:
    """One path loss of the bench file as the run used it.

    Attributes:
        path: "input" or "output".
        channel, load_ohm: What it holds for; None for all.
        losses_db: Frequency in Hz and loss in dB at each tone frequency, and at the highest frequency of any line.
        expanded_db: Its uncertainty, k = 2.
        vswr: Of the two ends where it meets the instrument; None if not declared.
    """

    path: Literal["input", "output"]
    channel: str | None
    load_ohm: float | None
    losses_db: tuple[tuple[float, float], ...]
    expanded_db: float
    vswr: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LineUse:
    """What the readings of one line needed.

    Attributes:
        line: Name of the line.
        conditions: How many conditions have it.
        noise_db: Largest part that noise had in a reading, dB; it was subtracted in power.
        in_noise: How many readings were too near the noise for that.
        own_distance_db: Least distance to what the bench itself puts there (analyzer, sources and combiner in the worst
            phase), dB; None for a tone, for which that does not count.
        near_own: How many readings were too near to that.
    """

    line: str
    conditions: int
    noise_db: float
    in_noise: int
    own_distance_db: float | None
    near_own: int


@dataclass(frozen=True, slots=True)
class SourceUse:
    """A source that a power meter has read.

    Attributes:
        place: Which source.
        conditions: How many conditions have its measured level.
        of: How many conditions have its setting.
        off_db: Lowest and highest of measured level, coupling included, less setting.
    """

    place: str
    conditions: int
    of: int
    off_db: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Corrections:
    """All corrections of a run.

    ``board_off_k``: how far the board was off the stated temperature at most, if read. ``sources``: those measured.
    """

    paths: tuple[PathUse, ...]
    lines: tuple[LineUse, ...]
    board_off_k: float | None
    sources: tuple[SourceUse, ...] = ()


def corrections(frames: RunFrames, wide: WideReadings) -> Corrections:
    """What ``levels`` corrects in this run.

    Raises:
        NotServed, NotCovered: From the path losses, as for the levels.
    """
    analyzer = frames.bench.instrument.analyzer
    measured = [line for line in (*LINES, SINGLE) if np.isfinite(wide.of(f"{line}_level_dbm")).any()]
    off = np.abs(wide.of("board_temperature_c") - frames.conditions["temperature_c"].to_numpy(dtype=np.float64))
    return Corrections(
        paths=_paths(frames, measured) if measured else (),
        lines=tuple(_line(frames, wide, line, analyzer) for line in measured) if analyzer is not None else (),
        board_off_k=float(np.nanmax(off)) if np.isfinite(off).any() else None,
        sources=tuple(_sources(frames, wide)),
    )


def _sources(frames: RunFrames, wide: WideReadings) -> Iterator[SourceUse]:
    meter = frames.bench.instrument.power_meter
    if meter is None:
        return
    for tone in TONES:
        place = SOURCES[tone]
        setting = wide.of(f"source_{place[-1]}_level_dbm")
        off = wide.of(f"source_{place[-1]}_measured_dbm") + coupling_db(frames, meter, tone) - setting
        known = off[np.isfinite(off)]
        if len(known):
            there = int(np.isfinite(setting).sum())
            yield SourceUse(place, len(known), there, (float(known.min()), float(known.max())))


def _line(frames: RunFrames, wide: WideReadings, line: str, analyzer: AnalyzerEntry) -> LineUse:
    reading, attenuation = wide.of(f"{line}_level_dbm"), wide.of(f"{line}_attenuation_db")
    noise = noise_level_dbm(analyzer.noise_dbm_per_hz, attenuation, wide.of(f"{line}_bandwidth_hz"))
    there = np.isfinite(reading) & np.isfinite(noise)
    above = reading - noise
    in_noise = there & (above < LEAST_ABOVE_NOISE_DB)
    clear = there & ~in_noise
    corrected = reading[clear] + noise_correction_db(above[clear])
    parts = reading[clear] - corrected
    distance = corrected - _of_bench(frames, wide, line, analyzer, there)[clear]
    known = np.isfinite(distance)
    distance, scatter = distance[known], np.nan_to_num(wide.of(f"{line}_scatter_db"))[clear][known]
    return LineUse(
        line=line,
        conditions=int(there.sum()),
        noise_db=float(parts.max()) if len(parts) else 0.0,
        in_noise=int(in_noise.sum()),
        own_distance_db=float(distance.min()) if len(distance) else None,
        near_own=int((distance - SCATTERS * scatter < LEAST_ABOVE_OWN_PRODUCT_DB).sum()),
    )


def _of_bench(
    frames: RunFrames, wide: WideReadings, line: str, analyzer: AnalyzerEntry, there: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Level at the connector of all that the bench itself puts on a line, in the worst phase, dBm; −inf for a tone."""
    if line in (*TONES, SINGLE):
        return np.full(wide.rows, -np.inf)
    conditions = frames.conditions
    channels, loads = conditions["channel"].to_numpy(dtype=object)[there], conditions["load_ohm"].to_numpy()[there]
    losses = []
    for name in (TONES[0], line):
        loss = np.full(wide.rows, np.nan)
        loss[there] = frames.path_losses.losses_db("output", channels, loads, frequencies_hz(frames, name)[there])
        losses.append(loss)
    products = bench_products(frames, wide, line, (losses[0], losses[1]), analyzer)
    total = np.sum([voltage_ratio(product.highest_dbm) for product in products], axis=0)
    return np.where(total > 0, db_of_voltage_ratio(np.where(total > 0, total, 1.0)), -np.inf)


def _paths(frames: RunFrames, measured: list[str]) -> tuple[PathUse, ...]:
    pairs = frames.conditions[["channel", "load_ohm"]].drop_duplicates()
    places = list(zip(pairs["channel"].astype(str), pairs["load_ohm"].astype(float), strict=True))
    centres = sorted(float(hz) for hz in frames.conditions["frequency_hz"].unique())
    spacing = frames.sequence.tones.spacing_hz
    highest = max(line_frequency_hz(line, centre, spacing) for line in measured for centre in centres)
    found: dict[tuple[str, int], PathUse] = {}
    for path in ("output", "input"):
        at = (*centres, highest) if path == "output" else tuple(centres)
        for channel, load in places:
            number = frames.path_losses.entry_number(path, channel, load)
            if (path, number) not in found:
                entry = frames.path_losses.entries[number]
                losses = tuple((hz, frames.path_losses.loss_db(path, channel, load, hz)) for hz in dict.fromkeys(at))
                found[path, number] = PathUse(
                    path, entry.channel, entry.load_ohm, losses, entry.uncertainty_db, entry.vswr
                )
    # Without a load or channel of its own an entry holds for all of them; those stand first.
    return tuple(sorted(found.values(), key=lambda use: (use.path == "input", use.channel or "", use.load_ohm or 0.0)))
