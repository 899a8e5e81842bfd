"""Sessions of a run and their recordings, of this version and of those before."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from kept_store import RUN_0005, kept_store

from bench.errors import NoSuchRun
from bench.store.records import RecordingSize, RunRecord, SessionRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from drivers.messages import Exchange
from sequences.conditions import Condition

BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
LATER = BEGAN + timedelta(hours=9)
READINGS = {"supply_current_a": 0.2}


def exchanges(*numbers: int, instrument: str = "supply") -> list[Exchange]:
    return [Exchange(number, instrument, number / 4, b"MEAS:CURR?", b"0.2", 0.25, None) for number in numbers]


def test_each_session_has_its_own_recording_and_knows_what_was_complete(store: Store, writer: RunWriter) -> None:
    """Numbers of exchanges begin anew at each; a session that recorded nothing is one all the same."""
    first = SessionRecord(BEGAN, "0.1.0", "start", options={"planned_s": 7.5})
    cut_off = SessionRecord(LATER, "0.1.1", "resume")
    last = SessionRecord(LATER, "0.2.0", "resume", "failures", {"rechecks": [0], "accepted": ["part: Ω was 1, is 2"]})
    writer.session(first)
    writer.exchanges(exchanges(1, 2))
    writer.complete_condition(0, BEGAN, READINGS, exchanges(3))
    store.reopen_run(writer.run).session(cut_off)
    again = store.reopen_run(writer.run)
    again.session(last)
    again.recheck(0, LATER, READINGS, exchanges(1))
    again.complete_condition(1, LATER, READINGS, exchanges(2, 3))
    sessions = store.recording(writer.run)

    assert [session.record for session in sessions] == [first, cut_off, last]
    assert [session.number for session in sessions] == [1, 2, 3]
    assert [[one.number for one in session.exchanges] for session in sessions] == [[1, 2, 3], [], [1, 2, 3]]
    assert [[chunk.condition for chunk in session.chunks()] for session in sessions] == [[None, 0], [], [None, 1]]
    assert [session.done for session in sessions] == [frozenset(), frozenset({0}), frozenset({0})]


def test_sessions_of_two_runs_do_not_mix(
    store: Store, writer: RunWriter, make_record: Callable[..., RunRecord], plan: tuple[Condition, ...]
) -> None:
    """Two benches may write into one store at once."""
    other = store.begin_run(make_record())
    other.conditions(plan)
    for pen in (writer, other):
        pen.session(SessionRecord(BEGAN, "0.1.0", "start"))
    writer.exchanges(exchanges(1))
    other.exchanges(exchanges(1, 2))
    writer.exchanges(exchanges(2, 3))

    assert [len(session.exchanges) for session in store.recording(writer.run)] == [3]
    assert [len(session.exchanges) for session in store.recording(other.run)] == [2]
    size = store.recording_size(other.run)
    assert size.exchanges == 2
    assert 10 < size.bytes < 200


def test_nothing_recorded_is_no_length(store: Store, writer: RunWriter) -> None:
    """A run whose recording is switched off."""
    assert store.recording_size(writer.run) == RecordingSize(0, 0)
    assert store.recording(writer.run) == ()
    with pytest.raises(NoSuchRun):
        store.recording("0a1b")


# --- Before sessions were kept


def test_sessions_that_were_not_kept_are_found_where_numbers_begin_anew(store: Store, writer: RunWriter) -> None:
    """Then the run is resumed by this version, whose session is kept."""
    writer.event(BEGAN, "run began", "4 of 4 conditions to do")
    writer.exchanges(exchanges(1, 2))
    writer.exchanges(exchanges(1, instrument="chamber"))
    writer.complete_condition(0, BEGAN, READINGS, [*exchanges(3), *exchanges(2, instrument="chamber")])
    writer.event(LATER, "run resumed", "3 of 4 conditions to do")
    writer.exchanges(exchanges(1, instrument="chamber"))
    writer.complete_condition(1, LATER, READINGS, exchanges(1))
    new = store.reopen_run(writer.run)
    new.session(SessionRecord(LATER + timedelta(hours=1), "0.2.0", "resume"))
    new.event(LATER + timedelta(hours=1), "run resumed", "2 of 4 conditions to do")
    new.complete_condition(2, LATER, READINGS, exchanges(1, 2, 3))
    sessions = store.recording(writer.run)

    assert [(one.number, one.record.kind, len(one.exchanges)) for one in sessions] == [
        (1, "start", 5),
        (2, "resume", 2),
        (3, "resume", 3),
    ]
    assert [one.record.began for one in sessions] == [BEGAN, LATER, LATER + timedelta(hours=1)]
    assert [one.done for one in sessions] == [frozenset(), frozenset({0}), frozenset({0, 1})]


def test_the_recording_of_an_older_version_is_read(tmp_path: Path) -> None:
    """A store of schema 0005: a run that was stopped and resumed, recorded as JSON lines without sessions."""
    with open_store(str(kept_store("0005", tmp_path)), must_exist=True) as store:
        first, second = store.recording(RUN_0005)
        size = store.recording_size(RUN_0005)
        heard = [first.exchanges, second.exchanges]

    assert [(one.record.kind, sorted(one.done)) for one in (first, second)] == [("start", []), ("resume", [0, 1])]
    assert second.record.began > first.record.began
    assert [chunk.condition for chunk in first.chunks()][-3:-1] == [0, 1]
    assert size.exchanges == sum(map(len, heard)) == 2863
    for session in heard:
        numbers: dict[str, list[int]] = {}
        for one in session:
            numbers.setdefault(one.instrument, []).append(one.number)
        assert all(found == list(range(1, len(found) + 1)) for found in numbers.values())
        assert all(later.at_s >= earlier.at_s for earlier, later in pairwise(session))
        assert session[0].sent == b"*IDN?"
