"""Handing a run over to the reports."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest

from bench.errors import NoSuchRun, StoreFault
from bench.store import read_frames, tables
from bench.store.records import FileText, InstrumentRecord, RunRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store
from reports.frames import AXES, HazardNote, RunFrames
from sequences.conditions import Condition, expand
from sequences.read_files import Setup, demo_file, read_setup

AT = datetime(2026, 11, 2, 20, 15, 0, 250_000, tzinfo=UTC)


@pytest.fixture
def setup() -> Setup:
    """The shipped quick sequence with its part and bench."""
    return read_setup(demo_file("quick.sequence.toml"))


@pytest.fixture
def quick(store: Store, setup: Setup) -> RunWriter:
    """A run of it that has its plan."""
    record = RunRecord.of(setup, unit="VG2-0013", operator="Ada", began=AT, tool_version="0.1.0")
    writer = store.begin_run(record)
    writer.conditions(expand(setup.sequence.model, setup.part.model, setup.bench.model))
    return writer


def test_the_record_of_a_setup_has_its_names_and_texts(setup: Setup) -> None:
    """What the three files call themselves, and all that is needed to read them again."""
    record = RunRecord.of(setup, unit="VG2-0013", operator="Ada", began=AT, tool_version="0.1.0")

    assert (record.part, record.bench, record.sequence) == ("VIRGA-2", "Nimbus", "quick")
    assert record.texts.part == FileText(
        "virga-2.part.toml", setup.part.text, setup.part.fingerprint, str(demo_file("virga-2.part.toml").parent)
    )
    assert record.id != RunRecord.of(setup, unit="", operator="", began=AT, tool_version="").id


def test_the_files_of_a_run_are_built_again_from_the_store(store: Store, quick: RunWriter, setup: Setup) -> None:
    """Part, bench, sequence and path losses need no file any more."""
    frames = store.frames(quick.run)

    assert frames.part == setup.part.model
    assert frames.bench == setup.bench.model
    assert frames.sequence == setup.sequence.model
    assert frames.path_losses.loss_db("output", "B", 200.0, 60e6) == 11.05  # nimbus.bench.toml at 60 MHz


def test_facts_instruments_events_and_hazards_come_along(store: Store, quick: RunWriter) -> None:
    """Everything that a report shows beside its numbers."""
    analyzer = InstrumentRecord("analyzer", "TCPIP0::a::SOCKET", "scpi", "ACME", "SA", "1", "1.0", date(2027, 3, 15))
    meter = InstrumentRecord("current_meter", "TCPIP0::m::SOCKET", "scpi", "ACME", "DM", "2", "0", None)
    note = HazardNote("warning", "Ice", "chamber at -40 °C", "burns", "gloves", "common practice, no source")
    quick.instruments([analyzer, meter])
    quick.hazards([note])
    quick.event(AT, "run began", "unit VG2-0013")
    quick.event(AT, "tripped", "board at 96 °C", {"board_c": 96.0})
    quick.finish("tripped", AT)
    frames = store.frames(quick.run)

    assert dataclasses.asdict(frames.facts) == {
        "run": quick.run,
        "unit": "VG2-0013",
        "operator": "Ada",
        "state": "tripped",
        "began": AT,
        "ended": AT,
        "tool_version": "0.1.0",
        "planned": len(store.planned_conditions(quick.run)),
        "kind": "unit",
    }
    assert frames.hazards == (note,)
    assert frames.instruments.to_dict("list") == {
        "place": ["analyzer", "current_meter"],
        "resource": ["TCPIP0::a::SOCKET", "TCPIP0::m::SOCKET"],
        "maker": ["ACME", "ACME"],
        "model": ["SA", "DM"],
        "serial": ["1", "2"],
        "firmware": ["1.0", "0"],
        "calibration_due": ["2027-03-15", ""],
    }
    assert frames.events["text"].tolist() == ["unit VG2-0013", "board at 96 °C"]
    assert [when.to_pydatetime() for when in frames.events["at"]] == [AT, AT]


def test_only_complete_conditions_are_handed_over(store: Store, quick: RunWriter) -> None:
    """In run order under their numbers, whatever order they were completed in."""
    quick.complete_condition(5, AT, {"supply_current_a": 0.25, "hd2_level_dbm": -71.5}, flag="soak timed out")
    quick.complete_condition(2, AT, [(0, {"supply_current_a": 0.2}), (1, {"supply_current_a": 0.21})])
    frames = store.frames(quick.run)
    plan = store.planned_conditions(quick.run)

    assert frames.conditions.index.tolist() == [2, 5]
    for number in (2, 5):
        assert Condition(*frames.conditions.loc[number, list(AXES)]) == plan[number].condition
    assert frames.conditions["flag"].tolist() == ["", "soak timed out"]
    rows = frames.readings.sort_values(["condition", "repeat", "quantity"]).to_dict("split")["data"]
    assert sorted(rows) == [
        [2, 0, "supply_current_a", 0.2],
        [2, 1, "supply_current_a", 0.21],
        [5, 0, "hd2_level_dbm", -71.5],
        [5, 0, "supply_current_a", 0.25],
    ]


def dtypes_of(frames: RunFrames) -> dict[str, str]:
    """Kinds of all columns whose kind is promised."""
    found = {axis: str(frames.conditions[axis].dtype) for axis in frames.conditions.columns}
    found |= {f"readings {name}": str(frames.readings[name].dtype) for name in frames.readings.columns}
    return found | {"number": str(frames.conditions.index.dtype), "at": str(frames.events["at"].dtype)}


def test_an_empty_run_has_the_same_columns_and_kinds_as_a_full_one(store: Store, quick: RunWriter) -> None:
    """A run that tripped before its first condition can be reported like any other."""
    empty = store.frames(quick.run)
    quick.complete_condition(0, AT, {"supply_current_a": 0.2})
    quick.event(AT, "run began", "")
    full = store.frames(quick.run)

    assert len(empty.conditions) == len(empty.readings) == 0
    assert dtypes_of(empty) == dtypes_of(full)
    assert {axis: str(full.conditions[axis].dtype) for axis in AXES} == AXES
    assert list(full.conditions.columns) == [*AXES, "flag"]
    assert isinstance(full.readings["quantity"].dtype, pd.CategoricalDtype)


def test_readings_of_other_runs_stay_out(store: Store, quick: RunWriter, setup: Setup) -> None:
    """Two runs that write in turn have their keys mixed; each gets its own numbers."""
    other = store.begin_run(RunRecord.of(setup, unit="VG2-0014", operator="Ada", began=AT, tool_version="0.1.0"))
    other.conditions([planned.condition for planned in store.planned_conditions(quick.run)])
    for number in range(4):
        quick.complete_condition(number, AT, {"supply_current_a": 0.1 + number})
        other.complete_condition(3 - number, AT, {"supply_current_a": 100.0 + number, "supply_voltage_v": 5.0})
    mine, theirs = store.frames(quick.run).readings, store.frames(other.run).readings

    assert mine[["condition", "value"]].to_numpy().tolist() == [[0, 0.1], [1, 1.1], [2, 2.1], [3, 3.1]]
    currents = theirs[theirs["quantity"] == "supply_current_a"]
    assert currents[["condition", "value"]].to_numpy().tolist() == [[0, 103.0], [1, 102.0], [2, 101.0], [3, 100.0]]


def test_rows_are_put_together_from_several_blocks(
    store: Store, quick: RunWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More rows than are taken at a time, and the last block not full: none is lost, doubled or moved."""
    monkeypatch.setattr(read_frames, "_ROWS_AT_A_TIME", 4)
    values = np.linspace(-1, 1, 42)
    for number in range(21):
        supply = {"supply_current_a": values[2 * number], "supply_voltage_v": values[2 * number + 1]}
        quick.complete_condition(number, AT, {name: float(value) for name, value in supply.items()})
    readings = store.frames(quick.run).readings

    assert sorted(readings["value"]) == values.tolist()
    wide = readings.pivot_table(index="condition", columns="quantity", values="value", observed=True)
    assert wide["supply_current_a"].tolist() == values[::2].tolist()
    assert wide["supply_voltage_v"].tolist() == values[1::2].tolist()


