"""Runs are replayed from their recordings: nights of every kind, and what is said where something differs."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from kept_store import RUN_0005, kept_store
from replayed import FOUR, Hear, after, go_on, replayed, same, spend, store_in, unheard

import bench.assemble
import bench.job
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.clocks import SimulatedClock
from bench.errors import BenchError
from bench.events import Event
from bench.exit_codes import ExitCode
from bench.job import StopSwitch
from bench.night import start_through
from bench.setups import setup_from_files
from bench.store.records import SessionRecord
from bench.store.store import Store, open_store
from drivers.errors import LinkLost, TimedOut
from drivers.link import Link
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.visa import open_resource
from edited_demo import edited_demo
from modbus_table import TEXT
from sequences.read_files import Setup, demo_file

METER = """[instrument.power_meter]
resource = "TCPIP0::power-meter.nimbus.example::5025::SOCKET"
coupling_db = { frequency_mhz = [10, 100], loss_db = [25.9, 26.2] }
coupling_uncertainty_db = 0.05
noise_dbm = -60
highest_input_dbm = 20
accuracy = { level_db = 0.05, linearity_db_per_10db = 0.01 }

"""
SCPI = 'resource = "TCPIP0::chamber.nimbus.example::5025::SOCKET"\nserial = "NS-500"\n'
TWO = FOUR | {'channel = "all"': 'channel = "A"'}
MODBUS = 'driver = "modbus"\nresource = "modbus-tcp://chamber.example/3"\nregisters = "chamber.registers.toml"\n'


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with store_in(tmp_path) as opened:
        yield opened


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A store with one night of two conditions; tests copy it before they write."""
    folder = tmp_path_factory.mktemp("night")
    with store_in(folder) as opened:
        run = spend(edited_demo(TWO), opened)
    return folder / "night.db", run


@pytest.fixture
def copy(night: tuple[Path, str], tmp_path: Path) -> tuple[Path, str]:
    """A copy of that store, of the test's own."""
    path, run = night
    with closing(sqlite3.connect(path)) as whole, closing(sqlite3.connect(tmp_path / "copy.db")) as mine:
        whole.backup(mine)
    return tmp_path / "copy.db", run


def facts(*lines: str) -> dict[str, str]:
    return {"reference_temperature_c = 25": "\n".join(("reference_temperature_c = 25", *lines))}


def interlock(*lines: str) -> dict[str, str]:
    return {"[fixture]": "\n".join(("[[interlock]]", *lines, "", "[fixture]"))}


def of_kind(store: Store, run: str, kind: str) -> list[Event]:
    return [event for event in store.events(run) if event.kind == kind]


# --- Nights of every kind replay without a difference


def test_a_night_is_the_same_in_every_reading_event_and_decision(night: tuple[Path, str]) -> None:
    """What was compared is counted, and the sentence says who recorded and who replayed it."""
    path, run = night
    with open_store(str(path)) as store:
        found = same(store, run)
        frames = store.frames(run)

    assert (found.conditions, found.readings, found.decisions) == (2, len(frames.readings), 17)
    assert found.exchanges > 1000
    assert found.report is not None
    assert found.report.decision == "pass"
    assert "2 conditions" in found.sentence
    assert "17 decisions: no difference (recorded by " in found.sentence
    assert found.notes == ()


@pytest.mark.slow
def test_a_store_is_only_read(copy: tuple[Path, str]) -> None:
    """A run stays as it is."""
    path, run = copy
    with closing(sqlite3.connect(path)) as before:
        was = list(before.iterdump())
    with open_store(str(path)) as store:
        same(store, run)
    with closing(sqlite3.connect(path)) as after_it:
        assert list(after_it.iterdump()) == was


def stop_now(stop: StopSwitch) -> None:
    stop.ask("Ada")


@pytest.mark.slow
def test_a_night_that_was_stopped_and_resumed_with_a_recheck_is_the_same(store: Store) -> None:
    """Two sessions, each with its own lines and clock; what was measured once more is compared as well."""
    run = spend(edited_demo(FOUR), store, after(2, stop_now))
    assert store.run(run).state == "stopped"
    same(store, run)
    go_on(store, run, recheck=1)

    assert len(store.rechecks(run)) > 20
    assert [one.ended_by != "" for one in same(store, run).sessions] == [True, False]
    assert store.run(run).state == "done"


