"""Who hears of a run: what is told where the store takes nothing more, and that nothing behind it disturbs the run."""

from __future__ import annotations

import errno
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bench.clocks import SimulatedClock
from bench.errors import StoreFault, Tripped, UnsafeBench
from bench.events import Event
from bench.plan import make_plan
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from bench.tell_file import TellFile
from bench.witnesses import Witnesses
from sequences.read_files import Setup

AT = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


@dataclass
class Heard:
    """A run that has begun, and what came of it elsewhere."""

    store: Store
    run: str
    witnesses: Witnesses
    folder: Path
    shown: list[Event] = field(default_factory=list)

    @property
    def told(self) -> list[str]:
        """What the user's command was told."""
        path = self.folder / "told"
        return path.read_text(encoding="utf-8").splitlines() if path.exists() else []

    @property
    def log(self) -> str:
        return (self.folder / "night-logs" / f"{self.run}.log").read_text(encoding="utf-8")


@pytest.fixture
def heard(tmp_path: Path, small: Setup) -> Iterator[Heard]:
    code = "import sys; open(sys.argv[1], 'a', encoding='utf-8').write('|'.join(sys.argv[2:]) + '\\n')"
    told = str(tmp_path / "told")
    file = TellFile(tmp_path / "tell.toml", (sys.executable, "-c", code, told, "{what}", "{text}"))
    record = RunRecord.of(small, unit="VG2-0007", operator="", began=AT, tool_version="tests")
    shown: list[Event] = []
    with open_store(str(tmp_path / "night.db")) as store:
        store.begin_run(record)
        with Witnesses(store, shown.append, file, SimulatedClock(AT)) as witnesses:
            witnesses.begin(record.id, make_plan(small))
            witnesses(Event(AT, "run began", "8 of 8 conditions to do", {"left": 8, "total": 8}))
            yield Heard(store, record.id, witnesses, tmp_path, shown)


def test_an_unsafe_bench_is_an_event_of_its_own_and_told_after_the_trip(heard: Heard) -> None:
    """The one message that sends a person to the bench at once."""
    heard.witnesses(Event(AT, "tripped", "board at 95 °C"))
    heard.witnesses(Event(AT, "run ended", "tripped"))
    heard.witnesses.ended_by(UnsafeBench(("bias off: no answer",), heard.run))

    said = (
        "COULD NOT CONFIRM THE SAFE STATE. Go to the bench, switch off by hand, and expect live, hot or cold parts. "
        "Not confirmed: bias off: no answer"
    )
    assert heard.told == ["tripped|board at 95 °C", f"unsafe|{said}"]
    assert [event.kind for event in heard.store.events(heard.run)] == ["unsafe"]
    assert heard.shown[-1].kind == "unsafe"
    assert f"unsafe: {said}" in heard.log


def test_a_bench_that_a_mistake_left_unsafe_is_told_of_as_well(heard: Heard) -> None:
    """The first error keeps its name; that the bench is unsafe is a note of it."""
    error = KeyError("load")
    error.add_note(str(UnsafeBench(("bias off: no answer",))))
    heard.witnesses(Event(AT, "tripped", "KeyError: 'load'"))
    heard.witnesses.ended_by(error)

    assert [line.partition("|")[0] for line in heard.told] == ["tripped", "unsafe"]


def test_an_end_that_the_store_does_not_take_is_told_and_logged(heard: Heard, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk is full: no event of the run comes through any more, not even its trip."""

    def full(run: str, event: Event) -> None:
        raise StoreFault("store night.db: the disk is full")

    monkeypatch.setattr(heard.store, "note", full)
    heard.witnesses.ended_by(StoreFault("store night.db: the disk is full"))

    assert heard.told == ["tripped|StoreFault: store night.db: the disk is full"]
    assert "not stored: store night.db: the disk is full" in heard.log


def test_a_run_that_is_done_is_told_once_with_its_decision(heard: Heard) -> None:
    """How much was measured, and what came of it."""
    heard.witnesses(Event(AT, "condition done", "25 °C", {"number": 0, "left": 0}))
    heard.witnesses(Event(AT, "run ended", "done"))
    heard.witnesses.decided("conditional pass")
    heard.witnesses.__exit__(None, None, None)

    assert heard.told == ["done|8 of 8 conditions, conditional pass"]
    assert heard.log.endswith("exit: code 0\n")


def test_a_run_whose_report_fails_is_told_as_done_all_the_same(heard: Heard) -> None:
    """Its readings are kept; the decision can be made again."""
    heard.witnesses(Event(AT, "condition done", "25 °C", {"number": 0, "left": 2}))
    heard.witnesses(Event(AT, "run ended", "done"))
    heard.witnesses.__exit__(Tripped, Tripped("no report"), None)

    assert heard.told == ["done|6 of 8 conditions"]


def test_a_terminal_that_takes_nothing_more_does_not_disturb_the_run(
    heard: Heard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Standard error in a file on a disk that is full: noted once, and the log has everything."""
    tried: list[str] = []

    def full(event: Event) -> None:
        tried.append(event.kind)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(heard.witnesses, "_show", full)
    heard.witnesses(Event(AT, "soak began", "to 85 °C"))
    heard.witnesses(Event(AT, "run ended", "done"))

    assert tried == ["soak began"]
    noted = [(event.kind, event.text) for event in heard.store.events(heard.run)]
    assert noted == [("could not show", "No space left on device")]
    assert "run ended: done" in heard.log
