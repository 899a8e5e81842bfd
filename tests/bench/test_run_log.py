"""The log of a run: dated lines that are on the disk at once, and a disk that takes no more."""

from __future__ import annotations

import math
import re
import signal
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from bench.events import Event, Facts
from bench.run_log import RunLog, facts_text, log_path

ROOT = Path(__file__).parents[2]
AT = datetime(2026, 11, 2, 18, 30, 7, tzinfo=UTC)


def test_each_event_is_one_dated_line_with_its_values(tmp_path: Path) -> None:
    """In UTC; whatever an instrument put into the text, a line stays one line that can be printed."""
    log = RunLog(tmp_path / "logs" / "run.log")
    log.event(Event(AT, "retrying", "no answer\n to \x1b[31m*IDN?\x00", {"attempt": 1, "message": "*IDN?"}))
    log.line(AT, "exit", "code 0")
    log.close()

    assert log.path.read_text(encoding="utf-8").splitlines() == [
        "2026-11-02T18:30:07Z  retrying: no answer; to ?[31m*IDN?? [attempt 1, message *IDN?]",
        "2026-11-02T18:30:07Z  exit: code 0",
    ]


def test_a_log_is_gone_on_with_and_never_begun_anew(tmp_path: Path) -> None:
    """A run that is resumed writes below what it wrote before."""
    for kind in ("first", "second"):
        log = RunLog(tmp_path / "run.log")
        log.line(AT, kind, "said")
        log.close()

    assert re.findall(r"Z  (\w+):", (tmp_path / "run.log").read_text(encoding="utf-8")) == ["first", "second"]


def test_a_process_that_is_killed_leaves_its_log_up_to_the_last_event(tmp_path: Path) -> None:
    """SIGKILL gives no time to empty a buffer."""
    code = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from bench.events import Event, Facts
from bench.run_log import RunLog
log = RunLog(Path(sys.argv[1]))
for number in range(3):
    log.event(Event(datetime(2026, 11, 2, tzinfo=UTC), "condition done", f"number {number}"))
os.kill(os.getpid(), signal.SIGKILL)
"""
    path = tmp_path / "run.log"
    done = subprocess.run([sys.executable, "-c", code, str(path)], cwd=ROOT, check=False)

    assert done.returncode == -signal.SIGKILL
    assert path.read_text(encoding="utf-8").endswith("condition done: number 2\n")
    assert len(path.read_text(encoding="utf-8").splitlines()) == 3


def test_a_log_that_cannot_be_written_says_why_and_raises_nothing(tmp_path: Path) -> None:
    """A file where its folder should be."""
    (tmp_path / "logs").write_text("", encoding="utf-8")
    log = RunLog(tmp_path / "logs" / "run.log")
    log.line(AT, "exit", "code 0")
    log.close()

    assert log.problem == f"{tmp_path / 'logs' / 'run.log'}: File exists"


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the device that is always full is Linux's")
def test_a_full_disk_ends_the_log_and_nothing_else() -> None:
    """The first line that does not fit is the last that is tried."""
    log = RunLog(Path("/dev/full"))
    log.line(AT, "run began", "84 of 84 conditions to do")
    log.line(AT, "exit", "code 0")
    log.close()

    assert log.problem == "/dev/full: No space left on device"


def test_a_log_lies_in_a_folder_beside_its_store() -> None:
    """Found from the store and the run's id; a database that is no file has its logs in the current folder."""
    assert log_path(Path("a/night.db"), "0b6f") == Path("a/night-logs/0b6f.log")
    assert log_path(None, "0b6f") == Path("nightbench-logs/0b6f.log")


def test_values_are_shown_as_people_read_them() -> None:
    """Names without underscores, units behind numbers, numbers without a tail."""
    facts: Facts = {"air_temperature_c": 0.1 + 0.2, "drift_k_per_min": -0.0357402351, "attempt": 2}
    words: Facts = {"confirmed": False, "cause": "no answer", "highest": math.inf}

    assert facts_text(facts) == "air temperature 0.3 °C, drift -0.0357402 K/min, attempt 2"
    assert facts_text(words) == "confirmed no, cause no answer, highest inf"
