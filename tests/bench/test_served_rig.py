"""``nightbench simulate``: a rig behind sockets, its command, its control line, and nights over the network."""

from __future__ import annotations

import io
import json
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from bench.assemble import clock_of
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.clocks import RealClock, ScaledClock
from bench.errors import BenchError
from bench.job import StopSwitch
from bench.night import start_run
from bench.reporting import report_of
from bench.served_rig import moved_bench, open_rig
from bench.setups import setup_from_files
from bench.store.store import open_store
from reports.summary import Report
from sequences.read_files import demo_file, parse_bench, read_bench, read_part
from served_rig import ControlFault, ServedRig, served_rig

PART = demo_file("virga-2.part.toml")
SOCKETS = demo_file("sockets.bench.toml")
_COMMAND = [sys.executable, "-c", "from bench.cli import main; main()"]
SIMULATE, RUN = [*_COMMAND, "simulate"], [*_COMMAND, "run"]


# --- The command


@contextmanager
def simulating(*words: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen([*SIMULATE, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_simulate_says_where_everything_is_and_ends_at_a_signal(number: signal.Signals, tmp_path: Path) -> None:
    """One line for each instrument, then that it is ready; and without a word, with exit code 0."""
    moved = tmp_path / "moved.bench.toml"
    with simulating(str(SOCKETS), "--free-ports", "--to", str(moved)) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(12)]
        places = read_bench(moved).model.instrument.present
        port = int(lines[0].rpartition(" ")[2])
        with socket.create_connection(("127.0.0.1", port)) as client, client.makefile("rb") as replies:
            client.sendall(b"*IDN?\n")
            identity = replies.readline()
            process.send_signal(number)
            ended = replies.readline()
        out, err = process.communicate(timeout=30)

    assert [line.split(":")[0] for line in lines] == [*places, "ready"]
    assert lines[-1] == "ready: Nimbus is served, 600 times faster than real time; Ctrl-C ends it\n"
    assert places["tone_1"].resource == f"TCPIP0::127.0.0.1::{port}::SOCKET"
    assert identity == b"NIGHTBENCH,SIMULATED-TONE-SOURCE,NS-101,0.1\n"
    assert (process.returncode, out, err, ended) == (0, "", "", b"")


def test_simulate_tells_machines_its_ports_and_stops_when_told() -> None:
    """One JSON object once it is ready; ``stop`` on the control line ends it like a signal."""
    with served_rig(in_process=False) as rig:
        answer = rig.control("stop")

    assert set(rig.ports) == set(read_bench(SOCKETS).model.instrument.present)
    assert answer == {"stopped": True}


def simulate_fails(*words: str) -> tuple[int, str]:
    """Exit code and words of a command that serves nothing."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, ["simulate", *words])
    assert out.getvalue() == ""
    return code, err.getvalue()


def test_a_bench_in_the_process_of_the_run_is_not_served() -> None:
    """Named with each instrument that is not at a socket of this machine, and not a line for each."""
    bench = demo_file("nimbus.bench.toml")
    code, said = simulate_fails(str(bench))

    assert code == 2
    assert len(said.splitlines()) == 2
    assert all(place in said for place in read_bench(bench).model.instrument.present)
    assert "[bench] visa_library: this rig lives in the process of the run and cannot be served" in said
    assert '[instrument.tone_1] resource: found "TCPIP0::tone-1.nimbus.example::5025::SOCKET"' in said
    assert "allowed a socket of this machine, such as TCPIP::127.0.0.1::5101::SOCKET" in said


@pytest.mark.parametrize("words", [["--free-ports"], ["--to", "x.toml"], ["--unit", "VG2-0007", "--through"]])
def test_options_that_need_or_exclude_each_other_are_a_usage_error(words: list[str]) -> None:
    """Free ports without a file would be found by nobody."""
    code, said = simulate_fails(str(SOCKETS), *words)

    assert code == 2
    assert "give" in said


# --- Opening


def test_a_taken_port_is_named_with_its_instrument(tmp_path: Path) -> None:
    """Two rigs at one bench file's ports: the second is refused, and nothing of it stays open."""
    part = read_part(PART).model
    first = open_rig(read_bench(SOCKETS), part, "VG2-0007", free_ports=True)
    try:
        loaded = parse_bench(moved_bench(read_bench(SOCKETS), first.addresses), "second.bench.toml")
        with pytest.raises(BenchError, match=r"tone_1: port \d+ of 127.0.0.1 cannot be had \(Address already in use\)"):
            open_rig(loaded, part, "VG2-0007")
    finally:
        first.server.close()


def test_a_real_clock_serves_in_real_time() -> None:
    """The same bench file without a speed."""
    text = SOCKETS.read_text("utf-8").replace('clock = "scaled"', 'clock = "real"')
    loaded = parse_bench("".join(line for line in text.splitlines(keepends=True) if not line.startswith("speed")))
    opened = open_rig(loaded, read_part(PART).model, "VG2-0007", free_ports=True)
    opened.server.close()

    assert isinstance(opened.rig.clock, RealClock)
    assert isinstance(clock_of(read_bench(SOCKETS).model), ScaledClock)


def test_a_moved_bench_names_its_files_by_their_whole_path(tmp_path: Path) -> None:
    """So it may lie anywhere; whatever is not an address or a file is as it was."""
    network = demo_file("nimbus-network.bench.toml")
    text = network.read_text("utf-8").replace("@sim", "@py").replace('clock = "simulated"', 'clock = "real"')
    text = text.replace('clock = "real"', 'clock = "real"\ndrivers = "own"')
    folder = tmp_path / 'bench of "Ada"'
    folder.mkdir()
    for attachment in network.parent.glob("*.s2p"):
        (folder / attachment.name).write_text(attachment.read_text("ascii"), "ascii")
    for number in range(1, text.count("resource = ") + 1):
        text = text.replace(".example::5025::", f".example::{5200 + number}::", 1)
    hosts = {entry.resource.split("::")[1] for entry in parse_bench(text).model.instrument.present.values()}
    for host in hosts:
        text = text.replace(f"::{host}::", "::127.0.0.1::")
    (folder / "own.bench.toml").write_text(text, "utf-8")
    loaded = read_bench(folder / "own.bench.toml")
    addresses = {place: ("127.0.0.1", 6000 + at) for at, place in enumerate(loaded.model.instrument.present)}
    (tmp_path / "moved.bench.toml").write_text(moved_bench(loaded, addresses), "utf-8")
    moved = read_bench(tmp_path / "moved.bench.toml")

    assert moved.model.bench.drivers == str(folder / "own")
    assert sorted(moved.attachments) == sorted(str(folder / name) for name in loaded.attachments)
    assert sorted(moved.attachments.values()) == sorted(loaded.attachments.values())
    assert [entry.resource for entry in moved.model.instrument.present.values()] == [
        f"TCPIP0::127.0.0.1::{port}::SOCKET" for _, port in addresses.values()
    ]


# --- The control line


@pytest.fixture(scope="module")
def rig() -> Iterator[ServedRig]:
    """One rig for the tests that leave it as it was."""
    with served_rig() as served:
        yield served


def test_the_log_has_what_matters_for_safety_in_order(rig: ServedRig) -> None:
    """Time on the rig's clock, place and words, as the rig noted them."""
    before = len(rig.log())
    with socket.create_connection(("127.0.0.1", rig.ports["tone_2"])) as client, client.makefile("rb") as replies:
        client.sendall(b":OUTP ON;:OUTP?\n")
        replies.readline()
        on = rig.truth()
        client.sendall(b":OUTP OFF;:OUTP?\n")
        replies.readline()
    entries = rig.log()[before:]

    assert [(place, what) for _, place, what in entries] == [("tone_2", "rf on"), ("tone_2", "rf off")]
    assert entries[0][0] < on["at_s"] < entries[1][0]
    assert on["rf_on"] == {"tone_1": False, "tone_2": True}
    assert rig.truth()["rf_on"] == {"tone_1": False, "tone_2": False}


def test_truth_tells_temperatures_bias_and_passed_ratings(rig: ServedRig) -> None:
    """A cold bench: everything at room temperature and off."""
    truth = rig.truth()

    assert (truth["bias_on"], truth["supply_v"], truth["conditioning"], truth["exceeded"]) == (False, 0.0, False, {})
    assert truth["air_c"] == truth["board_c"] == truth["die_c"] == pytest.approx(23.0, abs=2.0)


def test_faults_are_switched_on_listed_and_healed(rig: ServedRig) -> None:
    """Each answer holds those in force; ``faults`` also says which kinds there are."""
    on = rig.control("fault analyzer late 3 x2")
    listed = rig.control("faults")
    off = rig.control("fault analyzer none")

    assert on == {"faults": {"analyzer": ["late"]}}
    assert listed["faults"] == on["faults"]
    assert "silence" in listed["kinds"]
    assert off == {"faults": {}}


@pytest.mark.parametrize(
    "command", ["", "fault", "fault analyzer", "fault nobody silence", "fault chamber sleep", "STOP"]
)
def test_what_the_control_line_does_not_know_is_answered_with_an_error(rig: ServedRig, command: str) -> None:
    """With what there is; and the line goes on."""
    with pytest.raises(ControlFault, match="there are"):
        rig.control(command)
    assert rig.control("faults")["faults"] == {}


def test_a_refused_port_can_be_opened_again(rig: ServedRig) -> None:
    """Open connections end, new ones are refused, until it is healed."""
    address = ("127.0.0.1", rig.ports["supply"])
    with socket.create_connection(address) as client:
        client.sendall(b"*IDN?\n")
        answered = client.recv(100)
        rig.control("fault supply refused")
        ended = client.recv(100)
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(address)
        rig.control("fault supply none")
        with socket.create_connection(address) as again:
            again.sendall(b"*IDN?\n")
            heard = again.recv(100)

    assert (answered, ended) == (heard, b"")


# --- Nights


#: On a fast clock a hiccup of this machine is a long time; the soaks of these nights may take it.
PATIENT = ("longest_min = 90", "longest_min = 9000")


def patient(name: str, folder: Path) -> Path:
    """A demo sequence whose soaks do not give up."""
    text = demo_file(name).read_text("utf-8")
    assert text.count(PATIENT[0]) == 1
    for file in ("virga-2.part.toml", "nimbus.bench.toml"):
        text = text.replace(f'"{file}"', json.dumps(str(demo_file(file))))
    written = folder / name
    written.write_text(text.replace(*PATIENT), "utf-8")
    return written


def report_in(store_file: Path) -> Report:
    """Report of the latest run of a store."""
    with open_store(str(store_file), must_exist=True) as store:
        return report_of(store, store.find_run("latest"))


def decisions(report: Report) -> list[tuple[object, ...]]:
    return [(limit.characteristic, limit.where, limit.decision, limit.conditions) for limit in report.limits]


@pytest.mark.slow
@pytest.mark.waits
def test_a_night_over_sockets_decides_as_one_in_process(tmp_path: Path) -> None:
    """Every limit of the quick sequence, through pyvisa-py; RF and bias are off at the end."""
    sequence = patient("quick.sequence.toml", tmp_path)

    def night(name: str, bench: Path | None) -> Report:
        with open_store(str(tmp_path / name), must_exist=False) as store:
            setup = setup_from_files(sequence, bench)
            made = start_run(setup, "VG2-0007", "Ada", store, lambda event: None, StopSwitch(), lambda run, plan: None)
            return report_of(store, made.run)

    with served_rig(speed=6000) as rig:
        served = night("served.db", rig.bench_file)
        truth = rig.truth()

    assert decisions(served) == decisions(night("in process.db", None))
    assert (truth["rf_on"], truth["bias_on"]) == ({"tone_1": False, "tone_2": False}, False)
    assert truth["exceeded"] == {}


@pytest.mark.slow
@pytest.mark.waits
def test_the_demo_night_over_sockets_decides_as_the_demo(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both units of the demo, each rig and each run in a process of its own; all at once, as they mostly wait."""
    sequence = patient("overnight.sequence.toml", tmp_path)
    units = ("VG2-0007", "VG2-0013")

    def night(unit: str, bench: Path | None) -> dict[str, Any]:
        store = tmp_path / f"{'served' if bench else 'in process'} {unit}.db"
        words = [str(sequence), "--unit", unit, "--store", str(store), "--no-report", "--json"]
        words += [] if bench is None else ["--bench", str(bench)]
        done = subprocess.run([*RUN, *words], capture_output=True, text=True, check=False)
        answer: dict[str, Any] = json.loads(done.stdout)
        return answer | {"code": done.returncode, "decisions": decisions(report_in(store))}

    with ExitStack() as rigs, ThreadPoolExecutor() as nights:
        benches = [rigs.enter_context(served_rig(unit=unit, speed=3000, in_process=False)) for unit in units]
        started = [nights.submit(night, unit, rig.bench_file) for unit, rig in zip(units, benches, strict=True)]
        others = [nights.submit(night, unit, None) for unit in units]
        served, in_process = [item.result() for item in started], [item.result() for item in others]
        truths = [rig.truth() for rig in benches]
    with capsys.disabled():
        for unit, answer in zip(units, served, strict=True):
            print(f"\n{unit} served: {answer['elapsed_s']:.0f} s for {answer['bench_time_s'] / 3600:.1f} h")  # noqa: T201 - what was measured

    assert [answer["code"] for answer in served] == [0, 1]
    assert [answer["decisions"] for answer in served] == [answer["decisions"] for answer in in_process]
    assert all(answer["conditions"] == 1708 for answer in served)
    assert not any(truth["bias_on"] or any(truth["rf_on"].values()) or truth["exceeded"] for truth in truths)
