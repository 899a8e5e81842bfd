"""What is compared when a run is resumed, what somebody must accept, and what is measured once more."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from sqlalchemy import select

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.errors import Changed, Stopped, StoreFault
from bench.events import Event
from bench.exit_codes import ExitCode
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.rechecks import Drift, Pair, chosen, drift_text, drifts
from bench.resuming import Change, Compared, Comparison
from bench.setups import setup_from_files
from bench.store import tables
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from sequences.conditions import Condition
from sequences.read_files import demo_file, parse_bench

UNIT = "VG2-0007"
BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
TODAY = BEGAN.date()
NAMES = ("quick.sequence.toml", "virga-2.part.toml", "nimbus.bench.toml")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo's files, with four conditions at one temperature, two repeats each; and a folder to work in."""
    for file in demo_file(NAMES[0]).parent.iterdir():
        if file.suffix in (".toml", ".s2p"):
            (tmp_path / file.name).write_bytes(file.read_bytes())
    edit(tmp_path / NAMES[0], "gain_code = { from = 0, to = 30, step = 5 }", "gain_code = [0, 30]")
    edit(tmp_path / NAMES[0], "temperature_c = [-40, 25, 85]", "temperature_c = 25")
    edit(tmp_path / NAMES[0], "reference_temperature_c = 25", "reference_temperature_c = 25\nrepeats = 2")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text("utf-8")
    assert text.count(old) >= 1, old
    file.write_text(text.replace(old, new, 1), "utf-8")


@pytest.fixture
def store(folder: Path) -> Iterator[Store]:
    with open_store("nightbench.db") as opened:
        yield opened


@pytest.fixture
def stopped(folder: Path, store: Store) -> str:
    """A run that was stopped after its second condition."""
    stop, seen = StopSwitch(), []

    def hear(event: Event) -> None:
        seen.append(event.kind)
        if seen.count("condition done") == 2:
            stop.ask()

    with pytest.raises(Stopped):
        start_run(setup_from_files(folder / NAMES[0]), UNIT, "Ada", store, hear, stop, lambda run, plan: None)
    return store.find_run("latest")


def resume(store: Store, run: str, comparison: Comparison) -> list[Event]:
    heard: list[Event] = []
    resume_run(store, run, heard.append, StopSwitch(), lambda run, plan: None, comparison)
    return heard


@pytest.fixture
def begun(folder: Path, store: Store) -> str:
    """A run that has begun, and nothing more."""
    record = RunRecord.of(setup_from_files(folder / NAMES[0]), unit=UNIT, operator="", began=BEGAN, tool_version="0")
    return store.begin_run(record).run


def compare(store: Store, run: str, comparison: Comparison, today: date = TODAY) -> Compared:
    """As a resumed run does."""
    texts = store.run_texts(run)
    return comparison.accepted(store.run(run), texts, parse_bench(texts.bench.text).model, today)


# --- What has changed


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        (NAMES[0], "hold_min = 3", "hold_min = 4", "sequence quick.sequence.toml: soak.hold_min was 3, is 4"),
        (NAMES[0], "hold_min = 3\n", "", "soak.hold_min was 3, is nothing"),
        (NAMES[2], "NS-101", "NS-109", 'bench nimbus.bench.toml: instrument.tone_1.serial was "NS-101", is "NS-109"'),
        (NAMES[2], "2027-05-31", "2027-06-30", "instrument.tone_1.calibration_due was 2027-05-31, is 2027-06-30"),
        (NAMES[1], 'name = "VIRGA-2"', 'name = "VIRGA-3"', 'part.name was "VIRGA-2", is "VIRGA-3"'),
    ],
)
def test_a_changed_key_is_named_with_both_values_and_refused_until_it_is_accepted(
    folder: Path, store: Store, begun: str, name: str, old: str, new: str, said: str
) -> None:
    """A file, a key with its table, and what it was and is; nothing else."""
    edit(folder / name, old, new)
    with pytest.raises(Changed) as caught:
        compare(store, begun, Comparison({}))
    assert said in str(caught.value)
    assert len(caught.value.changes) == 1

    (accepted,) = compare(store, begun, Comparison({}, accept=True)).changes
    assert said in str(accepted)


def test_words_that_mean_the_same_are_no_change(folder: Path, store: Store, begun: str) -> None:
    """A comment, a space, 25.0 for 25."""
    edit(folder / NAMES[0], "temperature_c = 25", "temperature_c   = 25.0 # room")

    assert compare(store, begun, Comparison({})) == Compared(
        (), "as when the run began: virga-2.part.toml, nimbus.bench.toml, quick.sequence.toml"
    )


def test_a_file_that_is_no_toml_any_more_is_a_change(folder: Path, store: Store, begun: str) -> None:
    """Somebody is at it with an editor."""
    edit(folder / NAMES[0], "[axes]", "[axes")
    with pytest.raises(Changed, match=r"the whole file was readable, is not: .*line"):
        compare(store, begun, Comparison({}))


