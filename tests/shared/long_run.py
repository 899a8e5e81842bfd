"""The frames of a long run, made in memory with plausible readings: shared by benchmarks."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports.frames import AXES, RunFacts, RunFrames
from sequences.path_losses import PathLosses
from sequences.products import LINES, TONES
from sequences.read_files import demo_file, read_setup

FloatArray = NDArray[np.float64]

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


def long_run(frequencies: int) -> RunFrames:
    """A whole night and more: every axis of the demo's part, at that many frequencies."""
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
