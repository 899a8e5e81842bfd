"""A run that must not start does not, and nothing is opened; one that is acknowledged has it on record."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

import bench.night
from bench.acknowledgements import Acknowledged, accept
from bench.assemble import OpenBench, open_bench
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.errors import HazardsRefused, Stopped
from bench.events import Event
from bench.exit_codes import ExitCode, of_error
from bench.hazard import Hazard, Severity
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.reporting import report_of
from bench.store.store import Store, open_store
from drivers.simulated.rig import Rig
from reports.page_html import page_html
from sequences.bench_file import Bench
from sequences.read_files import Setup, demo_file

UNIT = "VG2-0007"
MakeSetup = Callable[..., Setup]

#: Two conditions: the night is not what is looked at here.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 0",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}
NAMES = ("limiter", "unattended")


@pytest.fixture
def as_real(monkeypatch: pytest.MonkeyPatch) -> None:
    """The rig in this process, but judged as instruments that can hurt somebody."""
    monkeypatch.setattr(Bench, "is_simulated", property(lambda self: False))


@pytest.fixture
def rigs(monkeypatch: pytest.MonkeyPatch) -> list[Rig]:
    kept: list[Rig] = []

    @contextlib.contextmanager
    def keep(*arguments: Any, **named: Any) -> Iterator[OpenBench]:
        with open_bench(*arguments, **named) as opened:
            assert opened.rig is not None
            kept.append(opened.rig)
            yield opened

    monkeypatch.setattr(bench.night, "open_bench", keep)
    return kept


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


def nothing(*_: object) -> None:
    pass


def start(setup: Setup, store: Store, *acknowledged: str, by: str = "Ada") -> str:
    return start_run(setup, UNIT, by, store, nothing, StopSwitch(), nothing, acknowledged).run


def hazard(name: str, severity: Severity = "warning", *, acknowledge: bool = False) -> Hazard:
    return Hazard(severity, name, name.title(), f"cause of {name}", "harm", f"mend {name}", "source", acknowledge)


@pytest.mark.usefixtures("as_real")
@pytest.mark.parametrize(
    ("acknowledged", "by", "said"),
    [
        ((), "Ada", "--acknowledge limiter --acknowledge unattended"),
        (("limiter",), "Ada", "If that has been done: --acknowledge unattended"),
        (("limiter", "unatended"), "Ada", "no hazard is called 'unatended'; the nearest is unattended"),
        (NAMES, " ", "say who with --operator NAME"),
    ],
)
def test_a_run_that_nobody_has_acknowledged_opens_nothing(
    make_setup: MakeSetup, store: Store, rigs: list[Rig], acknowledged: tuple[str, ...], by: str, said: str
) -> None:
    """No rig was made, so that its journal of what was switched on does not even exist; nor is there a run."""
    with pytest.raises(HazardsRefused) as caught:
        start(make_setup(SMALL), store, *acknowledged, by=by)

    assert said in str(caught.value)
    assert of_error(caught.value) is ExitCode.BAD_INPUT
    assert (rigs, store.runs()) == ([], ())


@pytest.mark.usefixtures("as_real")
def test_a_blocking_hazard_is_mended_not_acknowledged(make_setup: MakeSetup, store: Store, rigs: list[Rig]) -> None:
    """A limiter of which nobody says where it stands."""
    setup = make_setup({**SMALL, "limiter_c = 95\n": ""})
    with pytest.raises(HazardsRefused) as caught:
        start(setup, store, *NAMES)

    text = str(caught.value)
    assert "nothing was switched on" in text
    assert "limiter_c in the bench file" in text
    assert "It does not help to acknowledge limiter." in text
    assert caught.value.names == ("limiter",)
    assert (rigs, store.runs()) == ([], ())


@pytest.mark.usefixtures("as_real")
def test_an_acknowledgement_is_on_record_with_operator_and_time(
    make_setup: MakeSetup, store: Store, rigs: list[Rig], tmp_path: Path
) -> None:
    """In the table, among the events before anything is switched on, in the report's table of hazards."""
    run = start(make_setup(SMALL), store, *NAMES, "condensation")

    began = store.run(run).began
    with contextlib.closing(sqlite3.connect(tmp_path / "night.db")) as database:
        rows = database.execute("SELECT hazard, operator FROM acknowledgement ORDER BY id").fetchall()
    assert sorted(rows) == [("limiter", "Ada"), ("unattended", "Ada")], "what the run does not have is not recorded"
    events = store.events(run)
    kinds = [event.kind for event in events]
    said = [event for event in events if event.kind == "acknowledged"]
    assert {(event.facts["hazard"], event.facts["operator"], event.at) for event in said} == {
        (name, "Ada", began) for name in NAMES
    }
    assert kinds.index("acknowledged") < kinds.index("bring-up")
    notes = {note.name: note for note in store.frames(run).hazards}
    assert notes["limiter"].acknowledged == f"Ada, {began:%Y-%m-%d %H:%M} UTC"
    assert notes["powered-unit"].acknowledged == ""
    page = page_html(report_of(store, run), ())
    assert f"<td>Ada, {began:%Y-%m-%d %H:%M} UTC</td>" in page
    assert any(entry.what == "bias on" for entry in rigs[0].journal), "the journal would show what was switched on"