def test_a_changed_data_file_is_named_by_its_lines(folder: Path, store: Store, begun: str) -> None:
    """The path loss was measured anew: what was read before rests on the old one."""
    lines = [f"{number} 0.1" for number in range(10)]
    kept = replace(store.run_texts(begun), attachments={"loss.s2p": "\n".join(lines)})
    setup = setup_from_files(folder / NAMES[0])

    def changes() -> tuple[Change, ...]:
        return Comparison({}, accept=True).accepted(store.run(begun), kept, setup.bench.model, BEGAN.date()).changes

    (folder / "loss.s2p").write_bytes("\r\n".join(lines).encode())
    assert changes() == ()
    (folder / "loss.s2p").write_text("\n".join([*lines[:8], "8 0.2", "9 0.1"]), "utf-8")
    assert list(map(str, changes())) == ['loss.s2p: line 9 was "8 0.1", is "8 0.2"']
    (folder / "loss.s2p").write_text("\n".join(lines[5:]), "utf-8")
    assert [change.key for change in changes()] == ["line 1", "line 2", "line 3", "the rest"]


def test_a_file_that_is_not_there_any_more_is_said_and_hinders_nothing(folder: Path, store: Store, begun: str) -> None:
    """The run has its own copy; nobody can say whether it changed."""
    (folder / NAMES[1]).unlink()
    said = compare(store, begun, Comparison({})).text

    assert f"not there any more, so that the run's own copy stands alone: {folder / NAMES[1]}" in said


