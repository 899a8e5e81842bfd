"""What it takes to write a long run in each format: 10,416 conditions, 240,000 values, 200,000 rows of cascades."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from bench.clocks import RealClock
from bench.exports import Exported, Format, files_of
from long_run import SHORT, long_run
from reports.summary import summarise

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]

#: For 10,000 conditions.
MOST_S, MOST_MB = 30.0, 1000.0


def main(file_format: str) -> None:
    """Write the run and say what that took: seconds of processor and elapsed, size of the files, peak memory."""
    frames = long_run(SHORT)
    report = summarise(frames)
    clock, before = RealClock(), resource.getrusage(resource.RUSAGE_SELF)
    files = files_of(Exported(frames, lambda: report, {}), Format(file_format))
    after = resource.getrusage(resource.RUSAGE_SELF)
    found = {
        "cpu_s": after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime,
        "elapsed_s": clock.elapsed_s(),
        "files_mb": sum(map(len, files.values())) / 1e6,
        "peak_mb": after.ru_maxrss / 1024,
    }
    sys.stdout.write(json.dumps(found))


@pytest.mark.parametrize("file_format", ["csv", "parquet", "xlsx", "json"])
def test_a_long_run_is_written_in_half_a_minute(file_format: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each in a process of its own, so that its memory is its own."""
    paths = os.environ | {"PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests" / "shared")))}
    command = [sys.executable, __file__, file_format]
    found = json.loads(subprocess.run(command, env=paths, capture_output=True, text=True, check=True).stdout)
    with capsys.disabled():
        sys.stdout.write(f"\n{file_format}: {found}\n")

    assert found["cpu_s"] < MOST_S  # of processor: elapsed time is other programs', too
    assert found["peak_mb"] < MOST_MB


if __name__ == "__main__":
    main(sys.argv[1])
