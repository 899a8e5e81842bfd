"""Coverage: over many simulated benches the truth lies within U as often as U says, through the rig's real physics.

Each bench draws its errors from the accuracies that its file declares, runs through drivers and runner on the simulated
clock, and is derived. The truth comes from the rig: levels and currents as they would be with the board exactly at each
condition's temperature, handed to the derivation as readings of a bench without errors. So a coverage that is off is a
fault of the uncertainty and of nothing else; that the formulas are right is tested elsewhere.
"""

from __future__ import annotations

import contextlib
import shutil
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.events import Event
from bench.job import StopSwitch
from bench.night import start_run
from bench.plan import make_plan
from bench.reporting import frames_of
from bench.setups import setup_from_files
from bench.store.store import open_store
from drivers.simulated.amplifier import level_dbm
from reports.derive import derive
from reports.frames import RunFrames
from reports.uncertainty import Uncertain
from sequences.products import LINES, line_frequency_hz
from sequences.read_files import Setup, demo_file

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

FloatArray = NDArray[np.float64]

#: Few conditions with every kind of partner: codes in a row, both channels, two temperatures, modes, loads, levels and
#: frequencies; all but the codes at code 0 only.
EDITS = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 1, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = [100, 200]',
    "tone_level_dbm = 3\nfrequency_mhz = 60": "tone_level_dbm = [0, 3]\nfrequency_mhz = [45, 60]",
    "[tones]": """[[exclude]]
when = { gain_code = [1, 30] }
unless = { supply_mode = "nominal", load_ohm = 200, tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { supply_mode = "low power" }
unless = { load_ohm = 200, tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { load_ohm = 100 }
unless = { tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { tone_level_dbm = 0, frequency_mhz = 45 }

[tones]""",
}

#: What must not be exceeded by a distribution's own half-width, so that more than 95 % may lie within U.
BOUNDED = ("rectangular", "U-shaped")

#: Known to cover more than it says: the phase of the analyzer's own product is one draw of a bench, but counts anew at
#: each tone level, so that nothing of it cancels in the slope between two.
TOO_CAUTIOUS = ("im3_slope",)

#: Benches of the slow test. Three standard deviations of a share of 95.45 % over as many independent benches are 4.4 %.
BENCHES = 200

#: An analyzer setting that makes noise and own products vanish from readings that have none.
CLEAN = {"attenuation_db": 100.0, "bandwidth_hz": 1e-9, "scatter_db": 0.0, "points": 21.0}


def _setup(seed: int, folder: Path) -> Setup:
    """The quick demo with few conditions, on the bench that ``seed`` draws."""
    place = demo_file("quick.sequence.toml").parent
    for file in place.iterdir():
        if file.is_file():
            shutil.copy(file, folder)
    sequence, bench_file = folder / "quick.sequence.toml", folder / "nimbus.bench.toml"
    for path, edits in ((sequence, EDITS), (bench_file, {"seed = 20261102": f"seed = {seed}"})):
        text = path.read_text("utf-8")
        for old, new in edits.items():
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path.write_text(text, "utf-8")
    return setup_from_files(sequence)


def _true_readings(rig: Rig, temperature_c: float) -> dict[str, float]:
    """What the unit would do as it stands, with its board exactly at ``temperature_c``."""
    channel, load_ohm, unit = rig.channel, rig.load_ohm, rig.setup.unit
    assert channel is not None
    assert load_ohm is not None
    mode, voltage_v = rig.operating().mode, rig.truth.supply_voltage_v
    assert mode is not None
    die_c = unit.die_c(temperature_c, rig.mode_word, voltage_v)
    tones = [rig.input_tone(place, channel) for place in ("tone_1", "tone_2")]
    lines = unit.lines_v(channel, rig.code(channel), die_c, mode, load_ohm, *tones)
    readings = {f"{line}_level_dbm": level_dbm(abs(lines[line]), load_ohm) for line in LINES}
    for number, tone in enumerate(tones, start=1):
        assert tone is not None
        readings[f"source_{number}_level_dbm"] = tone[0]
    return readings | {
        "supply_voltage_v": voltage_v,
        "supply_current_a": unit.supply_current_a(die_c, rig.mode_word, voltage_v),
        "board_temperature_c": temperature_c,
        "air_temperature_c": temperature_c,
    }


def _true_frames(frames: RunFrames, truth: list[dict[str, float]]) -> RunFrames:
    """Frames whose readings, corrected with the declared path losses, are the truth."""
    wide = pd.DataFrame(truth, index=frames.conditions.index)
    conditions = frames.conditions
    channels, loads = conditions["channel"].to_numpy(dtype=object), conditions["load_ohm"].to_numpy(dtype=np.float64)
    centre, spacing_hz = conditions["frequency_hz"].to_numpy(dtype=np.float64), frames.sequence.tones.spacing_hz
    for line in LINES:
        frequency_hz = np.array([line_frequency_hz(line, one, spacing_hz) for one in centre])
        wide[f"{line}_level_dbm"] -= frames.path_losses.losses_db("output", channels, loads, frequency_hz)
        for kind, value in CLEAN.items():
            wide[f"{line}_{kind}"] = value
        if line in ("tone_lower", "tone_upper"):
            source = f"source_{1 if line == 'tone_lower' else 2}_level_dbm"
            wide[source] += frames.path_losses.losses_db("input", channels, loads, frequency_hz)
    long = wide.rename_axis("condition").reset_index().melt("condition", var_name="quantity")
    return replace(frames, readings=long.assign(repeat=0).astype({"quantity": "category"}))


