"""Setups: from files or from the store, the same models, checked by the same rules."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bench.errors import NoSuchRun
from bench.plan import make_plan
from bench.reporting import frames_of, report_of
from bench.setups import setup_from_files, setup_of
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from reports.errors import CannotDerive
from sequences.errors import FileFaults
from sequences.read_files import demo_file

AT = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
SEQUENCE = demo_file("quick.sequence.toml")
PART, BENCH = demo_file("virga-2.part.toml"), demo_file("nimbus.bench.toml")


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


@pytest.fixture
def stored(store: Store) -> str:
    """A run that has begun, and two of its conditions."""
    setup = setup_from_files(SEQUENCE)
    record = RunRecord.of(setup, unit="VG2-0007", operator="Ada", began=AT, tool_version="0.1.0")
    writer = store.begin_run(record)
    writer.conditions(make_plan(setup).conditions)
    for number, current_a in enumerate((0.2, 0.24)):
        writer.complete_condition(number, AT, {"supply_current_a": current_a})
    return record.id


def edited(folder: Path, path: Path, old: str, new: str) -> Path:
    text = path.read_text("utf-8")
    assert text.count(old) == 1, old
    (folder / path.name).write_text(text.replace(old, new), "utf-8")
    return folder / path.name


def test_a_setup_from_the_store_is_the_one_from_the_files(store: Store, stored: str) -> None:
    """Text for text and model for model: a report needs nothing but the store."""
    read, kept = setup_from_files(SEQUENCE), setup_of(store, stored)

    for one, other in ((read.part, kept.part), (read.bench, kept.bench), (read.sequence, kept.sequence)):
        assert one.model == other.model
        assert one.fingerprint == other.fingerprint
    assert kept.path_losses.loss_db("output", "A", 200.0, 60e6) == 11.01


def test_a_limit_on_an_unknown_characteristic_is_refused_before_a_run(tmp_path: Path) -> None:
    """With the nearest word that ``reports`` can derive."""
    part = edited(tmp_path, PART, 'characteristic = "hd3"', 'characteristic = "hd4"')
    with pytest.raises(FileFaults, match=r"hd4.*Did you mean"):
        setup_from_files(SEQUENCE, part=part)


def test_a_limit_in_a_unit_that_does_not_fit_is_refused_before_a_run(tmp_path: Path) -> None:
    """A supply current in volts."""
    old = 'characteristic = "supply_current"\nunit = "mA"\nmax = 230'
    part = edited(tmp_path, PART, old, old.replace("mA", "mV"))
    with pytest.raises(FileFaults, match="mV"):
        setup_from_files(SEQUENCE, part=part)


def test_another_part_file_moves_the_limits_of_a_stored_run(store: Store, stored: str, tmp_path: Path) -> None:
    """Readings as they were, decided anew: 240 mA fails 230 mA and passes 260 mA."""
    old = 'characteristic = "supply_current"\nunit = "mA"\nmax = 230'
    wider = edited(tmp_path, PART, old, old.replace("230", "260"))

    def decision(part: Path | None) -> str:
        report = report_of(store, stored, part)
        return next(limit.decision for limit in report.limits if limit.max in (230.0, 260.0))

    assert decision(None) == "fail"
    assert decision(wider) == "pass"


def test_another_bench_file_moves_the_uncertainty_of_a_stored_run(store: Store, stored: str, tmp_path: Path) -> None:
    """Ten times the meter's offset, and the same readings."""
    worse = edited(tmp_path, BENCH, "offset_ma = 0.02", "offset_ma = 2")
    values, expanded = {}, {}
    for name, bench in (("stated", None), ("worse", worse)):
        table = report_of(store, stored, bench=bench).characteristics
        rows = table[table["characteristic"] == "supply_current"]
        values[name], expanded[name] = rows["value"].tolist(), rows["expanded_uncertainty"].tolist()

    assert values["stated"] == values["worse"] == [0.2, 0.24]
    assert min(expanded["worse"]) > 5 * max(expanded["stated"])


def test_given_files_are_checked_as_strictly_as_before_a_run(store: Store, stored: str, tmp_path: Path) -> None:
    """A bench without the path loss that the stored sequence needs."""
    bench = edited(
        tmp_path,
        BENCH,
        'path = "output"\nchannel = "A"\nload_ohm = 200',
        'path = "output"\nchannel = "A"\nload_ohm = 250',
    )
    with pytest.raises(FileFaults, match=r"path_loss|path loss"):
        frames_of(store, stored, bench=bench)


def test_frames_without_other_files_are_the_stores(store: Store, stored: str) -> None:
    """Conditions that are complete, and no others."""
    frames = frames_of(store, stored)

    assert frames.conditions.index.tolist() == [0, 1]
    assert frames.part == setup_from_files(SEQUENCE).part.model


def test_an_unknown_run_has_no_setup(store: Store) -> None:
    """And no report."""
    with pytest.raises(NoSuchRun):
        setup_of(store, "no-such-run")
    with pytest.raises((NoSuchRun, CannotDerive)):
        report_of(store, "no-such-run")
