"""A run as a process of its own over a served rig, and its guard: killed, hung, stopped, and the guard killed.

The random moments of a long kill test are in ``test_killed_nights``; here is what each death leaves in the record.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

import bench
from bench.clocks import RealClock
from bench.events import Event
from bench.exit_codes import ExitCode
from bench.store.store import open_store
from sequences.read_files import demo_file
from served_rig import ServedRig, served_rig

pytestmark = [
    pytest.mark.slow,
    pytest.mark.waits,
    pytest.mark.skipif(sys.platform != "linux", reason="finds the guard in /proc, and kills by POSIX signals"),
]

#: Fourteen conditions at one temperature, one short soak: seconds of real time.
CONDITIONS = 14
SMALL = {
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
    "hold_min = 3": "hold_s = 30\npoll_s = 30",
    "shortest_min = 5": "shortest_min = 1\ndrift_k_per_min = 0.3",
}
SPEED = 600.0
GUARD_AFTER_S = 2.0

#: Real time from a kill to the last output off.
SAFE_WITHIN_S = 2.0
PATIENCE_S = 60.0

Run = subprocess.Popen[str]


@dataclass
class Nights:
    """One rig and one store, and processes on them."""

    rig: ServedRig
    folder: Path

    def begin(self, *words: str) -> Run:
        """A process of the command line in a group of its own, as a shell begins one."""
        return subprocess.Popen(
            [sys.executable, "-c", "from bench.cli import main; main()", *words, "--store", self.store],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=self.folder,
            start_new_session=True,
            env=os.environ
            | {"NIGHTBENCH_LOCKS": str(self.folder / "locks"), "PYTHONPATH": str(Path(bench.__file__).parents[1])},
        )

    def run(self) -> Run:
        return self.begin(
            "run", "small.sequence.toml", "--unit", "VG2-0007", "--bench", str(self.rig.bench_file), "--no-report"
        )

    @property
    def store(self) -> str:
        return str(self.folder / "night.db")

    def of_guard(self) -> list[Event]:
        with open_store(self.store) as opened:
            return [event for event in opened.events(opened.find_run("latest")) if event.kind == "guard"]

    def state(self) -> str:
        with open_store(self.store) as opened:
            return opened.run(opened.find_run("latest")).state

    def is_on(self) -> bool:
        truth = self.rig.truth()
        return bool(any(truth["rf_on"].values()) or truth["noise_on"] or truth["bias_on"])

    def safe_after(self, since_s: float) -> float:
        """Real time from an instant of the rig's clock until the last output went off, by the rig's own log."""
        until(lambda: not self.is_on())
        log = [entry for entry in self.rig.log() if entry[0] >= since_s]
        off = [(at_s, place) for at_s, place, what in log if what in ("rf off", "bias off", "noise off")]
        assert off, f"nothing was on: {log}"
        assert [place for _, place in off if place == "supply"] == ["supply"]
        assert off[-1][1] == "supply", f"RF went off after the bias: {log}"
        return (off[-1][0] - since_s) / self.rig.speed


@pytest.fixture
def nights(tmp_path: Path) -> Iterator[Nights]:
    text = demo_file("quick.sequence.toml").read_text("utf-8")
    for old, new in SMALL.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "small.sequence.toml").write_text(text, "utf-8")
    (tmp_path / "virga-2.part.toml").write_text(demo_file("virga-2.part.toml").read_text("utf-8"), "utf-8")
    edits = {"speed = 600": f"speed = 600\nguard_after_s = {GUARD_AFTER_S:g}"}
    with served_rig(edits, speed=SPEED, in_process=False) as rig:
        yield Nights(rig, tmp_path)


def until(holds: Callable[[], bool]) -> None:
    """Wait in real time until something holds."""
    clock, pause = RealClock(), threading.Event()
    while not holds():
        assert clock.elapsed_s() < PATIENCE_S
        pause.wait(0.01)


def radiating(nights: Nights) -> None:
    until(lambda: any(nights.rig.truth()["rf_on"].values()))


def guard_of(run: Run) -> int:
    """Process id of the only child that a run has."""
    (child,) = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text("utf-8").split()
    return int(child)


def is_gone(pid: int) -> bool:
    """Whether a process has ended; one that nobody has taken leave of counts as ended."""
    try:
        return Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()[0] == "Z"
    except (FileNotFoundError, ProcessLookupError):
        return True


def test_a_run_that_is_killed_is_made_safe_called_interrupted_and_goes_on(nights: Nights) -> None:
    """At two seeded moments of one night; the last resume ends with every condition once."""
    moments = random.Random(20261125)
    session = nights.run
    for number in range(2):
        run = session()
        radiating(nights)
        threading.Event().wait(moments.uniform(0.0, 0.3))
        guard = guard_of(run)
        killed_s = nights.rig.truth()["at_s"]
        run.kill()
        run.communicate(timeout=PATIENCE_S)  # ends though the guard is alive: it holds no output of the run
        assert nights.safe_after(killed_s) < SAFE_WITHIN_S
        until(lambda: is_gone(guard))  # noqa: B023 - asked at once
        events = nights.of_guard()
        assert [event.text for event in events if event.text.startswith("the run's process has ended")] != []
        assert len([event for event in events if event.text.startswith("made safe at ")]) == number + 1
        assert nights.state() == "interrupted"
        listed, _ = nights.begin("runs").communicate(timeout=PATIENCE_S)
        assert "interrupted; its guard: made safe at 2026-11-0" in listed
        session = lambda: nights.begin("resume", "latest", "--no-report")  # noqa: E731

    last = session()
    said, _ = last.communicate(timeout=PATIENCE_S)

    assert last.returncode in (ExitCode.DONE, ExitCode.LIMIT_NOT_MET), said
    assert nights.state() == "done"
    with open_store(nights.store) as opened:
        readings = opened.frames(opened.find_run("latest")).readings
    keys = list(zip(readings["condition"], readings["repeat"], readings["quantity"], strict=True))
    assert len(keys) == len(set(keys))
    by_condition = {number: {key[1:] for key in keys if key[0] == number} for number in set(readings["condition"])}
    assert set(by_condition) == set(range(CONDITIONS))
    assert all(quantities == by_condition[0] for quantities in by_condition.values())


def test_a_run_that_hangs_is_made_safe_after_the_limit_and_trips_when_it_wakes(nights: Nights) -> None:
    """Stopped by a signal that no process can ignore; it must not switch on again when it goes on."""
    run = nights.run()
    radiating(nights)
    guard = guard_of(run)
    hung_s = nights.rig.truth()["at_s"]
    run.send_signal(signal.SIGSTOP)
    took_s = nights.safe_after(hung_s)
    until(lambda: any(event.text.startswith("made safe at ") for event in nights.of_guard()))
    assert nights.state() == "running"
    before = len(nights.rig.log())

    run.send_signal(signal.SIGCONT)
    said, _ = run.communicate(timeout=PATIENCE_S)

    assert GUARD_AFTER_S - 0.5 < took_s < GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S
    assert run.returncode == ExitCode.TRIPPED, said
    assert "had no sign of life from this run" in said
    assert not [what for _, _, what in nights.rig.log()[before:] if what in ("rf on", "bias on")]
    assert nights.state() == "tripped"
    assert not nights.is_on()
    until(lambda: is_gone(guard))


def test_a_run_whose_guard_is_killed_trips_and_is_safe(nights: Nights) -> None:
    """Without a guard nobody would be left if the run died."""
    run = nights.run()
    radiating(nights)
    os.kill(guard_of(run), signal.SIGKILL)
    said, _ = run.communicate(timeout=PATIENCE_S)

    assert run.returncode == ExitCode.TRIPPED, said
    assert "the guard process has ended" in said
    assert nights.state() == "tripped"
    assert not nights.is_on()


def test_an_interrupt_from_the_keyboard_stops_the_run_and_the_guard_leaves_without_a_word(nights: Nights) -> None:
    """Ctrl-C goes to the whole group of processes."""
    run = nights.run()
    radiating(nights)
    guard = guard_of(run)
    os.killpg(run.pid, signal.SIGINT)
    said, _ = run.communicate(timeout=PATIENCE_S)

    assert run.returncode == ExitCode.STOPPED, said
    assert nights.of_guard() == []
    assert not nights.is_on()
    assert is_gone(guard)
