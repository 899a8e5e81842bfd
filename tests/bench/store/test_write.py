"""Writing a run: what is committed together, what is refused, and what comes back."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, func, select
from sqlalchemy.exc import OperationalError

from bench.errors import NoSuchRun, RunDone, StoreFault
from bench.store import connect, run_writer, tables
from bench.store.records import InstrumentRecord, RunRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from drivers.messages import Exchange
from reports.frames import READINGS, HazardNote
from sequences.conditions import AXIS_NAMES, Condition

AT = datetime(2026, 11, 2, 20, 15, 0, 250_000, tzinfo=UTC)
EXCHANGES = (
    Exchange(7, "tone_1", 12.5, b":SOUR1:POW -4.25", None, 0.001, None),
    Exchange(8, "analyzer", 12.75, b":TRAC:DATA? TRACE1", b"#14\x00\xff\n\x85", 0.02, None),
)


def rows_of(store: Store, run: str) -> list[tuple[int, int, str, float]]:
    """Readings of a run as (condition, repeat, quantity, value), straight from the tables."""
    reading, condition, quantity = tables.reading.c, tables.condition.c, tables.quantity.c
    query = (
        select(condition.number, reading.repeat, quantity.name, reading.value)
        .join_from(tables.reading, tables.condition, condition.id == reading.condition_id)
        .join(tables.quantity, quantity.id == reading.quantity_id)
        .where(condition.run == run)
        .order_by(condition.number, reading.repeat, quantity.name)
    )
    with store._engine.connect() as connection:
        return [(row[0], row[1], row[2], row[3]) for row in connection.execute(query)]


def count(store: Store, table: str) -> int:
    """Rows in a table."""
    with store._engine.connect() as connection:
        return int(connection.execute(select(func.count()).select_from(tables.METADATA.tables[table])).scalar_one())


def test_the_axes_of_the_table_are_those_of_a_condition() -> None:
    """The table's list is kept apart so that listing runs does not load the models; it must not drift."""
    assert tables.AXES == AXIS_NAMES


def test_a_condition_is_complete_with_its_readings_and_exchanges(store: Store, writer: RunWriter) -> None:
    """One call stores the readings, marks the condition and keeps the exchanges."""
    writer.complete_condition(1, AT, {"supply_current_a": 0.2, "air_temperature_c": -39.5}, EXCHANGES)

    assert rows_of(store, writer.run) == [(1, 0, "air_temperature_c", -39.5), (1, 0, "supply_current_a", 0.2)]
    assert store.done_conditions(writer.run) == {1}
    assert tuple(store.exchanges(writer.run)) == EXCHANGES


def test_repeats_are_kept_apart(store: Store, writer: RunWriter) -> None:
    """A sequence with repeats stores each of them under its number."""
    writer.complete_condition(0, AT, [(0, {"supply_current_a": 0.2}), (1, {"supply_current_a": 0.25})])

    assert rows_of(store, writer.run) == [(0, 0, "supply_current_a", 0.2), (0, 1, "supply_current_a", 0.25)]


def test_a_condition_without_readings_can_be_complete(store: Store, writer: RunWriter) -> None:
    """A sequence that measures nothing at a condition still gets over it."""
    writer.complete_condition(0, AT, {}, flag="soak timed out")

    assert store.done_conditions(writer.run) == {0}
    assert [one.flag for one in store.planned_conditions(writer.run)] == ["soak timed out", "", "", ""]


def test_a_condition_is_completed_only_once(store: Store, writer: RunWriter) -> None:
    """The second time is refused and changes nothing: readings are never updated."""
    writer.complete_condition(2, AT, {"supply_current_a": 0.2}, EXCHANGES)
    before = rows_of(store, writer.run)

    with pytest.raises(StoreFault, match=r"condition 2 of run .* is complete already"):
        writer.complete_condition(2, AT, {"supply_current_a": 0.3, "supply_voltage_v": 5.0}, EXCHANGES)
    assert rows_of(store, writer.run) == before
    assert tuple(store.exchanges(writer.run)) == EXCHANGES


def test_two_pens_cannot_complete_the_same_condition(store: Store, writer: RunWriter) -> None:
    """Whoever resumes a run that another process still writes is stopped by the first condition both have done."""
    other = store.reopen_run(writer.run)
    other.complete_condition(0, AT, {"supply_current_a": 0.2})

    with pytest.raises(StoreFault, match="complete already"):
        writer.complete_condition(0, AT, {"supply_current_a": 0.2})


