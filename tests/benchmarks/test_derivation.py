"""Budgets of derivations: 10 million readings under 20 s and 2 GB; 10,000 conditions with all figures under 1 s.

Each is measured in a process of its own, which is this file run as a script: it makes the frames of a long run in
memory, summarises them, and says what that took. The demo's part has a cascade of two stages: in the long run 961 pairs
of codes at each of 1,008 points.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.clocks import RealClock
from long_run import LONG, SHORT, long_run
from reports.summary import summarise

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]


def main(frequencies: int) -> None:
    """Summarise a run and say what it took: processor and elapsed seconds of that alone, peak memory of the process."""
    frames = long_run(frequencies)
    if frequencies == SHORT:
        summarise(frames)  # libraries load in the functions that need them; that is once and not for each run
    clock, before = RealClock(), resource.getrusage(resource.RUSAGE_SELF)
    report = summarise(frames)
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    found = {
        "readings": len(frames.readings),
        "conditions": len(frames.conditions),
        "values": len(report.characteristics),
        "cascade_rows": len(report.cascades),
        "cpu_s": cpu_s,
        "elapsed_s": clock.elapsed_s(),
        "peak_mb": after.ru_maxrss / 1024,
    }
    sys.stdout.write(json.dumps(found))


@pytest.fixture
def measured(capsys: pytest.CaptureFixture[str]) -> Callable[[int, str], dict[str, float]]:
    def measure(frequencies: int, budget: str) -> dict[str, float]:
        out = subprocess.run(
            [sys.executable, __file__, str(frequencies)],
            env=os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests" / "shared")))},
            capture_output=True, text=True, check=True,
        ).stdout  # fmt: skip
        found: dict[str, float] = json.loads(out)
        with capsys.disabled():
            sys.stdout.write(
                f"\nderive and decide {found['readings']:,} readings, {found['conditions']:,} conditions, "
                f"{found['values']:,} values, {found['cascade_rows']:,} rows of a cascade: "
                f"{found['elapsed_s']:.2f} s ({found['cpu_s']:.2f} s of processor), "
                f"{found['peak_mb']:.0f} MB with the readings, budget {budget} "
                f"[{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}]\n"
            )
        return found

    return measure


def test_ten_million_readings_take_in_proportion_and_fit_into_two_gigabytes(
    measured: Callable[[int, str], dict[str, float]],
) -> None:
    """24 times the readings: at most 30 times the processor time, and under 2 GB with the readings themselves."""
    short = measured(SHORT, "1 s")
    long = measured(LONG, "20 s, 2 GB")

    assert long["readings"] > 10_000_000
    assert long["cascade_rows"] > 4_000_000
    assert long["cpu_s"] < 30 * short["cpu_s"]
    assert long["peak_mb"] * 2**20 < 2e9


if __name__ == "__main__":
    main(int(sys.argv[1]))
