"""Real processes over a served rig that are held and stopped by signals, from another terminal, and by keys."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from killed_nights import KilledNight, ended, served_night, wait_for_conditions

from bench.clocks import RealClock

if sys.platform == "win32":
    pytest.skip("Windows has neither these signals nor these terminals", allow_module_level=True)
import pty
import termios

pytestmark = [pytest.mark.slow, pytest.mark.waits]

#: Longest that anything here may take: far more than it does.
PATIENCE_S = 60.0

_PACKAGES = os.pathsep.join(path for path in sys.path if path)

#: Standard input is made the terminal of the process, as a shell does.
_IN_A_TERMINAL = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); from bench.cli import main; main()"


@pytest.fixture
def night(tmp_path: Path) -> Iterator[KilledNight]:
    """44 conditions over a rig that runs 300 times faster than real time: some are left whenever a person is slow."""
    more = {"gain_code = [0, 15, 30]": "gain_code = { from = 0, to = 30, step = 3 }"}
    with served_night(tmp_path, 300, smaller=more) as made:
        yield made


def _wait(so: Callable[[], bool], what: str) -> None:
    clock = RealClock()
    while not so():
        assert clock.elapsed_s() < PATIENCE_S, what
        clock.sleep(0.05)


def _count(night: KilledNight, kind: str) -> int:
    return len(night.events(kind))


def test_a_run_is_held_by_signal_and_from_another_terminal_and_stopped_after_its_condition(night: KilledNight) -> None:
    """Off by the rig's own word while it is held; what another terminal is told is true; resume does the rest."""
    process = night.run()
    wait_for_conditions(night, 1, process)
    process.send_signal(signal.SIGUSR1)
    _wait(lambda: _count(night, "paused") == 1, "not held")
    assert night.is_safe()
    process.send_signal(signal.SIGUSR1)
    _wait(lambda: _count(night, "going on") == 1, "does not go on")

    code, said = ended(night.look("hold", "latest", "--store", str(night.store)))
    assert (code, json.loads(said)["heard"], json.loads(said)["process"]) == (0, True, process.pid)
    _wait(lambda: _count(night, "paused") == 2, "not held from another terminal")
    assert night.is_safe()
    assert ended(night.look("go-on", "latest", "--store", str(night.store)))[0] == 0
    _wait(lambda: _count(night, "going on") == 2, "does not go on from another terminal")
    process.send_signal(signal.SIGUSR2)
    assert ended(process)[0] == 130
    assert [event.text for event in night.events("stopped")] == ["by the user, asked by SIGUSR2"]
    assert night.is_safe()

    code, said = ended(night.look("stop", "latest", "--store", str(night.store)))
    assert code == 2
    assert "does not go on at this computer" in said
    assert ended(night.resume())[0] in (0, 1)
    assert night.run_state() == "done"


class _Terminal:
    """A terminal with one process in it, whose screen is kept."""

    def __init__(self, night: KilledNight) -> None:
        self.ours, theirs = pty.openpty()
        self.before = termios.tcgetattr(theirs)
        self.theirs = theirs
        words = ["run", str(night.folder / "small.sequence.toml"), "--unit", "VG2-0007", "--no-report", "--json"]
        words += ["--bench", str(night.rig.bench_file), "--store", str(night.store)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", _IN_A_TERMINAL, *words],
            stdin=theirs,
            stdout=subprocess.PIPE,
            stderr=theirs,
            start_new_session=True,
            cwd=night.folder,
            env=os.environ
            | {
                "NIGHTBENCH_LOCKS": str(night.folder / "locks"),
                "PYTHONPATH": _PACKAGES,
                "TERM": "xterm",
                "COLUMNS": "120",
            },
        )
        self.screen = b""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while chunk := os.read(self.ours, 4096):
                self.screen += chunk

    def press(self, keys: bytes) -> None:
        os.write(self.ours, keys)

    def shows(self, text: str) -> None:
        _wait(lambda: text.encode() in self.screen, f"{text!r} is not shown")

    def ended(self) -> tuple[int, str]:
        out, _ = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out.decode()

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        os.close(self.theirs)
        self._reader.join(PATIENCE_S)
        os.close(self.ours)


@pytest.fixture
def terminal(night: KilledNight) -> Iterator[_Terminal]:
    """A terminal in which the night has been started."""
    made = _Terminal(night)
    yield made
    made.close()


def test_keys_hold_a_run_let_it_go_on_and_stop_it(night: KilledNight, terminal: _Terminal) -> None:
    """Each is shown beneath the bar; standard output holds one object; the terminal is as it was."""
    terminal.shows("p hold")
    wait_for_conditions(night, 1)
    terminal.press(b"xp")
    terminal.shows("HELD, RF is off")
    assert night.is_safe()
    terminal.press(b"g")
    _wait(lambda: _count(night, "going on") == 1, "does not go on")
    terminal.press(b"a")
    code, out = terminal.ended()

    assert code == 130
    assert json.loads(out)["exit_code"] == 130
    assert termios.tcgetattr(terminal.theirs) == terminal.before
    assert [event.text for event in night.events("stopped")] == ["by the user, asked by a key at the terminal"]
    assert night.is_safe()


def test_control_c_pressed_again_and_again_still_ends_safe(night: KilledNight, terminal: _Terminal) -> None:
    """The way to the safe state is gone to its end; Ctrl-Z suspends nothing."""
    terminal.shows("p hold")
    wait_for_conditions(night, 1)
    terminal.press(b"\x1a")
    for _ in range(5):
        terminal.press(b"\x03")
        RealClock().sleep(0.05)
    code, _ = terminal.ended()

    assert code == 130
    assert night.run_state() == "stopped"
    assert night.is_safe()
    assert termios.tcgetattr(terminal.theirs) == terminal.before