def test_files_are_found_where_they_lay_from_any_folder(
    folder: Path, store: Store, begun: str, tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A change is seen though the person has gone elsewhere; a file that is named goes before."""
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (elsewhere / NAMES[0]).write_bytes((folder / NAMES[0]).read_bytes())
    edit(folder / NAMES[0], "hold_min = 3", "hold_min = 4")
    monkeypatch.chdir(elsewhere)
    with pytest.raises(Changed, match="hold_min was 3"):
        compare(store, begun, Comparison({}))
    assert compare(store, begun, Comparison({"sequence": elsewhere / NAMES[0]})).changes == ()


def test_another_unit_is_refused_in_any_case(store: Store, begun: str) -> None:
    """Readings of two units in one run would belong to neither."""
    with pytest.raises(Changed, match="serial was VG2-0007, is VG2-0013") as caught:
        compare(store, begun, Comparison({}, "VG2-0013", accept=True))
    assert "--accept-change" not in str(caught.value)
    assert compare(store, begun, Comparison({}, UNIT)).changes == ()


def test_a_calibration_that_ended_in_the_break_is_a_change(store: Store, begun: str) -> None:
    """The due day itself still counts as calibrated. The first to end is that of the demo's chamber."""
    due = date(2027, 1, 31)
    assert compare(store, begun, Comparison(), due).changes == ()
    with pytest.raises(Changed, match="chamber was valid until 2027-01-31, is past due on 2027-02-01"):
        compare(store, begun, Comparison(), date(2027, 2, 1))


def test_a_calibration_that_had_ended_before_the_run_began_is_none(store: Store, begun: str) -> None:
    """It was said then."""
    texts = store.run_texts(begun)
    late = replace(store.run(begun), began=datetime(2027, 2, 1, tzinfo=UTC))
    bench = parse_bench(texts.bench.text).model
    assert Comparison().accepted(late, texts, bench, date(2027, 2, 2)).changes == ()


def test_the_command_refuses_a_change_with_exit_code_2_and_goes_on_when_it_is_accepted(
    folder: Path, store: Store, stopped: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a person types."""
    edit(folder / NAMES[0], "hold_min = 3", "hold_min = 4")
    texts = store.run_texts(stopped)
    assert run_guarded(app, ["resume", "latest", "--no-report"]) == ExitCode.BAD_INPUT
    said = capsys.readouterr().err
    assert "soak.hold_min was 3, is 4" in said
    assert "--accept-change" in said
    code = run_guarded(app, ["resume", "latest", "--no-report", "--accept-change", "--recheck", "1"])
    said = capsys.readouterr().err
    assert code in (ExitCode.DONE, ExitCode.LIMIT_NOT_MET), said
    assert "change accepted: sequence quick.sequence.toml: soak.hold_min was 3, is 4" in said
    assert "rechecked: 1 condition measured once more" in said
    (accepted,) = [event for event in store.events(stopped) if event.kind == "change accepted"]
    assert accepted.facts["key"] == "soak.hold_min"
    assert (accepted.facts["was"], accepted.facts["is"]) == ("3", "4")
    assert store.run_texts(stopped) == texts
    assert store.run(stopped).state == "done"


# --- What is measured once more


def test_conditions_that_are_measured_once_more_are_kept_apart_and_the_drift_is_told(
    store: Store, stopped: str
) -> None:
    """The run's own readings are what they were; the report's events have the differences."""
    before = store.frames(stopped).readings
    done = store.done_conditions(stopped)
    heard = resume(store, stopped, Comparison(recheck=2))
    frames = store.frames(stopped)
    after = frames.readings
    kept = after[after["condition"].isin(done)].reset_index(drop=True)
    with store._engine.connect() as connection:
        rows = connection.execute(select(tables.recheck)).all()
    (told,) = [event for event in heard if event.kind == "rechecked"]

    assert before.astype({"quantity": str}).equals(kept.astype({"quantity": str}))
    assert not after.duplicated(["condition", "repeat", "quantity"]).any()
    assert len(frames.conditions) == 4
    assert len(rows) == len(before)
    assert told.text.startswith("2 conditions measured once more after the break; ")
    assert told.text in set(frames.events["text"])
    assert abs(float(told.facts["supply_current_a"])) < 0.01
    assert [key for key in told.facts if key.endswith(" U")]
    assert heard.index(told) < next(
        at for at, event in enumerate(heard) if event.kind == "condition done" and event.facts["number"] == 2
    )


def test_what_is_not_complete_cannot_be_measured_once_more(store: Store, begun: str) -> None:
    """It would have nothing to be compared with."""
    writer = store.reopen_run(begun)
    writer.conditions(conditions(25, 25))
    with pytest.raises(StoreFault, match=r"condition 1 of run .* is not complete yet"):
        writer.recheck(1, datetime(2026, 11, 3, tzinfo=UTC), {"supply_current_a": 0.2})


def conditions(*temperatures_c: float) -> tuple[Condition, ...]:
    return tuple(
        Condition("A", code, celsius, "nominal", 200.0, 3.0, 60e6) for code, celsius in enumerate(temperatures_c)
    )


@pytest.mark.parametrize(
    ("done", "left", "wanted", "numbers"),
    [
        ({0, 1, 2, 3}, 4, 2, (2, 3)),
        ({0, 1, 2, 3}, 4, 9, (2, 3)),
        ({0, 1}, 2, 1, (1,)),
        ({0, 1, 2, 3}, 4, 0, ()),
        ({0, 1, 2, 3, 4}, None, 3, ()),
        (set(), 0, 3, ()),
    ],
)
def test_the_last_ones_at_the_next_temperature_are_chosen(
    done: set[int], left: int | None, wanted: int, numbers: tuple[int, ...]
) -> None:
    """They need no soak of their own; if there are none, those before it do."""
    every = conditions(25, 25, 85, 85, 85)
    assert chosen(every, frozenset(done), None if left is None else every[left], wanted) == numbers


def test_the_uncertainty_of_a_drift_is_that_of_the_mean_difference() -> None:
    """Differences 1, 2, 3: mean 2, s = 1, u = 1/√3; t(95 %, 2 degrees of freedom) = 4.30 (JCGM 100:2008, table G.2)."""
    pairs = [Pair({"supply_current_a": [10.0]}, {"supply_current_a": [10.0 + shift]}) for shift in (1, 2, 3)]
    (found,) = drifts(pairs)

    assert found.difference == pytest.approx(2.0)
    assert found.expanded == pytest.approx(4.30 / math.sqrt(3), rel=1e-3)
    assert not found.is_clear


def test_one_condition_has_the_spread_of_its_repeats_and_without_repeats_nothing() -> None:
    """Two repeats each, 1 apart: s = √½, u of each mean ½, of the difference √½; t(95 %, 1) = 12.71 (table G.2)."""
    (found,) = drifts([Pair({"supply_current_a": [1.0, 2.0]}, {"supply_current_a": [5.0, 6.0]})])
    assert found.difference == pytest.approx(4.0)
    assert found.expanded == pytest.approx(12.71 * math.sqrt(0.5), rel=1e-3)
    (bare,) = drifts([Pair({"supply_current_a": [1.0]}, {"supply_current_a": [5.0]})])
    assert bare.expanded is None


def test_settings_and_figures_about_a_reading_do_not_drift() -> None:
    """A bandwidth that the acquisition chose otherwise says nothing of the bench."""
    values: Mapping[str, list[float]] = {
        "source_1_level_dbm": [1.0],
        "im3_low_points": [11.0],
        "im3_low_bandwidth_hz": [10.0],
    }
    assert drifts([Pair(values, values), Pair(values, values)]) == ()


def test_what_has_moved_most_against_its_uncertainty_stands_first() -> None:
    """In units of differences: dB for levels in dBm, K for °C."""
    found = [
        Drift("board_temperature_c", 0.1, 0.5),
        Drift("supply_current_a", 0.003, 0.001),
        Drift("air_temperature_c", 5.0, 0.1),
    ]
    assert drift_text(found, 3) == (
        "3 conditions measured once more after the break; 2 of 3 quantities have moved: "
        "air_temperature_c by +5 K (± 0.1), supply_current_a by +0.003 A (± 0.001)"
    )
