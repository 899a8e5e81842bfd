"""A store that can be written no more in the middle of a night: full, or read-only, by SQLite's own codes for both.

A small file system of their own is nothing that every machine lets a test have. ``max_page_count`` makes SQLite find
the disk full by the same code as a full disk does, ``query_only`` the store read-only.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import Connection, event

import bench.clocks
import bench.night
from bench.assemble import OpenBench, open_bench
from bench.clocks import RealClock
from bench.errors import StoreFault
from bench.events import Event
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.plan import Plan
from bench.store.store import Store, open_store
from edited_demo import EIGHT_CONDITIONS
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

#: What makes each disk bad, what makes it good again, and what a person is told.
DISKS = {
    "full": ("PRAGMA max_page_count = 1", "PRAGMA max_page_count = 1073741823", "the disk is full; make room"),
    "read-only": ("PRAGMA query_only = ON", "PRAGMA query_only = OFF", "it cannot be written; check the permissions"),
}

#: Each condition fills pages of its own: a full disk may still hold what fits into the last one.
LARGE_CONDITIONS = {**EIGHT_CONDITIONS, "[sequence]\n": "[sequence]\nrepeats = 5\n"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


@pytest.mark.parametrize("disk", DISKS)
def test_a_night_whose_store_takes_nothing_more_ends_safely_and_is_resumed_when_it_does(
    store: Store, monkeypatch: pytest.MonkeyPatch, make_setup: Callable[..., Setup], disk: str
) -> None:
    """Everything goes off, what is committed stays, and afterwards nothing is missing or there twice."""
    bad, good, said = DISKS[disk]
    rigs: list[Rig] = []
    begun: list[str] = []
    state = {"pragma": good}

    @contextlib.contextmanager
    def opened(*arguments: Any, **named: Any) -> Iterator[OpenBench]:  # Any: as open_bench takes them
        with open_bench(*arguments, **named) as made:
            assert made.rig is not None
            rigs.append(made.rig)
            yield made

    def set_up(connection: Connection) -> None:
        connection.exec_driver_sql(state["pragma"])

    def hear(told: Event) -> None:
        if told.kind == "condition done" and told.facts["number"] == 2:
            state["pragma"] = bad

    monkeypatch.setattr(bench.night, "open_bench", opened)
    event.listen(store._engine, "begin", set_up)

    def begin(run: str, plan: Plan) -> None:
        begun.append(run)

    with pytest.raises(StoreFault, match=said):
        start_run(make_setup(LARGE_CONDITIONS), "VG2-0007", "Ada", store, hear, StopSwitch(), begin)
    rig, run = rigs[0], begun[0]
    assert rig.bias is not None
    assert not rig.bias.on
    assert not any(tone.on for tone in rig.tones.values())
    assert store.done_conditions(run) == {0, 1, 2}

    state["pragma"] = good
    resume_run(store, run, lambda told: None, StopSwitch(), begin)
    readings = store.frames(run).readings
    assert store.done_conditions(run) == set(range(8))
    assert not readings.duplicated(["condition", "repeat", "quantity"]).any()
    assert (readings.groupby("condition", observed=True).size() == len(readings) / 8).all()


def test_the_machines_time_may_jump_and_no_wait_is_longer_or_shorter(monkeypatch: pytest.MonkeyPatch) -> None:
    """A time server sets the clock back by an hour, or a person sets it right: durations come from another clock."""

    class Jumped(datetime):
        shift = timedelta(0)

        @classmethod
        def now(cls, tz: Any = None) -> datetime:  # type: ignore[override]  # any zone, as datetime has it
            return datetime.now(tz) + cls.shift

    monkeypatch.setattr(bench.clocks, "datetime", Jumped)
    clock = RealClock()
    told, began_s = clock.now(), clock.elapsed_s()
    Jumped.shift = timedelta(hours=-1)

    assert clock.now() < told - timedelta(minutes=59)
    assert 0 <= clock.elapsed_s() - began_s < 60
    assert clock.now().tzinfo is UTC