def test_rows_that_the_driver_keeps_back_are_missed(
    store: Store, quick: RunWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A result that buffers some rows must end in a fault, not in a report on fewer readings."""
    if store._engine.dialect.name != "sqlite":
        pytest.skip("only SQLite's driver can be made to keep rows back in this way")
    quick.complete_condition(0, AT, {"supply_current_a": 0.2, "supply_voltage_v": 5.0})
    monkeypatch.setattr(
        read_frames, "snapshot", lambda engine: engine.execution_options(stream_results=True, max_row_buffer=1)
    )

    with pytest.raises(StoreFault, match="holds 2 readings but handed out 1"):
        store.frames(quick.run)


def test_frames_of_no_run_are_refused(store: Store) -> None:
    """Its name is at fault."""
    with pytest.raises(NoSuchRun, match="no run 0a1b"):
        store.frames("0a1b")


def test_a_run_whose_files_cannot_be_read_any_more_says_why(
    store: Store, make_record: Callable[..., RunRecord]
) -> None:
    """The message names the run and the fault in the file."""
    run = store.begin_run(make_record()).run

    with pytest.raises(StoreFault, match=rf"run {run} holds a file that this version cannot read: ") as caught:
        store.frames(run)
    assert "quick.sequence.toml, [sequence] name" in str(caught.value)
    assert str(caught.value).endswith(" more)")
    assert "\n" not in str(caught.value)


def test_condition_keys_need_not_be_dense(store: Store, quick: RunWriter) -> None:
    """The array from key to number follows the keys, which other runs of a shared store have spread out."""
    quick.complete_condition(3, AT, {})
    with store._engine.connect() as connection:
        frame, numbers = read_frames._conditions(connection, quick.run)
        key = connection.execute(
            tables.condition.select().where(tables.condition.c.run == quick.run, tables.condition.c.number == 3)
        ).one()

    assert frame.index.tolist() == [3]
    assert numbers[key.id] == 3
    assert (np.delete(numbers, key.id) == -1).all()