@pytest.mark.slow
def test_a_resume_that_was_killed_before_it_said_a_word_is_a_session_all_the_same(store: Store) -> None:
    """Its place among the sessions does not move the events of the others."""
    run = spend(edited_demo(TWO), store, after(1, stop_now))
    record = SessionRecord(
        store.recording(run)[0].record.began, "0", "resume", options={"rechecks": [], "planned_s": 1}
    )
    pen = store.reopen_run(run)
    pen.session(record)
    pen.finish("interrupted", record.began)
    go_on(store, run)

    assert store.run(run).state == "done"
    assert [one.told != () for one in same(store, run).sessions] == [True, False, True]


def hold_once(event: Event, stop: StopSwitch) -> None:
    if event.kind == "condition done" and event.facts["number"] == 1:
        stop.ask_hold("Ada")
    if event.kind == "paused":
        stop.ask_go_on("Bob")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("edits", "hear", "state", "said"),
    [
        ({}, hold_once, "done", "going on"),
        ({}, after(2, lambda stop: stop.ask_after_condition("Ada")), "stopped", "stopped"),
        ({}, after(1, stop_now, "returning"), "done", "returning"),
        (interlock('name = "board temperature"', "max_temperature_c = 30"), unheard, "tripped", "interlock"),
        (
            facts("longest_pause_s = 60")
            | interlock('name = "board temperature"', "max_temperature_c = 30", 'action = "pause"'),
            unheard,
            "stopped",
            "paused",
        ),
        (interlock('name = "run duration"', "max_duration_s = 700"), unheard, "done", "interlock"),
    ],
    ids=["held", "stopped after a condition", "stopped on its way home", "tripped", "paused too long", "warned"],
)
def test_wishes_and_interlocks_come_where_they_came(
    store: Store, edits: dict[str, str], hear: Hear, state: str, said: str
) -> None:
    """What people wish is heard at the same look, and a rule is broken by the same reading."""
    run = spend(edited_demo(FOUR | edits), store, hear)

    assert store.run(run).state == state
    assert of_kind(store, run, said)
    same(store, run)


@pytest.mark.slow
def test_a_disk_that_fills_trips_the_replay_too(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """How little was left is in the recording; the disk of today is not looked at."""
    left_mb = [1e6]
    monkeypatch.setattr(bench.job.Job, "free_mb", lambda self: left_mb[0])
    run = spend(edited_demo(FOUR), store, after(2, lambda stop: left_mb.__setitem__(0, 100.0)))
    left_mb[0] = 1e6

    assert store.run(run).state == "tripped"
    assert "100 MB" in of_kind(store, run, "tripped")[0].text
    same(store, run)


@pytest.mark.slow
@pytest.mark.parametrize(
    "edits", [{"[combiner]\n": METER + "[combiner]\n"}, {SCPI: MODBUS}], ids=["power meter", "Modbus chamber"]
)
def test_benches_with_other_instruments(store: Store, edits: dict[str, str]) -> None:
    """A power meter, and a chamber whose frames of Modbus are read anew by the same library."""
    setup = edited_demo(FOUR | edits)
    attached = dict(setup.bench.attachments) | {"chamber.registers.toml": TEXT}
    run = spend(replace(setup, bench=replace(setup.bench, attachments=attached)), store)

    assert store.run(run).state == "done"
    same(store, run)


@pytest.mark.slow
def test_a_through_replays(store: Store) -> None:
    """Without a unit, with the bench made safe first."""
    setup = edited_demo(FOUR)
    run = start_through(setup, "Ada", store, lambda event: None, StopSwitch(), lambda run, plan: None).run
    found = same(store, run)

    assert (found.conditions, found.decisions) == (2, 0)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["noise", "compression", "small-signal"])
def test_the_shipped_sequences_replay(store: Store, name: str) -> None:
    """Curves of a network analyzer, noise and compression."""
    run = spend(setup_from_files(demo_file(f"{name}.sequence.toml")), store)
    assert store.run(run).state == "done"
    same(store, run)


@pytest.mark.slow
def test_the_whole_demo_replays(store: Store) -> None:
    """Its 1,708 conditions, to the bit."""
    run = spend(setup_from_files(demo_file("overnight.sequence.toml")), store)
    found = same(store, run)
    assert found.conditions == store.run(run).total > 1500


