"""What the developers' guide shows for an instrument of one's own: in a folder of its own, over the contract suite, and
in a night.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest
from other_words import OtherWords, in_other_words, served

import drivers.simulated.front_ends
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.clocks import SimulatedClock
from bench.errors import Stopped
from bench.events import Event
from bench.exit_codes import ExitCode
from bench.job import StopSwitch
from bench.night import start_run
from bench.reporting import report_of
from bench.setups import setup_from_files
from bench.simulated_bench import rig_setup
from bench.store.store import open_store
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.rig import Rig
from reports.summary import Report
from sequences.read_files import demo_file, read_bench, read_part
from served_rig import served_rig

ROOT = Path(__file__).parents[2]
UNIT = "VG2-0007"
TABLE = "our-source.toml"
MOST_LINES = 40


def shown(language: str, holding: str) -> str:
    """The block of the guide that holds some words."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    blocks: list[str] = re.findall(rf"^```{language}\n(.*?)^```", text, re.M | re.S)
    return next(block for block in blocks if holding in block)


def driver_word() -> str:
    found = re.search(r'^driver = "([\w.]+:\w+)"$', shown("toml", "drivers ="), re.M)
    assert found
    return found[1]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A person's folder: the guide's driver and table, and the demo's files."""
    module = driver_word().partition(":")[0]
    source = tmp_path / "my_drivers" / f"{module.replace('.', '/')}.py"
    source.parent.mkdir(parents=True)
    source.write_text(shown("python", "class RelayBox"), encoding="utf-8")
    (tmp_path / TABLE).write_text(shown("toml", "[deviations]"), encoding="utf-8")
    for name in ("virga-2.part.toml", "quick.sequence.toml", "nimbus.bench.toml"):
        (tmp_path / name).write_text(demo_file(name).read_text("utf-8"), encoding="utf-8")
    return tmp_path


def with_own_instruments(text: str) -> str:
    """The demo's bench file with the guide's driver and table."""
    text = text.replace("[bench]\n", '[bench]\ndrivers = "my_drivers"\n')
    text = text.replace("[instrument.tone_2]\n", f'[instrument.tone_2]\ndeviations = "{TABLE}"\n')
    text = text.replace('serial = "NS-601"\n', "")  # the relay box knows no serial number
    return text.replace("[instrument.load_switch]\n", f'[instrument.load_switch]\ndriver = "{driver_word()}"\n')


def on_ports(text: str, ports: Mapping[str, int]) -> str:
    """The bench file with the instruments of ``ports`` alone, where they are served, without a simulation."""
    tables = re.split(r"(?=^\[)", text.replace('"@sim"', '"@py"').replace('"simulated"', '"real"'), flags=re.M)
    kept = []
    for table in tables:
        place = re.match(r"\[instrument\.(\w+)\]", table)
        if table.startswith("[simulation") or (place is not None and place[1] not in ports):
            continue
        if place is not None:
            address = f'resource = "TCPIP0::127.0.0.1::{ports[place[1]]}::SOCKET"'
            table = re.sub(r"^resource = .*$", address, table, flags=re.M)
        kept.append(table)
    return "".join(kept)


@pytest.fixture
def peers() -> Iterator[dict[str, int]]:
    """The relay box and the tone source behind sockets, before a rig of the demo's bench."""

    def make_rig(clock: SimulatedClock) -> tuple[Rig, Mapping[str, FrontEnd]]:
        part = read_part(demo_file("virga-2.part.toml")).model
        rig = Rig(rig_setup(part, read_bench(demo_file("nimbus.bench.toml")), UNIT), clock)
        return rig, drivers.simulated.front_ends.front_ends(rig)

    with served(make_rig) as ports:
        yield ports