@pytest.mark.usefixtures("as_real")
def test_whoever_resumes_acknowledges_anew(make_setup: MakeSetup, store: Store, rigs: list[Rig]) -> None:
    """Another hour, perhaps another person: both stand beside the hazard."""
    setup = make_setup(SMALL)
    stop = StopSwitch()

    def hear(event: Event) -> None:
        if event.kind == "condition done":
            stop.ask()

    with pytest.raises(Stopped):
        start_run(setup, UNIT, "Ada", store, hear, stop, nothing, NAMES)
    run = store.runs()[0].id
    with pytest.raises(HazardsRefused):
        resume_run(store, run, nothing, StopSwitch(), nothing)
    assert len(rigs) == 1, "nothing was opened"

    resume_run(store, run, nothing, StopSwitch(), nothing, said=Acknowledged(NAMES, "Grace"))

    notes = {note.name: note.acknowledged for note in store.frames(run).hazards}
    assert [one.split(",")[0] for one in notes["limiter"].split("; ")] == ["Ada", "Grace"]


def test_a_simulated_bench_needs_no_acknowledgement(make_setup: MakeSetup, store: Store) -> None:
    """Nor an operator; nothing is recorded."""
    run = start(make_setup({**SMALL, "limiter_c = 95\n": ""}), store, by="")

    assert store.run(run).state == "done"
    assert not any(note.acknowledged for note in store.frames(run).hazards)


def test_blocking_ones_are_told_before_those_to_be_acknowledged() -> None:
    """One thing at a time: what cannot be acknowledged first."""
    found = (hazard("limiter", acknowledge=True), hazard("clock", "blocking"))
    with pytest.raises(HazardsRefused, match=r"clock: cause of clock. To mend it: mend clock") as caught:
        accept(found, Acknowledged(("limiter",), "Ada"))
    assert "It does not help" not in str(caught.value)


def test_what_needs_no_acknowledgement_is_not_asked_for() -> None:
    """Warnings and notes are shown, no more; their names do no harm."""
    found = (hazard("condensation"), hazard("static-discharge", "note"))

    assert accept(found, Acknowledged()) == ()
    assert accept(found, Acknowledged(("condensation", "liquid-nitrogen"))) == ()


def test_the_command_ends_with_2_and_says_what_to_type(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A bench of real addresses that do not exist: had anything been opened, it would end with 4 and not with 2."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NIGHTBENCH_OPERATOR", raising=False)
    for file in ("quick.sequence.toml", "virga-2.part.toml", "nimbus.bench.toml"):
        text = demo_file(file).read_text("utf-8")
        text = text.replace('visa_library = "@sim"\nclock = "simulated"', 'visa_library = "@py"')
        (tmp_path / file).write_text(text, encoding="utf-8")
    words = ["run", "quick.sequence.toml", "--unit", UNIT, "--no-report"]
    run_guarded(app, ["plan", "quick.sequence.toml"])
    planned = capsys.readouterr().out
    assert "Start only with --acknowledge limiter." in " ".join(planned.split())
    assert "a run starts with: --operator NAME --acknowledge limiter --acknowledge unattended\n" in planned
    run_guarded(app, ["plan", "quick.sequence.toml", "--json"])
    assert json.loads(capsys.readouterr().out)["to_start"] == {"mend": [], "acknowledge": list(NAMES)}

    assert run_guarded(app, words) == ExitCode.BAD_INPUT
    err = capsys.readouterr().err
    assert "--acknowledge limiter --acknowledge unattended" in err
    assert "Traceback" not in err
    assert run_guarded(app, [*words, "--acknowledge", "limitr"]) == ExitCode.BAD_INPUT
    assert "the nearest is limiter" in capsys.readouterr().err
