"""Products of the bench against those of the unit, on the rig: an intercept that stands as measured is right within U.

The analyzer's intercept, at its connector and 0 dB, is put above, at and below that of the unit behind the output path.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from bench.job import StopSwitch
from bench.night import start_run, start_through
from bench.reporting import frames_of
from bench.simulated_bench import rig_setup
from bench.store.store import Store, open_store
from reports.derive import derive
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]
FloatArray = NDArray[np.float64]

UNIT = "VG2-0007"

#: Nominal OIP3 of the unit, 45 dBm, behind about 11 dB of output path.
UNIT_AT_CONNECTOR_DBM = 34.0

WORDS = ("oip3_lower", "oip3_upper")


def setup_of_bench(make_setup: MakeSetup, above_unit_db: float, seed: int) -> Setup:
    """Both channels at three codes, on a bench with one attenuation."""
    return make_setup(
        {
            "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 5, 10]",
            "temperature_c = [-40, 25, 85]": "temperature_c = 25",
            "intercept3_dbm = 26": f"intercept3_dbm = {UNIT_AT_CONNECTOR_DBM + above_unit_db}",
            "attenuations_db = [0, 5, 10, 15, 20, 25, 30, 35, 40]": "attenuations_db = [0]",
            "noise_dbm_per_hz = -155": "noise_dbm_per_hz = -165",
            "[soak]\nhold_min = 3": "[measure]\nharmonics = false\nsupply = false\n\n[soak]\nhold_min = 3",
            "seed = 20261102": f"seed = {seed}",
        }
    )


@dataclass
class Found:
    """Figures of several benches, one after the other."""

    off_db: FloatArray
    expanded_db: FloatArray
    bound: NDArray[np.int8]

    @property
    def beyond(self) -> FloatArray:
        """Errors of measured values, in units of their U."""
        measured = self.bound == 0
        errors: FloatArray = np.abs(self.off_db[measured]) / self.expanded_db[measured]
        return errors

    def row(self, name: str) -> str:
        measured = self.bound == 0
        error = np.abs(self.off_db[measured])
        worst, widest = (error.max(), self.expanded_db[measured].max()) if measured.any() else (np.nan, np.nan)
        inside = np.mean(self.beyond <= 1) if measured.any() else np.nan
        lowest = np.where(self.bound == 1, self.off_db - self.expanded_db, -np.inf).max()
        return (
            f"{name:28} {len(measured):5} {measured.sum():9} {worst:12.2f} {widest:10.2f} {100 * inside:9.1f} % "
            f"{(self.bound == 1).sum():8} {lowest:14.2f}"
        )


HEAD = (
    f"{'analyzer against unit':28} {'all':>5} {'measured':>9} {'worst error':>12} {'widest U':>10} {'within U':>11} "
    f"{'at least':>8} {'worst of bound':>14}"
)


def figures(make_setup: MakeSetup, store: Store, above_unit_db: float, seeds: range, *, with_through: bool) -> Found:
    """Intercepts of all seeds against the truth of the unit, which is what its own lines in the load give."""
    off, expanded, bound = [], [], []
    for seed in seeds:
        setup = setup_of_bench(make_setup, above_unit_db, seed)
        run = start_run(setup, UNIT, "Ada", store, lambda _: None, StopSwitch(), lambda *_: None).run
        through = None
        if with_through:
            through = start_through(setup, "Ada", store, lambda _: None, StopSwitch(), lambda *_: None).run
        frames = frames_of(store, run, residual=through)
        derived, unit = derive(frames), rig_setup(setup.part.model, setup.bench, UNIT).unit
        for word in WORDS:
            one = derived[word]
            truth = np.array(
                [
                    _small_signal_with_tones(unit, frames.conditions.iloc[int(row)], word == "oip3_lower")
                    for row in one.rows
                ]
            )
            off.append(one.result.value - truth)
            expanded.append(one.result.expanded())
            bound.append(one.result.bound)
    return Found(np.concatenate(off), np.concatenate(expanded), np.concatenate(bound))


def _small_signal_with_tones(unit: object, condition: object, lower_side: bool) -> float:
    """Intercept that the unit's own lines in the load give at 3 dBm per tone, its die 15 K above the board."""
    from drivers.simulated.amplifier import AmplifierModel, level_dbm

    assert isinstance(unit, AmplifierModel)
    channel, code, load = condition.channel, int(condition.gain_code), condition.load_ohm  # type: ignore[attr-defined]  # a row of pandas
    into_dbm = 3.0 - unit.nominal_gain_db[code] + 10 * np.log10(load / unit.input_resistance_ohm)
    lines = unit.lines_v(channel, code, 40.0, "nominal", load, (into_dbm, 59.5e6), (into_dbm, 60.5e6))
    level = {name: level_dbm(abs(volts), load) for name, volts in lines.items()}
    if lower_side:
        return (2 * level["tone_lower"] + level["tone_upper"] - level["im3_lower"]) / 2
    return (level["tone_lower"] + 2 * level["tone_upper"] - level["im3_upper"]) / 2


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store("sqlite://") as opened:
        yield opened


CASES = (6.0, 0.0, -6.0)


def _table(
    make_setup: MakeSetup, store: Store, seeds: range, capsys: pytest.CaptureFixture[str], *, with_through: bool
) -> dict[float, Found]:
    found = {case: figures(make_setup, store, case, seeds, with_through=with_through) for case in CASES}
    with capsys.disabled():
        sys.stdout.write(f"\n{'with' if with_through else 'without'} a through, {len(seeds)} benches\n{HEAD}\n")
        for case, one in found.items():
            sys.stdout.write(one.row(f"{case:+.0f} dB") + "\n")
    return found


def _check(found: dict[float, Found]) -> None:
    for case, one in found.items():
        # U is for 95 %; what is drawn from bounded distributions does not go far beyond it.
        assert np.all(one.beyond <= 1.3), case
        assert len(one.beyond) == 0 or np.mean(one.beyond <= 1) >= 0.95, case
        at_least = one.bound == 1
        assert np.all(one.off_db[at_least] <= one.expanded_db[at_least]), case
        assert np.all(at_least | (one.bound == 0)), case
    assert np.all(found[6.0].bound == 0)
    assert np.mean(found[-6.0].bound == 1) > 0.95


def test_no_measured_intercept_is_wrong_by_more_than_its_u(
    make_setup: MakeSetup, store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    """Analyzer 6 dB better than the unit, as good, and 6 dB worse, over a few benches; prints the table."""
    _check(_table(make_setup, store, range(3), capsys, with_through=False))


@pytest.mark.slow
@pytest.mark.parametrize("with_through", [False, True], ids=["declared", "through"])
def test_no_measured_intercept_of_many_benches_is_wrong_by_more_than_its_u(
    make_setup: MakeSetup, store: Store, capsys: pytest.CaptureFixture[str], with_through: bool
) -> None:
    """The same over many benches, with what the bench file declares and with what a through has shown."""
    _check(_table(make_setup, store, range(20), capsys, with_through=with_through))