OWN = """from drivers.meter import ScpiMeter


class OurMeter(ScpiMeter):
    pass
"""
TABLE = """[deviations]
describes = "a slow meter that does not tell when it is done"
gap_s = 0.02
operation_complete = { wait_s = 0.5 }
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo's files, with two conditions, a driver of somebody's own, and a table of deviations."""
    folder = tmp_path / "files"
    (folder / "my_drivers").mkdir(parents=True)
    (folder / "my_drivers" / "our_meter.py").write_text(OWN, "utf-8")
    (folder / "slow.toml").write_text(TABLE, "utf-8")
    names = ("quick.sequence.toml", "virga-2.part.toml", "nimbus.bench.toml")
    texts = {name: demo_file(name).read_text("utf-8") for name in names}
    at_room = {"temperature_c = [-40, 25, 85]": "temperature_c = 25"}  # which the drift's limit asks for
    for old, new in (TWO | at_room).items():
        texts[names[0]] = texts[names[0]].replace(old, new, 1)
    own = {
        "[bench]\n": '[bench]\ndrivers = "my_drivers"\n',
        "[instrument.current_meter]\n": '[instrument.current_meter]\ndriver = "our_meter:OurMeter"\n',
        "[instrument.board_thermometer]\n": '[instrument.board_thermometer]\ndeviations = "slow.toml"\n',
    }
    for old, new in own.items():
        assert old in texts[names[2]]
        texts[names[2]] = texts[names[2]].replace(old, new, 1)
    for name, text in texts.items():
        (folder / name).write_text(text, "utf-8")
    monkeypatch.chdir(tmp_path)
    return folder


@pytest.mark.slow
def test_own_drivers_and_tables_are_those_of_the_run_and_a_changed_driver_is_named(folder: Path, store: Store) -> None:
    """The folder lies where it lay, though nobody stands in it; the table is the run's own copy."""
    run = spend(setup_from_files(folder / "quick.sequence.toml"), store)
    assert store.run(run).state == "done"
    (folder / "slow.toml").unlink()
    same(store, run)

    (folder / "my_drivers" / "our_meter.py").write_text(OWN + "# a word more\n", "utf-8")
    assert "own drivers have changed since: drivers my_drivers/: our_meter.py was " in same(store, run).notes[0]

    asks_more = OWN.replace("    pass", "    def begin_reading(self) -> None:\n        self._messages.ask('*OPC?')")
    (folder / "my_drivers" / "our_meter.py").write_text(asks_more, "utf-8")
    (found,) = replayed(store, run).differences
    assert found.instrument == "current_meter"
    assert "'*OPC?'" in found.replayed
    assert "own drivers have changed since: drivers my_drivers/: our_meter.py was " in found.cause


@pytest.mark.slow
def test_a_wall_clock_that_was_set_is_set_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """An hour ahead in the midst of the night, and events date accordingly."""

    class SetClock(SimulatedClock):
        def now(self) -> datetime:
            return super().now() + timedelta(hours=1 if self.elapsed_s() > 300 else 0)

    with monkeypatch.context() as patch:
        began = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
        patch.setattr(bench.assemble, "clock_of", lambda bench, goes_on_from=None: SetClock(began))
        run = spend(edited_demo(TWO), store)
    heard = [one for one in store.recording(run)[0].exchanges if one.instrument == "clock"]

    assert [one.sent for one in heard if one.sent.startswith(b"set")] == [b"set 3600.0"]
    assert store.events(run)[-1].at > began + timedelta(hours=1)
    same(store, run)


# --- Faults


class FailingLink:
    """A link that is silent, or cut, while its place is among the faults."""

    def __init__(self, link: Link, place: str, faults: dict[str, str]) -> None:
        self._link = link
        self._place = place
        self._faults = faults

    @property
    def resource(self) -> str:
        return self._link.resource

    def send(self, data: bytes) -> None:
        self._check()
        self._link.send(data)

    def receive(self, timeout_s: float | None = None) -> bytes:
        self._check()
        if self._faults.get(self._place) == "silent":
            raise TimedOut("no reply", resource=self.resource)
        return self._link.receive(timeout_s)

    def clear(self) -> None:
        self._check()
        self._link.clear()

    def close(self) -> None:
        self._link.close()

    def _check(self) -> None:
        if self._faults.get(self._place) == "cut":
            raise LinkLost("the line broke", resource=self.resource)


