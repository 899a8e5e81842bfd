"""The book over the store: what the runner says becomes rows that come back as they were."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from bench.book import StoreBook
from bench.clocks import SimulatedClock
from bench.errors import StoreFault
from bench.events import PROGRESS_ONLY, Event
from bench.plan import make_plan
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from drivers.messages import Exchange
from drivers.roles import Identity
from sequences.read_files import Setup

BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


def exchange(number: int) -> Exchange:
    return Exchange(number, "supply", float(number), b"MEAS:CURR?", b"0.2", 0.001, None)


class Written:
    """A run in a store, with its book."""

    def __init__(self, store: Store, setup: Setup) -> None:
        self.clock = SimulatedClock(BEGAN)
        record = RunRecord.of(setup, unit="VG2-0007", operator="Ada", began=BEGAN, tool_version="0.1.0")
        self.run = record.id
        self.store = store
        self.setup = setup
        self.planned = make_plan(setup)
        self.book = StoreBook(store.begin_run(record), setup, self.clock)
        self.book.plan(self.planned.conditions, self.planned.hazards)


@pytest.fixture
def written(tmp_path: Path, quick: Setup) -> Iterator[Written]:
    with open_store(str(tmp_path / "night.db")) as store:
        yield Written(store, quick)


def test_plan_and_hazards_are_there_before_anything_is_powered(written: Written) -> None:
    """Whoever comes in at night sees what the run was going to do."""
    planned = written.store.planned_conditions(written.run)

    assert tuple(item.condition for item in planned) == written.planned.conditions
    assert all(item.completed is None for item in planned)
    titles = [note.title for note in written.store.frames(written.run).hazards]
    assert titles == [hazard.title for hazard in written.planned.hazards]


def test_a_condition_is_complete_at_the_clocks_time_with_its_readings_and_flag(written: Written) -> None:
    """Two repeats, told apart."""
    written.clock.sleep(3600)
    readings = [{"supply_current_a": 0.2}, {"supply_current_a": 0.3}]
    written.book.complete_condition(4, readings, [exchange(1)], "soak timed out")
    item = written.store.planned_conditions(written.run)[4]
    table = written.store.frames(written.run).readings

    assert item.completed == BEGAN + timedelta(hours=1)
    assert item.flag == "soak timed out"
    assert written.store.done_conditions(written.run) == {4}
    assert table[["condition", "repeat", "value"]].to_numpy().tolist() == [[4, 0, 0.2], [4, 1, 0.3]]


def test_exchanges_come_back_in_order_with_the_condition_they_belong_to(written: Written) -> None:
    """Those of bring-up, of a condition and of the end."""
    written.book.exchanges([exchange(1)])
    written.book.complete_condition(0, [{"supply_current_a": 0.2}], [exchange(2), exchange(3)], "")
    written.book.finish("done", [exchange(4)])
    chunks = list(written.store.exchange_chunks(written.run))

    assert [chunk.condition for chunk in chunks] == [None, 0, None]
    assert [one for chunk in chunks for one in chunk.exchanges] == [exchange(number) for number in range(1, 5)]


def test_instruments_are_kept_as_they_answered_and_as_the_file_names_them(written: Written) -> None:
    """Identity from the instrument, resource and calibration from the bench file."""
    written.book.instruments({"analyzer": Identity("Invented", "SA", "NS-203", "1.0")})
    (row,) = written.store.frames(written.run).instruments.to_dict("records")

    assert row["place"] == "analyzer"
    assert (row["maker"], row["model"], row["serial"], row["firmware"]) == ("Invented", "SA", "NS-203", "1.0")
    assert row["resource"] == "TCPIP0::analyzer.nimbus.example::5025::SOCKET"
    assert str(row["calibration_due"]) == "2027-03-15"


def test_events_are_kept_with_their_facts_but_progress_is_not(written: Written) -> None:
    """Ten thousand conditions need no ten thousand events: their rows say when they were complete."""
    said = Event(BEGAN, "soak ended", "board 25.00 °C", {"number": 3, "steady": True})
    written.book.event(said)
    for kind in PROGRESS_ONLY:
        written.book.event(Event(BEGAN, kind, "code 0"))

    assert written.store.events(written.run) == (said,)
    assert {"condition done", "soaking"} == PROGRESS_ONLY


def test_the_end_is_kept_with_its_time_and_closes_the_run(written: Written) -> None:
    """After it the book takes no more readings."""
    written.clock.sleep(60)
    written.book.finish("tripped", [])
    line = written.store.run(written.run)

    assert (line.state, line.ended) == ("tripped", BEGAN + timedelta(minutes=1))
    with pytest.raises(StoreFault, match="finished"):
        written.book.complete_condition(0, [{}], [], "")
