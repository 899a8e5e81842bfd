"""What was corrected on the way from readings to levels, with which numbers, so that a reader can judge it.

Rule: nothing is corrected here; these are the numbers that ``levels`` uses, gathered for people.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from reports.analyzer_limits import (
    LEAST_ABOVE_NOISE_DB,
    LEAST_ABOVE_OWN_PRODUCT_DB,
    noise_correction_db,
    noise_level_dbm,
    own_product_dbm,
)
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
    """

    path: Literal["input", "output"]
    channel: str | None
    load_ohm: float | None
    losses_db: tuple[tuple[float, float], ...]
    expanded_db: float


@dataclass(frozen=True, slots=True)
class LineUse:
    """What the readings of one line needed.

    Attributes:
        line: Name of the line.
        conditions: How many conditions have it.
        noise_db: Largest part that noise had in a reading, dB; it was subtracted in power.
        in_noise: How many readings were too near the noise for that.
        own_distance_db: Least distance to what the analyzer itself makes of the tones, dB; None for a tone, for which
            that does not count.
        near_own: How many readings were too near to that.
    """

    line: str
    conditions: int
    noise_db: float
    in_noise: int
    own_distance_db: float | None
    near_own: int


@dataclass(frozen=True, slots=True)
class Corrections:
    """All corrections of a run; ``board_off_k``: how far the board was off the stated temperature at most, if read."""

    paths: tuple[PathUse, ...]
    lines: tuple[LineUse, ...]
    board_off_k: float | None


def corrections(frames: RunFrames, wide: WideReadings) -> Corrections:
    """What ``levels`` corrects in this run.

    Raises:
        NotServed, NotCovered: From the path losses, as for the levels.
    """
    analyzer = frames.bench.instrument.analyzer
    measured = [line for line in (*LINES, SINGLE) if f"{line}_level_dbm" in wide.mean]
    off = np.abs(wide.of("board_temperature_c") - frames.conditions["temperature_c"].to_numpy(dtype=np.float64))
    return Corrections(
        paths=_paths(frames, measured) if measured else (),
        lines=tuple(_line(wide, line, analyzer) for line in measured) if analyzer is not None else (),
        board_off_k=float(np.nanmax(off)) if np.isfinite(off).any() else None,
    )


def _line(wide: WideReadings, line: str, analyzer: AnalyzerEntry) -> LineUse:
    reading, attenuation = wide.of(f"{line}_level_dbm"), wide.of(f"{line}_attenuation_db")
    noise = noise_level_dbm(analyzer.noise_dbm_per_hz, attenuation, wide.of(f"{line}_bandwidth_hz"))
    there = np.isfinite(reading) & np.isfinite(noise)
    above = (reading - noise)[there]
    in_noise = above < LEAST_ABOVE_NOISE_DB
    parts = -noise_correction_db(above[~in_noise])
    own_distance, near = None, 0
    if line not in (*TONES, SINGLE):
        order = sum(abs(factor) for factor in LINES[line])
        intercept = analyzer.intercept2_dbm if order == 2 else analyzer.intercept3_dbm
        tones = (wide.of("tone_lower_level_dbm"), wide.of("tone_upper_level_dbm"))
        distance = (reading - own_product_dbm(line, *tones, attenuation, intercept))[there][~in_noise]
        distance = distance[np.isfinite(distance)]
        own_distance = float(distance.min()) if len(distance) else None
        near = int((distance < LEAST_ABOVE_OWN_PRODUCT_DB).sum())
    largest = float(parts.max()) if len(parts) else 0.0
    return LineUse(line, int(there.sum()), largest, int(in_noise.sum()), own_distance, near)


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
                found[path, number] = PathUse(path, entry.channel, entry.load_ohm, losses, entry.uncertainty_db)
    return tuple(found.values())