def spend_with_fault(
    setup: Setup, store: Store, monkeypatch: pytest.MonkeyPatch, place: str, kind: str, heals: str = "never"
) -> str:
    """A night in which a line fails after the second condition.

    It heals at each retry if at all: for good, or until the bench stands ready for the same condition again.
    """
    faults: dict[str, str] = {}
    places = {entry.resource: name for name, entry in setup.bench.model.instrument.present.items()}
    struck: list[Event] = []

    def opened(manager: object, resource: str, *settings: object) -> Link:
        return FailingLink(open_resource(manager, resource, *settings), places[resource], faults)  # type: ignore[arg-type]

    def hear(event: Event, stop: StopSwitch) -> None:
        if event.kind == "condition done" and event.facts["number"] == 1 and not struck:
            struck.append(event)
            faults[place] = kind
        if event.kind in ("retrying", "skipped") and heals != "never":
            faults.clear()
            struck.append(event)
        if event.kind == "soak ended" and heals == "until ready" and struck and struck[-1].kind == "retrying":
            faults[place] = kind

    with monkeypatch.context() as patch:
        patch.setattr(bench.assemble, "open_resource", opened)
        return spend(setup, store, hear)


RETRY = ('on_fault = "retry"', "retries = 1", "retry_after_s = 10")


@pytest.mark.slow
@pytest.mark.parametrize(("place", "kind"), [("analyzer", "silent"), ("supply", "cut"), ("chamber", "silent")])
def test_a_line_that_fails_fails_again_with_the_same_words(
    store: Store, monkeypatch: pytest.MonkeyPatch, place: str, kind: str
) -> None:
    """Tripped, and resumed; nothing is waited for in real time."""
    run = spend_with_fault(edited_demo(FOUR), store, monkeypatch, place, kind)
    assert store.run(run).state == "tripped"
    same(store, run)
    go_on(store, run)
    assert store.run(run).state == "done"
    same(store, run)


@pytest.mark.slow
def test_a_fault_that_passes_is_retried_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Retreat, pause and a second bring-up."""
    run = spend_with_fault(edited_demo(FOUR | facts(*RETRY)), store, monkeypatch, "current_meter", "silent", "for good")
    assert of_kind(store, run, "retrying")
    assert store.run(run).state == "done"
    same(store, run)


@pytest.mark.slow
def test_conditions_that_were_skipped_are_skipped_again(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the same reasons, and measured when the run is resumed."""
    setup = edited_demo(FOUR | facts(*RETRY, 'on_failing_condition = "skip"'))
    run = spend_with_fault(setup, store, monkeypatch, "current_meter", "silent", "until ready")
    assert of_kind(store, run, "skipped")
    same(store, run)
    go_on(store, run)
    assert store.run(run).state == "done"
    same(store, run)


# --- What differs