def test_a_condition_outside_the_plan_is_refused(store: Store, writer: RunWriter) -> None:
    """Numbers run from 0 to one below the count."""
    with pytest.raises(StoreFault, match="no condition 4 in its plan"):
        writer.complete_condition(4, AT, {"supply_current_a": 0.2})
    assert count(store, "reading") == 0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_not_a_finite_number_is_refused(store: Store, writer: RunWriter, value: float) -> None:
    """NaN would become NULL in SQLite, and no instrument reads infinity; the whole condition stays incomplete."""
    with pytest.raises(StoreFault, match=r"hd2_level_dbm at condition 0 is -?(nan|inf), not a finite number"):
        writer.complete_condition(0, AT, {"supply_current_a": 0.2, "hd2_level_dbm": value})
    assert store.done_conditions(writer.run) == set()
    assert rows_of(store, writer.run) == []


def test_a_quantity_that_reports_do_not_know_is_refused(store: Store, writer: RunWriter) -> None:
    """A misspelt name must not cost the whole run when it is derived."""
    with pytest.raises(StoreFault, match="'supply_curent_a' is not a reading"):
        writer.complete_condition(0, AT, {"supply_current_a": 0.2, "supply_curent_a": 0.2})
    assert store.done_conditions(writer.run) == set()


def test_every_reading_that_reports_know_can_be_stored(store: Store, writer: RunWriter) -> None:
    """All names of ``READINGS`` in one condition."""
    readings = {name: float(index) for index, name in enumerate(READINGS)}
    writer.complete_condition(0, AT, readings)

    assert {name: value for _, _, name, value in rows_of(store, writer.run)} == readings


