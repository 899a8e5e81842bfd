"""Sweeps of simulated network analyzers whose errors are drawn anew, against what the unit really does.

Here the rig is asked directly, without drivers: a sweep has a thousand numbers, and their way byte by byte is tested
elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from bench.clocks import SimulatedClock
from bench.setups import setup_from_files
from bench.simulated_bench import rig_setup
from coverage_of_benches.score import FloatArray, Scored
from drivers.simulated.front_ends import front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.small_signal import complex_gain
from reports.derive import derive
from reports.frames import AXES, CURVE_COLUMNS, RunFacts, RunFrames
from reports.small_signal import HALF_APERTURE_HZ, image_rejection_db
from sequences.read_files import Loaded, Setup, demo_file

CODES = (0, 10, 30)
HERTZ = (45e6, 61e6)
SWEEP_HZ = np.arange(30e6, 151e6, 2.5e6)
POWER_DBM, BANDWIDTH_HZ = -30.0, 300.0


def _on(rig: Rig) -> None:
    """Bias on, 200 Ω, the network analyzer's source on."""
    ends = front_ends(rig)
    for place, message in (
        ("supply", "VOLT 5;:CURR 0.3;:VOLT:PROT 5.5;:OUTP ON"),
        ("load_switch", "ROUT:CLOS (@103)"),
        ("network_analyzer", "OUTP ON"),
    ):
        ends[place].receive(message.encode() + b"\n")


def sweeps(seed: int, *, repeats: int = 2) -> Scored:
    """Every characteristic of the sweeps, from two channels at three codes."""
    frames, truth = _night(_setup(), seed, repeats)
    for word, one in derive(frames).items():
        if word in truth:
            yield word, one.result, truth[word]


@cache
def _setup() -> Setup:
    return setup_from_files(demo_file("small-signal.sequence.toml"))


def _night(setup: Setup, seed: int, repeats: int) -> tuple[RunFrames, dict[str, FloatArray]]:
    bench = setup.bench.model
    assert bench.simulation is not None
    drawn = bench.model_copy(update={"simulation": bench.simulation.model_copy(update={"seed": seed})})
    loaded: Loaded = replace(setup.bench, model=drawn)  # type: ignore[type-arg]  # of a bench
    rig = Rig(rig_setup(setup.part.model, loaded, f"unit {seed}"), SimulatedClock(datetime(2026, 11, 2, tzinfo=UTC)))
    _on(rig)
    unit, tables, gains = rig.setup.unit, [], []
    rows: list[tuple[object, ...]] = []
    around = np.array([offset + hertz for hertz in HERTZ for offset in (0.0, -HALF_APERTURE_HZ, HALF_APERTURE_HZ)])
    for channel, route in (("A", 211), ("B", 212)):
        rig.closed_channels = {route}
        for code in CODES:
            rig.words[{"A": 1, "B": 2}[channel]] = code
            die_c = rig.operating().die_c
            point = (unit, channel, code, die_c, "nominal", 200.0)
            gains.append((complex_gain(*point, around).reshape(-1, 3), complex_gain(*point, SWEEP_HZ)))
            for repeat in range(repeats):
                read = rig.network_sweep(SWEEP_HZ, POWER_DBM, BANDWIDTH_HZ)
                parts = [read[:, row, column] for row, column in ((0, 0), (1, 0), (0, 1), (1, 1))]
                numbers = [part for one in parts for part in (one.real, one.imag)]
                head = [np.full(len(SWEEP_HZ), value) for value in (len(rows), repeat)]
                tables.append(pd.DataFrame(dict(zip(CURVE_COLUMNS, [*head, SWEEP_HZ, *numbers], strict=True))))
            rows += [(channel, code, 25.0, "nominal", 200.0, 3.0, hertz) for hertz in HERTZ]
    conditions = pd.DataFrame(rows, columns=list(AXES))
    conditions.index.name = "condition"
    return _frames(setup, conditions.assign(flag=""), pd.concat(tables, ignore_index=True)), _truth(gains)


def _frames(setup: Setup, conditions: pd.DataFrame, curves: pd.DataFrame) -> RunFrames:
    swept = curves["condition"].unique()
    held = {"small_signal_power_dbm": POWER_DBM, "small_signal_bandwidth_hz": BANDWIDTH_HZ}
    readings = pd.DataFrame(
        [(number, 0, name, value) for number in swept for name, value in held.items()],
        columns=["condition", "repeat", "quantity", "value"],
    )
    return RunFrames(
        facts=RunFacts("run", "unit", "", "done", datetime(2026, 11, 2, tzinfo=UTC), None, "0", len(conditions)),
        part=setup.part.model,
        bench=setup.bench.model,
        sequence=setup.sequence.model,
        path_losses=setup.path_losses,
        conditions=conditions,
        readings=readings,
        instruments=pd.DataFrame(),
        events=pd.DataFrame({"at": [], "kind": [], "text": []}),
        hazards=(),
        curves=curves,
        de_embedding=setup.de_embedding,
    )


def _truth(gains: list[tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]]) -> dict[str, FloatArray]:
    """By characteristic, for each condition; of what compares channels, at the second channel's conditions."""
    at = np.concatenate([around[:, 0] for around, _ in gains])
    first = np.concatenate([np.tile(gains[index - index % len(CODES)][0][:, 0], 1) for index in range(len(gains))])
    sweeps = 20 * np.log10(np.abs(np.array([whole for _, whole in gains])))
    turns = np.concatenate([np.angle(around[:, 1] / around[:, 2]) for around, _ in gains])
    half = len(at) // 2
    ratio = at[:half] / at[half:]
    match_db, match_deg = 20 * np.log10(np.abs(ratio)), np.degrees(np.angle(ratio))
    return {
        "small_signal_gain": 20 * np.log10(np.abs(at)),
        "phase": np.degrees(np.angle(at)),
        "small_signal_flatness": np.repeat(sweeps.max(axis=1) - sweeps.min(axis=1), len(HERTZ)),
        "phase_change": np.degrees(np.angle(at / first)),
        "group_delay": turns / (2 * np.pi * 2 * HALF_APERTURE_HZ),
        "small_signal_gain_match": match_db,
        "phase_match": match_deg,
        "image_rejection": image_rejection_db(match_db, match_deg),
    }