def run_suite(folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pytest", "-p", "bench.contract.options", "-p", "no:cacheprovider", "-rs"]
    command += ["--pyargs", "bench.contract", *options]
    return subprocess.run(
        command, cwd=folder, env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=False
    )


def test_the_driver_that_the_guide_shows_is_short() -> None:
    """Under 40 lines, with its imports."""
    assert len(shown("python", "class RelayBox").splitlines()) < MOST_LINES


@pytest.mark.parametrize("switch_on", [pytest.param(False, marks=pytest.mark.slow), True])
def test_what_the_guide_shows_passes_the_contract_suite(
    folder: Path, peers: dict[str, int], *, switch_on: bool
) -> None:
    """In another process and another folder, over sockets, with nothing but a bench file."""
    text = with_own_instruments((folder / "nimbus.bench.toml").read_text("utf-8"))
    (folder / "own.bench.toml").write_text(on_ports(text, peers), encoding="utf-8")
    done = run_suite(folder, "--bench", "own.bench.toml", *(["--switch-on"] if switch_on else []))

    assert done.returncode == 0, done.stdout
    assert ("outputs were on" in done.stdout) is switch_on
    assert ("nothing was switched on" in done.stdout) is not switch_on
    assert ("it would switch something on" in done.stdout) is not switch_on  # each skipped check says why
    assert "it looks at SCPI messages, and this driver has words of its own" in done.stdout
    assert "tone_2, by its table of deviations: it has no event register" in done.stdout


@pytest.mark.slow
def test_the_served_rig_passes_the_contract_suite(tmp_path: Path) -> None:
    """Every place of the shipped bench, over its sockets: our own drivers as an author would look at them."""
    with served_rig() as rig:
        done = run_suite(tmp_path, "--bench", str(rig.bench_file), "--switch-on")

    assert done.returncode == 0, done.stdout
    assert "skipped" not in done.stdout.splitlines()[-1]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ([], "the suite needs a bench file: pytest --pyargs bench.contract --bench"),
        pytest.param(["--bench", "nothing.toml"], "there is no file nothing.toml", marks=pytest.mark.slow),
        pytest.param(
            ["--bench", "nimbus.bench.toml", "--place", "tone_3"],
            "the bench has no tone_3; it has tone_1",
            marks=pytest.mark.slow,
        ),
        pytest.param(["--bench", "virga-2.part.toml"], "a part file", marks=pytest.mark.slow),
    ],
)
def test_the_contract_suite_says_what_it_needs(folder: Path, options: list[str], said: str) -> None:
    """One line, and no traceback."""
    done = run_suite(folder, *options)

    assert done.returncode == pytest.ExitCode.USAGE_ERROR
    assert said in done.stderr
    assert "Traceback" not in done.stdout + done.stderr


@pytest.mark.slow
def test_the_contract_suite_finds_a_driver_that_does_not_keep_its_role(folder: Path, peers: dict[str, int]) -> None:
    """A relay box that takes a relay's word for it: the suite must not pass it."""
    source = next((folder / "my_drivers").rglob("*.py"))
    text = source.read_text("utf-8")
    assert "!= (route,)" in text
    source.write_text(text.replace("!= (route,)", "== 'never'"), encoding="utf-8")
    own = with_own_instruments((folder / "nimbus.bench.toml").read_text("utf-8"))
    (folder / "own.bench.toml").write_text(on_ports(own, peers), encoding="utf-8")
    done = run_suite(folder, "--bench", "own.bench.toml", "--place", "load_switch")

    assert done.returncode == pytest.ExitCode.TESTS_FAILED
    assert "test_a_route_that_does_not_exist_is_refused[load_switch]" in done.stdout


def report_of_night(folder: Path, bench: str) -> Report:
    setup = setup_from_files(folder / "quick.sequence.toml", folder / bench)
    with open_store(str(folder / f"{bench}.db")) as store:
        night = start_run(setup, UNIT, "", store, lambda event: None, StopSwitch(), lambda run, plan: None)
        return report_of(store, night.run)


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> list[OtherWords]:
    """From now on the rig's relay box and second tone source understand their own words only."""
    plain: Callable[[Rig], dict[str, FrontEnd]] = drivers.simulated.front_ends.front_ends
    made: list[OtherWords] = []

    def speaking(rig: Rig) -> dict[str, FrontEnd | OtherWords]:
        ends = in_other_words(plain(rig))
        made.extend(end for end in ends.values() if isinstance(end, OtherWords))
        return ends

    monkeypatch.setattr(drivers.simulated.front_ends, "front_ends", speaking)
    return made


