"""Hazards of the computer itself: its disk and its clock. Deciding is apart from looking (``Machine.here``)."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from bench.clocks import RealClock
from bench.hazard import Hazard
from bench.hazard_numbers import (
    CLOCK_FROM,
    CLOCK_TO,
    COMMON,
    CONDITION_BYTES,
    DISK_RESERVE,
    POINT_BYTES,
    RUN_BYTES,
)
from bench.small_signal import swept_conditions
from sequences.conditions import Condition
from sequences.read_files import Setup


@dataclass(frozen=True, slots=True)
class Machine:
    """What the computer says of itself: time (UTC), and free bytes where the store lies (None: on another machine).

    ``newest`` is the newest entry of the run that goes on, None if it has none.
    """

    now: datetime
    free_bytes: int | None
    newest: datetime | None = None

    @classmethod
    def here(cls, store: Path | None, newest: datetime | None = None) -> Machine:
        """This computer, with the disk of ``store`` or of the nearest folder above it that exists."""
        free = None
        if store is not None:
            there = next(one for one in (store.absolute(), *store.absolute().parents) if one.exists())
            free = shutil.disk_usage(there).free
        return cls(RealClock().now(), free, newest)


def store_bytes(setup: Setup, conditions: tuple[Condition, ...]) -> int:
    """How much the store and the report of a run will need at most, in bytes; an estimate."""
    sequence = setup.sequence.model
    repeats, sweep = sequence.sequence.repeats, sequence.measure.small_signal
    points = 0 if sweep is None else len(sweep.frequency_hz) * len(swept_conditions(conditions))
    return RUN_BYTES + repeats * (len(conditions) * CONDITION_BYTES + points * POINT_BYTES)


def machine_hazards(setup: Setup, conditions: tuple[Condition, ...], machine: Machine) -> Iterator[Hazard]:
    """Hazards of running ``conditions`` on this computer."""
    if not conditions:
        return
    need = store_bytes(setup, conditions)
    free = machine.free_bytes
    if free is not None and free < DISK_RESERVE * need:
        yield Hazard(
            "blocking" if free < need else "warning",
            "disk-space",
            "Disk space",
            f"{len(conditions)} conditions need about {need / 1e6:.0f} MB in store and report, and {free / 1e6:.0f} MB "
            "are free",
            "a full disk ends the run in the middle of the night",
            "free some space, or keep the store on another disk with --store",
            "ours: measured on the shipped night, and doubled",
        )
    # On a simulated or scaled clock the file says what time it is.
    if setup.bench.model.bench.clock == "real":
        yield from _clock(machine)


def _clock(machine: Machine) -> Iterator[Hazard]:
    early = machine.newest is not None and machine.now < machine.newest
    if CLOCK_FROM <= machine.now < CLOCK_TO and not early:
        return
    against = f"this run was going on at {machine.newest:%Y-%m-%d %H:%M} UTC" if early else "that cannot be"
    yield Hazard(
        "blocking",
        "clock",
        "Clock of this computer",
        f"it says {machine.now:%Y-%m-%d %H:%M} UTC, and {against}",
        "times on record are wrong, calibrations are taken for valid, and events cannot be held against other logs",
        "set the clock of this computer, best from a time server",
        COMMON,
    )