def test_one_altered_message_is_named_with_all_around_it(
    night: tuple[Path, str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The first of them ends the replay: both messages, condition, instrument, number, time, and what came before."""
    path, run = night
    spoken = ScpiSpectrumAnalyzer.begin_power

    def altered(self: ScpiSpectrumAnalyzer, frequency_hz: float) -> None:
        spoken(self, frequency_hz + 1)

    monkeypatch.setattr(ScpiSpectrumAnalyzer, "begin_power", altered)
    with open_store(str(path)) as store:
        (found,) = replayed(store, run).differences

    assert found.what == "message"
    assert found.instrument == "analyzer"
    assert found.condition == 0
    assert found.number is not None
    assert found.at is not None
    assert ":SENS:FREQ:CENT" in found.recorded
    assert ":SENS:FREQ:CENT" in found.replayed
    assert found.recorded.partition("CENT")[2] != found.replayed.partition("CENT")[2]
    assert len(found.before) == 3
    assert all(line.startswith("analyzer #") for line in found.before)
    assert "the driver of analyzer" in found.cause

    assert run_guarded(app, ["replay", run, "--store", str(path)]) == ExitCode.DIFFERS
    shown = capsys.readouterr().out
    assert "recorded: analyzer #" in shown
    assert "channel A, code" in shown
    assert "0 decisions: ended by the first difference after " in shown


def test_a_tolerant_replay_goes_on_and_lists_the_message_once_with_how_often(
    night: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each altered message is sent now and was not recorded, and each recorded one is left; all else is as it was."""
    path, run = night
    spoken = ScpiSpectrumAnalyzer.prepare

    def altered(self: ScpiSpectrumAnalyzer) -> None:
        spoken(self)
        self._messages.tell(":DISP:ENAB 0")

    monkeypatch.setattr(ScpiSpectrumAnalyzer, "prepare", altered)
    with open_store(str(path)) as store:
        found = replayed(store, run, tolerant=True)

    assert {one.what for one in found.differences} == {"message"}
    new = [one for one in found.differences if ":DISP:ENAB 0" in one.replayed]
    assert [(one.instrument, one.kind, one.times) for one in new] == [("analyzer", "too many", 1)]
    assert found.conditions == 2
    assert found.report is not None


@pytest.mark.slow
def test_a_tolerant_replay_of_the_same_finds_nothing(night: tuple[Path, str]) -> None:
    """Each message takes its own."""
    path, run = night
    with open_store(str(path)) as store:
        assert replayed(store, run, tolerant=True).differences == ()


def alter(path: Path, statement: str) -> None:
    with closing(sqlite3.connect(path)) as database, database:
        assert database.execute(statement).rowcount == 1


def test_one_reading_that_was_altered_by_one_bit_is_one_reading_and_what_follows_from_it(
    copy: tuple[Path, str],
) -> None:
    """A reading of the supply's voltage decides nothing and is one difference; a supply current is more than one."""
    path, run = copy
    one_of = "(SELECT condition_id, repeat, quantity_id FROM reading JOIN quantity ON quantity.id = quantity_id "
    where = "WHERE (condition_id, repeat, quantity_id) = " + one_of + "WHERE name = 'sensor_temperature_c' LIMIT 1)"
    where = where.replace("sensor_temperature_c", "air_temperature_c")
    alter(path, f"UPDATE reading SET value = value * (1 + 3e-16) {where}")
    with open_store(str(path)) as store:
        found = replayed(store, run).differences

    assert [one.what for one in found] == ["reading"]
    assert "air_temperature_c" in found[0].where
    assert found[0].recorded != found[0].replayed


def test_a_gap_in_a_recording_is_told_as_damage(copy: tuple[Path, str]) -> None:
    """Exchanges count up, so one commit that is gone shows."""
    path, run = copy
    alter(path, "DELETE FROM exchange WHERE id = (SELECT id FROM exchange WHERE condition_id IS NOT NULL LIMIT 1)")
    with open_store(str(path)) as store:
        (found,) = (one for one in replayed(store, run).differences if one.what == "message")

    assert "the recording is damaged: exchange" in found.cause


def test_a_block_that_cannot_be_read_is_refused(copy: tuple[Path, str]) -> None:
    """One line, and no traceback."""
    path, run = copy
    alter(path, "UPDATE exchange SET payload = x'00' WHERE id = (SELECT min(id) FROM exchange)")
    with open_store(str(path)) as store, pytest.raises(BenchError, match="damaged"):
        replayed(store, run)


@pytest.mark.parametrize("level", ["failures", "none"])
def test_a_recording_that_is_not_whole_is_refused_with_its_level(store: Store, level: str) -> None:
    """Nothing is guessed."""
    run = spend(edited_demo(FOUR | facts(f'recording = "{level}"')), store)
    with pytest.raises(BenchError, match=f"'{level}'.*cannot be replayed"):
        replayed(store, run)


# --- Of an older version


def test_a_recording_of_an_older_version_replays(tmp_path: Path) -> None:
    """Schema 0005 kept neither waits nor wishes: waits last as they should, and the stop is where it fits.

    That version did not bring the chamber home at its end, which is said; every reading and decision is the same.
    """
    with open_store(str(kept_store("0005", tmp_path))) as store:
        found = same(store, RUN_0005)

    assert (found.conditions, found.readings, found.decisions) == (4, 164, 17)
    assert len(found.sessions) == 2
    assert any("stopped by a person" in text for text in found.notes)
    assert any("older version, which ended here" in text for text in found.notes)


# --- The command


@pytest.mark.slow
def test_the_command_answers_machines_and_writes_a_report_that_says_what_it_is(
    night: tuple[Path, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One object with an empty list of differences; the page's head says that it is a replay."""
    path, run = night
    code = run_guarded(app, ["replay", run[:8], "--store", str(path), "--to", str(tmp_path / "again"), "--json"])
    answer = json.loads(capsys.readouterr().out)

    assert code == ExitCode.DONE
    assert answer["run"] == run
    assert answer["differences"] == []
    assert (answer["conditions"], answer["decision"]) == (2, "pass")
    page = Path(answer["report"]).read_text("utf-8")
    assert "This is a replay. Compared were 2 conditions" in page
