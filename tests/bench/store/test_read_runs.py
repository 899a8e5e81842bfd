"""Finding and listing runs."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from bench.errors import NoSuchRun
from bench.store import read_recording
from bench.store.records import RunRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store
from drivers.messages import Exchange
from sequences.conditions import Condition

EVENING = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
IDS = (
    "0a1b2c3d-0000-4000-8000-000000000001",
    "0a1b2c3d-ffff-4000-8000-000000000002",
    "9f8e7d6c-0000-4000-8000-000000000003",
)


@pytest.fixture
def three_nights(store: Store, make_record: Callable[..., RunRecord]) -> Store:
    """Three runs on three evenings, begun in another order than stored."""
    for id_, evening in zip(IDS, (1, 2, 0), strict=True):
        store.begin_run(make_record(id=id_, began=EVENING + timedelta(days=evening)))
    return store


def test_runs_are_listed_from_the_latest(three_nights: Store) -> None:
    """By the time they began, not by the order of storing."""
    assert [line.id for line in three_nights.runs()] == [IDS[1], IDS[0], IDS[2]]


def test_a_line_tells_who_what_when_and_how_far(store: Store, writer: RunWriter) -> None:
    """Everything that the list of runs shows, counted from the plan."""
    writer.complete_condition(0, EVENING, {})
    writer.complete_condition(3, EVENING, {})
    (line,) = store.runs()

    assert (line.unit, line.part, line.bench, line.sequence, line.operator) == (
        "VG2-0013",
        "VIRGA-2",
        "Nimbus",
        "quick",
        "Ada",
    )
    assert (line.state, line.began, line.ended, line.tool_version) == ("running", EVENING, None, "0.1.0")
    assert (line.done, line.total) == (2, 4)
    assert store.run(line.id) == line


def test_a_run_without_a_plan_counts_none(three_nights: Store) -> None:
    """A run that was refused before its plan is 0 of 0, and does not vanish from the list."""
    assert [(line.done, line.total) for line in three_nights.runs()] == [(0, 0)] * 3


def test_conditions_of_other_runs_are_not_counted(
    store: Store, writer: RunWriter, make_record: Callable[..., RunRecord], plan: tuple[Condition, ...]
) -> None:
    """Two runs with equal plans are counted, and completed, apart."""
    other = store.begin_run(make_record())
    other.conditions(plan)
    other.complete_condition(2, EVENING, {"supply_current_a": 0.2})

    assert store.done_conditions(writer.run) == set()
    assert store.done_conditions(other.run) == {2}
    assert {line.id: line.done for line in store.runs()} == {writer.run: 0, other.run: 1}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (IDS[0], IDS[0]),
        ("9", IDS[2]),
        ("0a1b2c3d-f", IDS[1]),
        ("0A1B2C3D-F", IDS[1]),
        (" 9f8e ", IDS[2]),
        ("latest", IDS[1]),
        ("Latest", IDS[1]),
    ],
)
def test_a_run_is_named_by_id_prefix_or_latest(three_nights: Store, text: str, found: str) -> None:
    """Case and blanks around do not matter."""
    assert three_nights.find_run(text) == found


def test_a_prefix_that_fits_several_runs_lists_them(three_nights: Store) -> None:
    """The message gives what is needed to choose."""
    with pytest.raises(NoSuchRun) as caught:
        three_nights.find_run("0a1b")

    said = str(caught.value)
    assert "fits 2 runs" in said
    assert f"{IDS[1]} (unit VG2-0013, quick, 2026-11-04 18:30 UTC); {IDS[0]} (" in said
    assert IDS[2] not in said


def test_a_long_list_of_candidates_is_cut(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """Five are shown, the others counted."""
    for number in range(8):
        store.begin_run(make_record(id=f"aaaaaaaa-0000-4000-8000-00000000000{number}"))

    with pytest.raises(NoSuchRun, match=r"fits 8 runs.* and 3 more\. Give more of the id"):
        store.find_run("aaaa")


@pytest.mark.parametrize("text", ["b", "%", "_a1b", "0a1b2c3d-0000-4000-8000-0000000000011"])
def test_a_prefix_that_fits_no_run_is_refused(three_nights: Store, text: str) -> None:
    """Wildcards of SQL are letters like any other."""
    with pytest.raises(NoSuchRun, match="no run whose id begins with"):
        three_nights.find_run(text)


def test_no_text_names_the_only_run_or_none(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """Nothing is a prefix of everything: with one run it is that one, with several they are listed."""
    run = store.begin_run(make_record()).run
    assert store.find_run("") == run

    store.begin_run(make_record())
    with pytest.raises(NoSuchRun, match="fits 2 runs"):
        store.find_run("")


def test_an_empty_store_has_no_latest_run(store: Store) -> None:
    """Said as such."""
    with pytest.raises(NoSuchRun, match="no run yet"):
        store.find_run("latest")


def test_a_line_of_no_run_is_refused(store: Store) -> None:
    """``run`` and ``run_texts`` want a full id that is there."""
    with pytest.raises(NoSuchRun, match="no run 0a1b"):
        store.run("0a1b")
    with pytest.raises(NoSuchRun, match="no run 0a1b"):
        store.run_texts("0a1b")


def test_the_files_come_back_letter_for_letter(store: Store, make_record: Callable[..., RunRecord]) -> None:
    """Names, texts, fingerprints and the texts that the bench file names."""
    record = make_record()
    store.begin_run(record)

    assert store.run_texts(record.id) == record.texts


def test_a_long_recording_comes_in_order(store: Store, writer: RunWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    """More chunks than are fetched at a time, and a count that is a multiple of it."""
    monkeypatch.setattr(read_recording, "_CHUNKS_AT_A_TIME", 3)
    sent = [Exchange(number, "supply", float(number), b"*OPC?", b"1", 0.0, None) for number in range(9)]
    for one in sent:
        writer.exchanges([one])

    assert list(store.exchanges(writer.run)) == sent
    assert [chunk.number for chunk in store.exchange_chunks(writer.run)] == list(range(9))


def test_reading_a_recording_does_not_hold_the_store(
    store: Store, writer: RunWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between two chunks the writer can go on, and what it adds is read too."""
    monkeypatch.setattr(read_recording, "_CHUNKS_AT_A_TIME", 3)
    one = Exchange(1, "supply", 0.0, b"*OPC?", b"1", 0.0, None)
    for _ in range(read_recording._CHUNKS_AT_A_TIME):
        writer.exchanges([one])
    recording = store.exchanges(writer.run)
    next(recording)
    writer.exchanges([one._replace(number=2)])

    assert [later.number for later in recording][-1] == 2
