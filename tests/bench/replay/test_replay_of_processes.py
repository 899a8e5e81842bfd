"""Runs over a served rig, in processes of their own that are killed, stopped, or lose their guard: all replay."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from faulty_nights import Strike, faulty_nights
from killed_nights import KilledNight, ended, served_night, wait_for_conditions
from replayed import same

from bench.exit_codes import ExitCode
from bench.replay.replay import Replay
from bench.store.store import open_store

pytestmark = [
    pytest.mark.slow,
    pytest.mark.waits,
    pytest.mark.skipif(sys.platform != "linux", reason="finds the guard in /proc, and kills by POSIX signals"),
]

SPEED = 600.0


@dataclass
class Kept(KilledNight):
    """A served night with a store of the test's own."""

    name: str = "night.db"

    @property
    def store(self) -> Path:
        return self.folder / self.name


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[KilledNight]:
    with served_night(tmp_path_factory.mktemp("served"), SPEED) as night:
        yield night


@pytest.fixture
def night(served: KilledNight, request: pytest.FixtureRequest) -> Kept:
    return Kept(served.rig, served.folder, served.processes, f"{request.node.name}.db")


def replay_of(night: Kept) -> Replay:
    with open_store(str(night.store)) as store:
        return same(store, store.find_run("latest"))


def test_a_run_that_was_killed_and_resumed(night: Kept) -> None:
    """On sockets, by a clock that ticks like a real one: to the bit up to the last commit, and again from the resume.

    What came after the last commit is said to be unknown.
    """
    process = night.run()
    wait_for_conditions(night, 5, process)
    process.kill()
    process.communicate()
    night.wait_until_safe(30.0)
    cut = replay_of(night)
    assert cut.conditions >= 5
    assert "session 1 has no end" in cut.notes[0]

    code, said = ended(night.resume())
    assert code == ExitCode.DONE, said
    whole = replay_of(night)
    assert whole.conditions == 12
    assert len(whole.sessions) == 2


STRIKES = (
    Strike("analyzer", "garbage", 900),
    Strike("supply", "dropped", 700),
    Strike("chamber", "refused", 400),
    Strike("tone_1", "restart", 1000),
    Strike("current_meter", "late", 1100),
    Strike("code_port", "partial", 800),
    Strike("board_thermometer", "open-sensor", 500),
)


def test_nights_that_faults_have_struck(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Garbage, connections that close, a restart, late and half replies: each retried, and replayed to the bit."""
    with faulty_nights(tmp_path, monkeypatch) as nights:
        spent = [nights.night(strike, "retry, and the fault passes") for strike in STRIKES]
    with open_store(str(tmp_path / "nights.db")) as store:
        for night in spent:
            same(store, night.run)
    assert sum(bool(night.of_kind("retrying")) for night in spent) >= 4


def test_a_run_whose_guard_was_killed_and_that_was_then_stopped_by_a_signal(night: Kept) -> None:
    """The trip comes in the midst of a wait, and the stop between two exchanges."""
    process = night.run()
    wait_for_conditions(night, 4, process)
    (guard,) = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text("ascii").split()
    os.kill(int(guard), signal.SIGKILL)
    assert ended(process)[0] == ExitCode.TRIPPED
    assert "guard process has ended" in replay_of(night).sessions[0].ended_by

    process = night.resume()
    wait_for_conditions(night, 7, process)
    process.send_signal(signal.SIGINT)
    assert ended(process)[0] == ExitCode.STOPPED
    found = replay_of(night)
    assert found.conditions >= 7
    assert found.notes == ()