def _night(seed: int, folder: Path) -> tuple[RunFrames, RunFrames]:
    """Frames of one simulated bench's run, and the truth of it."""
    rigs: list[Rig] = []
    truth: list[dict[str, float]] = []

    @contextlib.contextmanager
    def watched(*given: Any, **named: Any) -> Iterator[OpenBench]:
        with open_bench(*given, **named) as opened:
            assert opened.rig is not None
            rigs.append(opened.rig)
            yield opened

    setup = _setup(seed, folder)
    planned = make_plan(setup).conditions

    def hear(event: Event) -> None:
        if event.kind == "condition done":
            truth.append(_true_readings(rigs[-1], planned[len(truth)].temperature_c))

    with pytest.MonkeyPatch.context() as patch, open_store(str(folder / f"{seed}.db")) as store:
        patch.setattr(bench.night, "open_bench", watched)
        night = start_run(setup, "VG2-0007", "Ada", store, hear, StopSwitch(), lambda run, plan: None)
        frames = frames_of(store, night.run)
    return frames, _true_frames(frames, truth)


@dataclass
class Score:
    """Of one characteristic over all benches: error over U, and variance by distribution."""

    ratios: list[FloatArray] = field(default_factory=list)
    variance: Counter[str] = field(default_factory=Counter)
    largest: Counter[str] = field(default_factory=Counter)

    def add(self, result: Uncertain, true: FloatArray) -> None:
        measured = np.flatnonzero((result.bound == 0) & (result.standard > 1e-12) & np.isfinite(true))
        self.ratios.append((result.value - true)[measured] / result.expanded()[measured])
        for name, cause in result.causes.items():
            share = float(np.sum(cause.variance[measured] / result.standard[measured] ** 2))
            self.variance[cause.distribution] += share  # type: ignore[assignment]  # a counter of shares, not of things
            self.largest[name] += share  # type: ignore[assignment]  # as above

    @property
    def covered(self) -> float:
        return float(np.mean(np.abs(np.concatenate(self.ratios)) <= 1.0))

    @property
    def error_per_u(self) -> float:
        """Root mean square of error over standard uncertainty, if k were 2 throughout."""
        return 2.0 * float(np.sqrt(np.mean(np.concatenate(self.ratios) ** 2)))

    @property
    def bounded_share(self) -> float:
        return sum(self.variance[one] for one in BOUNDED) / sum(self.variance.values())


def _scores(seeds: range, folder: Path) -> dict[str, Score]:
    scores: dict[str, Score] = {}
    for seed in seeds:
        frames, true_frames = _night(seed, folder)
        true = derive(true_frames)
        for word, one in derive(frames).items():
            value = np.full(len(frames.conditions), np.nan)
            value[true[word].rows] = true[word].result.value
            scores.setdefault(word, Score()).add(one.result, value[one.rows])
    return {word: score for word, score in scores.items() if sum(map(len, score.ratios))}


def test_on_a_few_benches_no_error_is_far_beyond_its_uncertainty(tmp_path: Path) -> None:
    """Three benches: no value is off by more than 2·U (4 standard uncertainties), and every group has its figures."""
    scores = _scores(range(3), tmp_path)

    assert {"oip3", "hd2", "gain_step_error", "gain_match", "gain_tempco", "gain_flatness", "im3_slope"} <= set(scores)
    assert {"output_resistance", "oip3_load_change", "supply_current_drift", "mode_power_saving"} <= set(scores)
    for word, score in scores.items():
        assert max(np.abs(ratios).max() for ratios in score.ratios) < 2.0, word


@pytest.mark.slow
def test_the_truth_lies_within_u_as_often_as_u_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """At least 93 % of the values of each characteristic over 200 benches; above 98 % only where errors with hard ends
    (rectangular, arcsine) make up most of the variance: those end before two standard uncertainties. ``TOO_CAUTIOUS``
    breaks this rule, and must leave that list when it no longer does.
    """
    scores = _scores(range(BENCHES), tmp_path)
    lines = [f"{'characteristic':26} values  within U  error/u  hard ends  largest contribution"]
    for word, score in scores.items():
        name, share = score.largest.most_common(1)[0]
        total = sum(score.largest.values())
        count = sum(map(len, score.ratios))
        lines.append(
            f"{word:26} {count:6d}  {100 * score.covered:6.1f} %  {score.error_per_u:7.2f}  "
            f"{100 * score.bounded_share:7.0f} %  {name}, {100 * share / total:.0f} %"
        )
    with capsys.disabled():
        sys.stdout.write("\n" + "\n".join(lines) + "\n")

    for word, score in scores.items():
        assert score.covered >= 0.93, word
        keeps_the_rule = score.covered <= 0.98 or score.bounded_share > 0.5
        assert keeps_the_rule is (word not in TOO_CAUTIOUS), word
