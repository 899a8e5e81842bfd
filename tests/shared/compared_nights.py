"""Short nights at simulated benches with names of their own, for tests that hold runs against each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

from coverage_of_benches.nights import drawn, run_night
from reports.frames import RunFrames
from reports.levels import path_name
from sequences.path_entries import LossTable
from sequences.path_losses import PathLosses

#: Two channels, two codes, two loads: paths and common errors can be told apart.
EDITS = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "nominal"\nload_ohm = [100, 200]',
    "hold_min = 3": "hold_min = 3\npoll_s = 30",
}

PATH = "output path, channel A, 200 Ω"


@cache
def night(seed: int, unit: str = "VG2-0001", bench: str = "Nimbus") -> RunFrames:
    """A unit at the bench that ``seed`` draws, under a name."""
    frames = run_night(drawn(EDITS, "quick.sequence.toml", seed), unit, lambda rig, condition: {}).frames
    return named(frames, bench)


def named(frames: RunFrames, bench: str) -> RunFrames:
    """The same run at a bench of another name."""
    head = frames.bench.bench.model_copy(update={"name": bench})
    return replace(frames, bench=frames.bench.model_copy(update={"bench": head}))


def with_wrong_path(frames: RunFrames, by_db: float, name: str = PATH) -> RunFrames:
    """The same readings with one path's loss declared ``by_db`` too high."""
    entries = []
    for entry in frames.path_losses.entries:
        table = entry.loss_db
        if path_name(entry) == name:
            assert isinstance(table, LossTable)
            higher = table.model_copy(update={"loss_db": tuple(loss + by_db for loss in table.loss_db)})
            entries.append(entry.model_copy(update={"loss_db": higher}))
        else:
            entries.append(entry)
    return replace(frames, path_losses=PathLosses(entries))


def with_serials(frames: RunFrames, serials: Mapping[str, str]) -> RunFrames:
    """The same run with other instruments at some places."""
    instruments = frames.instruments.copy()
    for place, serial in serials.items():
        instruments.loc[instruments["place"] == place, "serial"] = serial
    return replace(frames, instruments=instruments)


def as_run(frames: RunFrames, run: str) -> RunFrames:
    """The same run under another id."""
    return replace(frames, facts=replace(frames.facts, run=run))
