"""Nights that are recorded, replayed and held against each other: shared by tests."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

from bench.errors import BenchError
from bench.events import Event
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.replay.replay import Replay, replay
from bench.resuming import Comparison
from bench.store.store import Store, open_store
from drivers.errors import InstrumentError
from sequences.read_files import Setup

UNIT = "VG2-0007"

#: Four conditions of two channels and two codes at one temperature, soaked for shortly.
FOUR = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 35",
}

Hear = Callable[[Event, StopSwitch], None]


def unheard(event: Event, stop: StopSwitch) -> None:
    """Wish for nothing."""


@contextlib.contextmanager
def store_in(folder: Path) -> Iterator[Store]:
    """A store in a folder."""
    with open_store(str(folder / "night.db")) as opened:
        yield opened


def spend(setup: Setup, store: Store, hear: Hear = unheard) -> str:
    """A night on the simulated bench, however it ends; returns the run."""
    stop, named = StopSwitch(), list[str]()
    with contextlib.suppress(BenchError, InstrumentError):  # how it ended is in the store
        start_run(setup, UNIT, "Ada", store, lambda event: hear(event, stop), stop, lambda run, plan: named.append(run))
    return named[0]


def go_on(store: Store, run: str, hear: Hear = unheard, recheck: int | None = None) -> None:
    """Resume it, however that ends."""
    stop = StopSwitch()
    comparison = Comparison(recheck=recheck)
    with contextlib.suppress(BenchError, InstrumentError):
        resume_run(store, run, lambda event: hear(event, stop), stop, lambda run, plan: None, comparison)


def after(count: int, act: Callable[[StopSwitch], None], kind: str = "condition done") -> Hear:
    """Do something at the so-manieth event of a kind."""
    seen: list[str] = []

    def hear(event: Event, stop: StopSwitch) -> None:
        seen.append(event.kind)
        if event.kind == kind and seen.count(kind) == count:
            act(stop)

    return hear


def replayed(store: Store, run: str, *, tolerant: bool = False) -> Replay:
    """Replay it."""
    return replay(store, run, lambda event: None, tolerant=tolerant)


def same(store: Store, run: str) -> Replay:
    """Replay it; nothing may differ."""
    found = replayed(store, run)
    assert found.differences == (), "\n".join(map(str, found.differences))
    return found
