"""The 1 dB compression point of sweeps over the tone level."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from reports.compression import compression_points
from reports.frames import AXES
from reports.partners import Grid
from reports.uncertainty import Cause, Uncertain

FloatArray = NDArray[np.float64]

LOAD_OHM = 200.0


def sweep(levels_dbm: Sequence[float]) -> Grid:
    """One condition for each tone level, all else equal."""
    values = {"channel": "A", "gain_code": 0, "temperature_c": 25.0, "supply_mode": "nominal", "load_ohm": LOAD_OHM}
    frame = pd.DataFrame([values | {"tone_level_dbm": level, "frequency_hz": 60e6} for level in levels_dbm])
    return Grid.of(frame[list(AXES)])


def cubic(input_dbm: FloatArray, a1: float, a3: float) -> FloatArray:
    """Output in dBm of y = a1·x + a3·x³ for one tone, input and output across the same resistance."""
    amplitude = np.sqrt(2e-3 * LOAD_OHM * 10 ** (input_dbm / 10))
    output = a1 * amplitude + 0.75 * a3 * amplitude**3
    level: FloatArray = 10 * np.log10(output**2 / (2e-3 * LOAD_OHM))
    return level


def point(input_dbm: FloatArray, output_dbm: FloatArray, causes: dict[str, Cause] | None = None) -> Uncertain:
    output = Uncertain.of(output_dbm, causes)
    rows, found = compression_points(output, output.shifted(-input_dbm), sweep(np.round(output_dbm, 6).tolist()))
    assert set(rows.tolist()) <= {0}
    return found


@given(st.floats(1.0, 100.0), st.floats(0.05, 20.0))
def test_a_cubic_compresses_10_64_db_below_its_output_intercept(a1: float, ratio: float) -> None:
    """TT-13: OIP3 − OP1dB = 10.6357 dB for any a1 and a3 < 0 (9.6 dB at the input in public course texts)."""
    a3 = -a1 * ratio
    intercept_dbm = 10 * np.log10((4 / 3 / ratio) / (2e-3 * LOAD_OHM)) + 20 * np.log10(a1)
    input_dbm = intercept_dbm - 20 * np.log10(a1) + np.concatenate([[-60.0, -30.0], np.arange(-12.0, -8.5, 0.1)])
    found = point(input_dbm, cubic(input_dbm, a1, a3))

    assert found.bound.tolist() == [0]
    assert intercept_dbm - found.value[0] == pytest.approx(10.6357, abs=2e-3)


def test_the_amplitude_at_which_a_cubic_compresses() -> None:
    """TT-15: a1 10, a3 −2 compress at a peak input of 0.851466 V; the output is then 1 dB below 8.51466 V."""
    input_dbm = np.concatenate([[-60.0], np.arange(-2.0, 5.0, 0.05)])
    found = point(input_dbm, cubic(input_dbm, 10.0, -2.0))
    peak_v = np.sqrt(2e-3 * LOAD_OHM * 10 ** (found.value[0] / 10))

    assert peak_v == pytest.approx(10.0 * 0.851466 * 10 ** (-1 / 20), rel=1e-4)


@pytest.mark.parametrize("step_db", [0.5, 1.0, 2.0, 3.0])
def test_the_answer_between_coarse_levels_is_right_within_its_uncertainty(step_db: float) -> None:
    """The bend of the fall between two levels is counted: with no other error, truth lies within U."""
    fine = np.concatenate([[-60.0], np.arange(-3.0, 4.0, 0.01)])
    truth = point(fine, cubic(fine, 10.0, -2.0)).value[0]
    for begin in np.arange(0.0, step_db, step_db / 7):
        coarse = np.concatenate([[-60.0], np.arange(-6.0 + begin, 6.0, step_db)])
        found = point(coarse, cubic(coarse, 10.0, -2.0))

        assert abs(found.value[0] - truth) <= found.expanded()[0] + 1e-3
        assert found.expanded()[0] < 0.1 * step_db**2 + 0.01


@pytest.mark.parametrize("lowest_db", [-12.0, -9.0, -7.0])
def test_a_sweep_that_begins_high_counts_what_its_lowest_level_has_missed(lowest_db: float) -> None:
    """The lower it begins, the nearer the truth; U covers the difference each time."""
    peak_dbm = 10 * np.log10(0.851466**2 / (2e-3 * LOAD_OHM))
    truth = 20 * np.log10(10.0) - 1.0 + peak_dbm
    input_dbm = peak_dbm + np.concatenate([[lowest_db], np.arange(-1.0, 1.5, 0.1)])
    found = point(input_dbm, cubic(input_dbm, 10.0, -2.0))

    assert 0.0 < found.value[0] - truth < found.expanded()[0]
    assert found.causes["compression at the lowest level"].contribution[0, 0] > 0.02


def test_a_sweep_that_does_not_reach_it_says_at_least() -> None:
    """The highest level whose fall is surely below 1 dB."""
    input_dbm = np.arange(-30.0, -9.0, 3.0)
    output_dbm = cubic(input_dbm, 10.0, -2.0)
    found = point(input_dbm, output_dbm)

    assert found.bound.tolist() == [1]
    assert found.value[0] == output_dbm[-1]


def test_a_fall_that_only_its_uncertainty_takes_past_1_db_is_not_claimed() -> None:
    """0.9 dB known to ± 0.3 dB may be more than 1 dB: the level before it is the bound."""
    input_dbm = np.array([-30.0, -20.0, -10.0, 0.0])
    output_dbm = input_dbm + 20.0 - np.array([0.0, 0.0, 0.2, 0.9])
    noise = {"noise": Cause.of(0.1, np.arange(4), rows=4, kind="A", distribution="normal")}
    found = point(input_dbm, output_dbm, noise)

    assert found.bound.tolist() == [1]
    assert found.value[0] == output_dbm[2]


@pytest.mark.parametrize("span_db", [0.0, 3.0, 5.9])
def test_a_sweep_without_a_small_signal_end_gives_nothing(span_db: float) -> None:
    """One level, or levels too near each other, cannot say what the gain of a small signal is."""
    input_dbm = np.unique(np.array([-20.0, -20.0 + span_db]))

    assert len(point(input_dbm, input_dbm + 20.0)) == 0


def test_levels_that_were_not_read_take_no_part() -> None:
    """A single level that the noise hid leaves the others as they are."""
    input_dbm = np.concatenate([[-30.0], np.arange(-6.0, 5.0, 0.5)])
    output_dbm = cubic(input_dbm, 10.0, -2.0)
    whole = point(input_dbm, output_dbm).value[0]
    grid = sweep(np.round(output_dbm, 6).tolist())
    output_dbm[3] = np.nan
    output = Uncertain.of(output_dbm)
    _, found = compression_points(output, output.shifted(-input_dbm), grid)

    assert found.value[0] == pytest.approx(whole, abs=1e-12)


def test_what_all_levels_share_moves_the_level_but_not_the_fall() -> None:
    """The analyzer's level error is in the answer once, with sensitivity 1; a constant one of the source is not."""
    input_dbm = np.concatenate([[-30.0], np.arange(-6.0, 5.0, 0.5)])
    rows = len(input_dbm)
    output = Uncertain.of(cubic(input_dbm, 10.0, -2.0), {"analyzer level": Cause.of(0.15, rows=rows)})
    entered = Uncertain.of(input_dbm, {"tone source level": Cause.of(0.15, rows=rows)})
    _, found = compression_points(output, output - entered, sweep(np.round(output.value, 6).tolist()))

    assert found.causes["analyzer level"].contribution[0].sum() == pytest.approx(0.15, abs=1e-12)
    assert found.causes["tone source level"].contribution[0].sum() == pytest.approx(0.0, abs=1e-12)


def test_the_uncertainty_is_the_derivative_of_the_answer() -> None:
    """Each level's own error, by moving that level alone and asking again."""
    input_dbm = np.concatenate([[-30.0, -28.0], np.arange(-6.0, 5.0, 1.0)])
    output_dbm = cubic(input_dbm, 10.0, -2.0)
    grid = sweep(np.round(output_dbm, 6).tolist())

    def answer(moved: FloatArray) -> Uncertain:
        output = Uncertain.of(moved, {"own": Cause.of(1.0, np.arange(len(moved)), rows=len(moved))})
        return compression_points(output, output.shifted(-input_dbm), grid)[1]

    own = answer(output_dbm).causes["own"]
    by_level = {int(number): one for number, one in zip(own.instance[0], own.contribution[0], strict=True)}
    for level in range(len(input_dbm)):
        step = np.zeros(len(input_dbm))
        step[level] = 1e-5
        derivative = (answer(output_dbm + step).value[0] - answer(output_dbm - step).value[0]) / 2e-5

        assert by_level.get(level, 0.0) == pytest.approx(derivative, abs=1e-4)