def test_a_fault_between_readings_and_commit_leaves_nothing(
    store: Store, writer: RunWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Mark and readings are undone when the chunk cannot be written, and the same condition can be tried again."""

    def fail(_exchanges: object) -> bytes:
        raise OperationalError("INSERT", {}, Exception("link to the database lost\nat byte 7"))

    monkeypatch.setattr(run_writer, "pack", fail)
    with pytest.raises(StoreFault, match=r"link to the database lost$"):
        writer.complete_condition(0, AT, {"supply_current_a": 0.2}, EXCHANGES)
    assert rows_of(store, writer.run) == []
    assert store.done_conditions(writer.run) == set()

    monkeypatch.undo()
    writer.complete_condition(0, AT, {"supply_current_a": 0.2}, EXCHANGES)
    assert tuple(store.exchanges(writer.run)) == EXCHANGES


def test_a_repeat_given_twice_leaves_nothing(store: Store, writer: RunWriter) -> None:
    """The key of a reading refuses a second value for the same repeat, and the condition stays incomplete."""
    with pytest.raises(StoreFault, match=r"(?i)unique"):
        writer.complete_condition(0, AT, [(0, {"supply_current_a": 0.2}), (0, {"supply_current_a": 0.2})])
    assert store.done_conditions(writer.run) == set()


# Each example is a run of its own in the same store; how long the disk takes is no concern of this law.
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30, deadline=None)
@given(
    values=st.lists(
        st.dictionaries(st.sampled_from(list(READINGS)), st.floats(allow_nan=False, allow_infinity=False)),
        min_size=1,
        max_size=4,
    )
)
def test_readings_come_back_bit_for_bit(
    store: Store, make_record: Callable[..., RunRecord], values: list[dict[str, float]]
) -> None:
    """Every finite float, subnormal ones included; only the sign of zero is dropped."""
    writer = store.begin_run(make_record())
    writer.conditions([Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)])
    writer.complete_condition(0, AT, list(enumerate(values)))

    stored = {(repeat, name): struct.pack("<d", value) for _, repeat, name, value in rows_of(store, writer.run)}
    given_bits = {
        (repeat, name): struct.pack("<d", value + 0.0)
        for repeat, readings in enumerate(values)
        for name, value in readings.items()
    }
    assert stored == given_bits


def test_the_plan_is_stored_once(store: Store, writer: RunWriter, plan: tuple[Condition, ...]) -> None:
    """It comes back in order with nothing complete; a second plan is refused."""
    planned = store.planned_conditions(writer.run)

    assert [(one.number, one.condition, one.completed, one.flag) for one in planned] == [
        (number, condition, None, "") for number, condition in enumerate(plan)
    ]
    with pytest.raises(StoreFault, match="has its plan already"):
        writer.conditions(plan)
    assert count(store, "condition") == len(plan)


def test_an_empty_plan_is_refused(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """A run of nothing would look finished."""
    with pytest.raises(StoreFault, match="no condition"):
        store.begin_run(make_record()).conditions(())


def test_a_run_cannot_begin_twice(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """Its id is its key."""
    record = make_record()
    store.begin_run(record)

    with pytest.raises(StoreFault, match=r"(?i)unique"):
        store.begin_run(record)
    assert len(store.runs()) == 1


def test_a_time_without_zone_is_refused(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """A naive time would silently be taken for UTC."""
    with pytest.raises(StoreFault, match="has no time zone"):
        store.begin_run(make_record(began=AT.replace(tzinfo=None)))
    assert store.runs() == ()


def test_times_come_back_in_utc(store: Store, writer: RunWriter) -> None:
    """A time given in another zone is the same instant, told in UTC, to the microsecond."""
    there = AT.astimezone(timezone(timedelta(hours=5, minutes=30)))
    writer.complete_condition(0, there, {})
    completed = store.planned_conditions(writer.run)[0].completed

    assert completed == AT
    assert completed is not None
    assert completed.utcoffset() == timedelta(0)


def test_events_are_committed_at_once_and_in_order(location: str, store: Store, writer: RunWriter) -> None:
    """Another connection sees each event as soon as it is noted, with its facts as they were."""
    writer.event(AT, "run began", "unit VG2-0013")
    with open_store(location) as other:
        assert [one.kind for one in other.events(writer.run)] == ["run began"]
        writer.event(AT, "soak ended", "42 min", {"board_c": -39.75, "steady": True, "polls": 252, "chamber": "Ω"})
        latest = other.events(writer.run)[-1]

    assert latest.at == AT
    assert latest.text == "42 min"
    assert latest.facts == {"board_c": -39.75, "steady": True, "polls": 252, "chamber": "Ω"}


def test_two_processes_can_note_events_of_one_run(location: str, writer: RunWriter) -> None:
    """The database numbers events, so the guard's do not clash with the sequencer's."""
    with open_store(location) as other:
        guard = other.reopen_run(writer.run)
        for turn in range(3):
            writer.event(AT, "bring-up", f"step {turn}")
            guard.event(AT, "safe state", f"look {turn}")

        assert [one.text for one in other.events(writer.run)] == [
            "step 0",
            "look 0",
            "step 1",
            "look 1",
            "step 2",
            "look 2",
        ]


def test_exchanges_outside_a_condition_keep_their_place(store: Store, writer: RunWriter) -> None:
    """Bring-up and shut-down belong to the recording, around the conditions."""
    writer.exchanges(EXCHANGES[:1])
    writer.complete_condition(0, AT, {}, EXCHANGES[1:])
    writer.exchanges(())
    writer.exchanges(EXCHANGES)

    assert [(chunk.number, chunk.condition, chunk.exchanges) for chunk in store.exchange_chunks(writer.run)] == [
        (0, None, EXCHANGES[:1]),
        (1, 0, EXCHANGES[1:]),
        (2, None, EXCHANGES),
    ]


def test_a_chunk_says_how_much_it_holds(store: Store, writer: RunWriter) -> None:
    """Count and first and last time can be read without unpacking."""
    writer.exchanges(EXCHANGES)
    exchange = tables.exchange.c
    with store._engine.connect() as connection:
        row = connection.execute(select(exchange["count"], exchange.first_s, exchange.last_s)).one()

    assert tuple(row) == (2, 12.5, 12.75)


def test_a_finished_run_takes_no_more_readings(store: Store, writer: RunWriter) -> None:
    """Only events may follow ``finish``."""
    writer.finish("tripped", AT)
    with pytest.raises(StoreFault, match="is finished"):
        writer.complete_condition(0, AT, {})
    with pytest.raises(StoreFault, match="is finished"):
        writer.exchanges(EXCHANGES)
    writer.event(AT, "safe state", "confirmed")

    line = store.run(writer.run)
    assert (line.state, line.ended, line.done) == ("tripped", AT, 0)
    assert len(store.events(writer.run)) == 1


@pytest.mark.parametrize("state", ["running", "tripped", "stopped"])
def test_an_unfinished_run_can_be_resumed(store: Store, writer: RunWriter, state: str) -> None:
    """A killed run stays "running"; it, a tripped and a stopped one go on where they were, chunk numbers included."""
    writer.complete_condition(0, AT, {"supply_current_a": 0.2}, EXCHANGES[:1])
    if state == "tripped":
        writer.finish("tripped", AT)
    elif state == "stopped":
        writer.finish("stopped", AT)
    resumed = store.reopen_run(writer.run)
    resumed.complete_condition(1, AT, {"supply_current_a": 0.21}, EXCHANGES[1:])

    line = store.run(writer.run)
    assert (line.state, line.ended, line.done, line.total) == ("running", None, 2, 4)
    assert tuple(store.exchanges(writer.run)) == EXCHANGES


def test_a_done_run_is_not_resumed(store: Store, writer: RunWriter) -> None:
    """It stays done."""
    writer.finish("done", AT)

    with pytest.raises(RunDone, match="is done; there is nothing to resume"):
        store.reopen_run(writer.run)
    assert store.run(writer.run).state == "done"


def test_a_run_that_is_not_there_is_not_resumed(store: Store) -> None:
    """Its name is at fault, not the store."""
    with pytest.raises(NoSuchRun, match="no run 12345678"):
        store.reopen_run("12345678")


def test_instruments_are_noted_once_and_an_exchanged_one_is_added(store: Store, writer: RunWriter) -> None:
    """Resuming with the same bench adds nothing; another analyzer in the same place appears beside the first."""
    first = InstrumentRecord("analyzer", "TCPIP0::a::SOCKET", "scpi", "ACME", "SA", "1", "1.0", date(2027, 3, 15))
    chamber = InstrumentRecord("chamber", "TCPIP0::c::SOCKET", "scpi", "ACME", "TC", "5", "0", None)
    second = InstrumentRecord("analyzer", "TCPIP0::a::SOCKET", "scpi", "ACME", "SA", "2", "1.0", None)
    writer.instruments([first, chamber])
    writer.instruments([first, chamber])
    store.reopen_run(writer.run).instruments([second, chamber])

    with store._engine.connect() as connection:
        instrument = tables.instrument.c
        query = select(instrument.number, instrument.place, instrument.serial, instrument.calibration_due)
        rows = [tuple(row) for row in connection.execute(query.order_by(instrument.number))]
    assert rows == [(0, "analyzer", "1", date(2027, 3, 15)), (1, "chamber", "5", None), (2, "analyzer", "2", None)]


def test_noting_instruments_waits_its_turn(
    path: Path, make_record: Callable[..., RunRecord], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one run compares its instruments with the stored ones, no other can write and so make SQLite refuse it."""
    monkeypatch.setattr(connect, "BUSY_TIMEOUT_MS", 0)
    with open_store(str(path)) as store, open_store(str(path)) as other:
        writer, rival = store.begin_run(make_record()), other.begin_run(make_record())
        refusals: list[str] = []

        def interfere(_connection: object, _cursor: object, statement: str, *_rest: object) -> None:
            if statement.startswith("SELECT"):
                with pytest.raises(StoreFault, match="locked") as caught:
                    rival.event(AT, "bring-up", "at the same moment")
                refusals.append(str(caught.value))

        event.listen(store._engine, "after_cursor_execute", interfere)
        writer.instruments([InstrumentRecord("supply", "TCPIP0::s::SOCKET", "scpi", "ACME", "PS", "3", "0", None)])
        event.remove(store._engine, "after_cursor_execute", interfere)

        assert len(refusals) == 1
        assert count(store, "instrument") == 1


def test_hazards_are_noted_once(store: Store, writer: RunWriter) -> None:
    """The same hazards named again on resume are the same rows."""
    note = HazardNote("warning", "Ice", "chamber at -40 °C", "burns", "gloves", "common practice, no source")
    writer.hazards([note])
    writer.hazards([note])

    assert count(store, "hazard") == 1