@pytest.mark.parametrize("step", [15, pytest.param(5, marks=pytest.mark.slow)])
def test_a_night_with_instruments_of_ones_own_decides_as_the_ordinary_one(
    folder: Path, heard: list[OtherWords], monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """The same limits with the same decisions at the same conditions, and not one word of SCPI to the two of them.

    With every fifteenth gain code; the whole quick night where time allows.
    """
    sequence = folder / "quick.sequence.toml"
    assert "step = 5 }" in sequence.read_text("utf-8")
    sequence.write_text(sequence.read_text("utf-8").replace("step = 5 }", f"step = {step} }}"), encoding="utf-8")
    text = (folder / "nimbus.bench.toml").read_text("utf-8")
    (folder / "own.bench.toml").write_text(with_own_instruments(text), encoding="utf-8")
    own = report_of_night(folder, "own.bench.toml")
    told = [message for end in heard for message in end.heard]
    monkeypatch.undo()
    ordinary = report_of_night(folder, "nimbus.bench.toml")

    assert ordinary.decision == "pass"
    assert own.decision == ordinary.decision
    assert [(limit.characteristic, limit.decision, limit.conditions) for limit in own.limits] == [
        (limit.characteristic, limit.decision, limit.conditions) for limit in ordinary.limits
    ]
    assert {message.partition(" ")[0] for message in told} == {
        *("WHO?", "TAKE", "WHICH?", "ID?", "ERR?", "OUT", "OUT?", "LVL", "LVL?", "MAX", "FRQ")
    }
    assert any(caveat.startswith("tone_2, by its table of deviations") for caveat in own.caveats)
    assert not any("table of deviations" in caveat for caveat in ordinary.caveats)


def test_a_resumed_night_wants_a_changed_table_accepted_and_goes_on_with_the_one_that_it_began_with(
    folder: Path, heard: list[OtherWords], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The table is in the store; the drivers' folder is found from the folder of the bench file."""
    monkeypatch.chdir(folder)
    bench, sequence = folder / "nimbus.bench.toml", folder / "quick.sequence.toml"
    bench.write_text(with_own_instruments(bench.read_text("utf-8")), encoding="utf-8")
    text = sequence.read_text("utf-8").replace("step = 5 }", "step = 15 }").replace("[-40, 25, 85]", "25")
    sequence.write_text(text, encoding="utf-8")
    stop = StopSwitch()

    def hear(event: Event) -> None:
        if event.kind == "condition done":
            stop.ask()

    with open_store("nightbench.db") as store, pytest.raises(Stopped):
        start_run(setup_from_files(sequence), UNIT, "", store, hear, stop, lambda run, plan: None)
    (folder / TABLE).write_text("[deviations]\n", encoding="utf-8")
    (source,) = (folder / "my_drivers").rglob("*.py")
    source.write_text(f"{source.read_text('utf-8')}# by another hand\n", encoding="utf-8")
    (folder / "my_drivers" / "another.py").write_text("", encoding="utf-8")
    before = sum(len(end.heard) for end in heard)
    refused = run_guarded(app, ["resume", "latest", "--json", "--no-report"])
    asked = capsys.readouterr().err
    assert refused == ExitCode.BAD_INPUT
    assert f"{TABLE}: line 2 was" in asked
    file = source.relative_to(folder / "my_drivers").as_posix()
    assert re.search(rf"drivers my_drivers/: {re.escape(file)} was [0-9a-f]{{12}}, is [0-9a-f]{{12}}\n", asked)
    assert re.search(r"drivers my_drivers/: another.py was nothing, is [0-9a-f]{12}\n", asked)
    assert "--accept-change" in asked
    assert sum(len(end.heard) for end in heard) == before

    code = run_guarded(app, ["resume", "latest", "--json", "--no-report", "--accept-change"])
    said = capsys.readouterr()
    assert code == ExitCode.DONE, said.err
    assert f"change accepted: {TABLE}: line 2 was" in said.err
    assert sum(len(end.heard) for end in heard) > before
    assert all(":" not in message for end in heard for message in end.heard)
