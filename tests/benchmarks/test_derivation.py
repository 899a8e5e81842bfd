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
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from bench.clocks import RealClock
from reports.frames import AXES, RunFacts, RunFrames
from reports.summary import summarise
from sequences.path_losses import PathLosses
from sequences.products import LINES, TONES
from sequences.read_files import demo_file, read_setup

pytestmark = pytest.mark.benchmark

FloatArray = NDArray[np.float64]
ROOT = Path(__file__).parents[2]

#: Frequencies that make 10,416 conditions of 41 readings, and 249,984 of them.
SHORT, LONG = 1, 24


def _conditions(frequencies: int) -> pd.DataFrame:
    axes: dict[str, NDArray[np.generic]] = {
        "temperature_c": np.array([-40.0, -20.0, 0.0, 25.0, 45.0, 65.0, 85.0]),
        "supply_mode": np.array(["nominal", "low power"], dtype=object),
        "load_ohm": np.array([100.0, 150.0, 200.0, 400.0]),
        "frequency_hz": np.round(np.linspace(30e6, 120e6, frequencies)),
        "tone_level_dbm": np.array([0.0, 3.0, 6.0]),
        "channel": np.array(["A", "B"], dtype=object),
        "gain_code": np.arange(31),
    }
    grids = np.meshgrid(*axes.values(), indexing="ij")
    table = pd.DataFrame({axis: grid.ravel() for axis, grid in zip(axes, grids, strict=True)})[list(AXES)]
    table.index = pd.RangeIndex(len(table), name="condition")
    table["flag"] = pd.Series("", index=table.index, dtype="str")
    return table.astype({"channel": "category", "supply_mode": "category"})


def _readings(conditions: pd.DataFrame) -> pd.DataFrame:
    """Plausible readings, a little of noise on each."""
    rng, rows = np.random.default_rng(1), len(conditions)
    level = conditions["tone_level_dbm"].to_numpy(dtype=np.float64)
    code = conditions["gain_code"].to_numpy(dtype=np.float64)
    warmer_k = conditions["temperature_c"].to_numpy(dtype=np.float64) - 25.0
    below = {"tone_lower": level, "tone_upper": level, "im3_lower": 3 * level - 90, "im3_upper": 3 * level - 90}
    below |= {"im2_sum": 2 * level - 80, "hd2": 2 * level - 86, "hd3": 3 * level - 100}
    wide: dict[str, FloatArray] = {}
    for line in LINES:
        is_tone = line in TONES
        scatter = 0.02 if is_tone else 0.2
        wide[f"{line}_level_dbm"] = below[line] - 11 - 0.003 * warmer_k + rng.normal(0, scatter, rows)
        facts = {
            "scatter_db": scatter,
            "attenuation_db": 20.0,
            "bandwidth_hz": 1000.0 if is_tone else 10.0,
            "points": 21.0,
        }
        wide |= {f"{line}_{kind}": np.full(rows, value) for kind, value in facts.items()}
    wide |= {f"source_{number}_level_dbm": np.round(level - 24 + 0.75 * code, 2) for number in (1, 2)}
    wide["supply_voltage_v"] = np.full(rows, 5.0)
    wide["supply_current_a"] = 0.2 * (1 + 4e-4 * warmer_k)
    wide["board_temperature_c"] = warmer_k + 25.3
    wide["air_temperature_c"] = warmer_k + 25.1
    codes = np.repeat(np.arange(len(wide), dtype=np.int8), rows)
    return pd.DataFrame(
        {
            "condition": np.tile(np.arange(rows), len(wide)),
            "repeat": np.zeros(rows * len(wide), dtype=np.int64),
            "quantity": pd.Categorical.from_codes(codes, categories=pd.Index(list(wide), dtype=object)),
            "value": np.concatenate(list(wide.values())),
        }
    )


def _frames(frequencies: int) -> RunFrames:
    setup = read_setup(demo_file("overnight.sequence.toml"))
    bench = setup.bench.model
    conditions = _conditions(frequencies)
    return RunFrames(
        facts=RunFacts("run", "unit", "", "done", datetime(2026, 11, 2, tzinfo=UTC), None, "0", len(conditions)),
        part=setup.part.model,
        bench=bench,
        sequence=setup.sequence.model,
        path_losses=PathLosses.of(bench),
        conditions=conditions,
        readings=_readings(conditions),
        instruments=pd.DataFrame(),
        events=pd.DataFrame({"at": [], "kind": [], "text": []}),
        hazards=(),
    )


def main(frequencies: int) -> None:
    """Summarise a run and say what it took: processor and elapsed seconds of that alone, peak memory of the process."""
    frames = _frames(frequencies)
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
            env=os.environ | {"PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True,
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
