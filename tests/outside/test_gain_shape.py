"""Lines through gains, slopes over temperature and box spans against worked numbers (GS and DR rows of the README)."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from reports.frames import AXES
from reports.gain import best_fit_errors, end_point_errors, flatness, ranges, smallest_steps, step_errors, steps, tempco
from reports.partners import Grid
from reports.supply import box, box_span, dissipation, mode_saving, power, slope
from reports.uncertainty import Cause, Uncertain
from sequences.part_file import GainCodes

GAIN_DB = [26.02, 24.05, 21.99, 20.03, 17.96, 16.01]
CODES = GainCodes(codes=tuple(map(float, range(6))), nominal_gain_db=(26.0, 24.0, 22.0, 20.0, 18.0, 16.0))


def _grid(**axes: tuple[object, ...]) -> Grid:
    every: dict[str, tuple[object, ...]] = dict.fromkeys(AXES, (0.0,)) | {"gain_code": (0,)} | axes
    return Grid.of(pd.DataFrame(list(itertools.product(*(every[axis] for axis in AXES))), columns=list(AXES)))


BY_CODE = _grid(gain_code=tuple(range(6)))


def _exact(values: list[float]) -> Uncertain:
    return Uncertain.of(np.array(values))


def test_residuals_of_the_end_point_line() -> None:
    """GS-03: 0 +0.032 −0.026 +0.016 −0.052 0 dB. Own arithmetic on the gains of GS-01."""
    rows, residual = end_point_errors(_exact(GAIN_DB), BY_CODE, CODES)

    np.testing.assert_array_equal(rows, range(6))
    np.testing.assert_allclose(residual.value, [0.0, 0.032, -0.026, 0.016, -0.052, 0.0], atol=1e-9)


def test_residuals_of_the_best_fit_line() -> None:
    """GS-02: slope −2.008 dB per code, intercept 26.03; residuals −0.010 +0.028 −0.024 +0.024 −0.038 +0.020 dB."""
    rows, residual = best_fit_errors(_exact(GAIN_DB), BY_CODE, CODES)

    np.testing.assert_array_equal(rows, range(6))
    np.testing.assert_allclose(residual.value, [-0.010, 0.028, -0.024, 0.024, -0.038, 0.020], atol=1e-3)
    np.testing.assert_allclose(np.array(GAIN_DB) - residual.value, 26.03 - 2.008 * np.arange(6), atol=1e-3)


def test_end_point_errors_of_a_converter() -> None:
    """GS-05: levels 0, 1.1, 1.9, 3.0, 4.0 with an end-point step of 1: errors 0 +0.1 −0.1 0 0, steps 1.1 0.8 1.1 1.0.

    IEEE Std 1241, end-point form (from memory, not seen). Levels rise, so they are taken as gains that fall.
    """
    codes = GainCodes(codes=(0.0, 1.0, 2.0, 3.0, 4.0), nominal_gain_db=(0.0, -1.0, -2.0, -3.0, -4.0))
    grid, levels = _grid(gain_code=tuple(range(5))), _exact([0.0, -1.1, -1.9, -3.0, -4.0])

    np.testing.assert_allclose(end_point_errors(levels, grid, codes)[1].value, [0, -0.1, 0.1, 0, 0], atol=1e-9)
    np.testing.assert_allclose(step_errors(levels, grid, codes)[1].value, [0.1, -0.2, 0.1, 0.0], atol=1e-9)


def test_range_and_smallest_step() -> None:
    """26.02 − 16.01 = 10.01 dB; steps 1.97 2.06 1.96 2.07 1.95, so the smallest is 1.95 dB, stated at the last code."""
    rows, step = steps(_exact(GAIN_DB), BY_CODE, CODES)
    (last,), smallest = smallest_steps(_exact(GAIN_DB), BY_CODE, CODES)
    (low,), range_db = ranges(_exact(GAIN_DB), BY_CODE, CODES)

    np.testing.assert_array_equal(rows, [1, 2, 3, 4, 5])
    np.testing.assert_allclose(step.value, [1.97, 2.06, 1.96, 2.07, 1.95], atol=1e-9)
    assert (last, smallest.value[0]) == (5, pytest.approx(1.95))
    assert (low, range_db.value[0]) == (5, pytest.approx(10.01))


def test_a_step_in_the_wrong_direction_is_below_zero() -> None:
    """A gain that rises at one code is not monotonic, whatever its range."""
    _, smallest = smallest_steps(_exact([26.0, 24.0, 24.1, 20.0, 18.0, 16.0]), BY_CODE, CODES)

    assert smallest.value[0] == pytest.approx(-0.1)


@settings(deadline=None)
@given(st.lists(st.floats(-50.0, 50.0), min_size=6, max_size=6), st.floats(-50.0, 50.0), st.floats(-3.0, 3.0))
def test_neither_a_constant_nor_a_slope_changes_the_residuals(gains: list[float], shift: float, tilt: float) -> None:
    """GS-04 and its like: a constant on all gains leaves steps and residuals, a tilt leaves the residuals."""
    plain = _exact(gains)
    tilted = Uncertain.of(plain.value + shift + tilt * np.arange(6))

    for residuals in (end_point_errors, best_fit_errors):
        expected = residuals(plain, BY_CODE, CODES)[1].value
        np.testing.assert_allclose(residuals(tilted, BY_CODE, CODES)[1].value, expected, atol=1e-10)
    np.testing.assert_allclose(
        steps(plain.shifted(shift), BY_CODE, CODES)[1].value, steps(plain, BY_CODE, CODES)[1].value, atol=1e-10
    )


@settings(deadline=None)
@given(st.lists(st.floats(-50.0, 50.0), min_size=6, max_size=6))
def test_best_fit_residuals_are_those_of_an_ordinary_regression(gains: list[float]) -> None:
    """Against scipy.stats.linregress over the code; and they add up to 0, which end-point ones need not."""
    residual = best_fit_errors(_exact(gains), BY_CODE, CODES)[1].value
    fit = stats.linregress(np.arange(6), gains)

    np.testing.assert_allclose(residual, np.array(gains) - fit.intercept - fit.slope * np.arange(6), atol=1e-9)
    assert residual.sum() == pytest.approx(0.0, abs=1e-9)


def test_common_errors_cancel_in_residuals_and_own_ones_follow_the_leverage() -> None:
    """Own errors u of each gain leave u·√(1 − h) of a residual, h the leverage 1/6 + (k − 2.5)²/17.5.

    Textbook regression: the variance of a residual is σ²(1 − h).
    """
    causes = {"own": Cause.of(0.1, np.arange(6), rows=6), "common": Cause.of(0.3, 7, rows=6)}
    _, residual = best_fit_errors(Uncertain.of(np.array(GAIN_DB), causes), BY_CODE, CODES)
    leverage = 1 / 6 + (np.arange(6) - 2.5) ** 2 / 17.5

    np.testing.assert_allclose(residual.standard, 0.1 * np.sqrt(1 - leverage), rtol=1e-9)


def test_a_group_that_misses_codes_is_fitted_to_the_others() -> None:
    """NaN at code 3 and another channel with all codes: each group has its own line."""
    gains = np.array([*GAIN_DB, *GAIN_DB])
    gains[3] = np.nan
    rows, residual = best_fit_errors(Uncertain.of(gains), _grid(channel=("A", "B"), gain_code=tuple(range(6))), CODES)
    others = [0, 1, 2, 4, 5]
    fit = stats.linregress(others, np.array(GAIN_DB)[others])

    np.testing.assert_array_equal(rows, [*others, *range(6, 12)])
    np.testing.assert_allclose(
        residual.value[:5], np.array(GAIN_DB)[others] - fit.intercept - fit.slope * np.array(others)
    )
    np.testing.assert_allclose(residual.value[5:], [-0.010, 0.028, -0.024, 0.024, -0.038, 0.020], atol=1e-3)


def test_flatness_is_highest_less_lowest_over_frequency() -> None:
    """20.1, 20.4 and 19.9 dB: 0.5 dB, stated at the lowest frequency; one frequency has none."""
    grid = _grid(frequency_hz=(60e6, 30e6, 90e6))
    (row,), flat = flatness(_exact([20.1, 20.4, 19.9]), grid)

    assert (row, flat.value[0]) == (1, pytest.approx(0.5))
    assert len(flatness(_exact([20.1]), _grid())[0]) == 0


TEMPERATURES_C = (-40.0, 0.0, 25.0, 55.0, 85.0)
CURRENT_A = [0.0932, 0.0943, 0.0950, 0.0957, 0.0961]


def test_least_squares_slope_of_a_current() -> None:
    """DR-03: 0.0236898 mA/K over five temperatures, 249.367 ppm/K of 95.00 mA, where the box gives 244.2105 ppm/K."""
    grid = _grid(temperature_c=TEMPERATURES_C)
    (row,), relative = slope(_exact(CURRENT_A), grid, 25.0)
    _, boxed = box(_exact(CURRENT_A), grid, 25.0)

    assert (row, relative.value[0]) == (2, pytest.approx(249.367, abs=1e-3))
    assert relative.value[0] * 0.095 / 1e6 == pytest.approx(0.0236898e-3, abs=1e-10)
    assert boxed.value[0] == pytest.approx(244.2105, abs=1e-4)


@pytest.mark.parametrize(
    ("temperatures_c", "current_a"),
    [((25.0,), [0.095]), ((-40.0, 85.0), [0.093, 0.096]), ((-40.0, 25.0), [0.093, 0.0])],
    ids=["one temperature", "no reference", "no current there"],
)
def test_a_relative_slope_without_span_or_reference_does_not_exist(
    temperatures_c: tuple[float, ...], current_a: list[float]
) -> None:
    """DR-04: left out, neither 0 nor infinity."""
    rows, relative = slope(_exact(current_a), _grid(temperature_c=temperatures_c), 25.0)

    assert len(rows) == len(relative) == 0


def test_the_box_inverted_gives_the_whole_span() -> None:
    """Coefficient · nominal · (hottest − coldest) / 10⁶ is highest less lowest: DR-01 and DR-02 back to mA.

    A forum post on a voltage reference gets this product wrong, so it has a test of its own.
    """
    assert box_span(244.2105, 95.0, 125.0) == pytest.approx(96.1 - 93.2, abs=1e-4)
    assert box_span(92.6316, 95.0, 125.0) == pytest.approx(96.1 - 95.0, abs=1e-4)


@settings(deadline=None)
@given(st.floats(-0.02, 0.02), st.floats(-30.0, 30.0))
def test_the_tempco_of_a_straight_line_is_its_slope(per_k: float, at_zero: float) -> None:
    """Whatever the order of the temperatures; a constant adds nothing."""
    temperatures = (85.0, -40.0, 25.0)
    gain = _exact([at_zero + per_k * temperature for temperature in temperatures])
    (row,), coefficient = tempco(gain, _grid(temperature_c=temperatures), 25.0)

    assert row == 2
    assert coefficient.value[0] == pytest.approx(per_k, abs=1e-12)


def test_uncertainty_of_a_tempco_is_that_of_a_regression() -> None:
    """Own errors σ at each temperature: σ/√Σ(T − mean)², as the standard error of a slope with known σ."""
    gain = Uncertain.of(np.zeros(5), {"own": Cause.of(0.05, np.arange(5), rows=5), "level": Cause.of(0.3, 9, rows=5)})
    _, coefficient = tempco(gain, _grid(temperature_c=TEMPERATURES_C), 25.0)
    spread = np.sqrt(np.sum((np.array(TEMPERATURES_C) - 25.0) ** 2))

    assert coefficient.standard[0] == pytest.approx(0.05 / spread)


def test_a_mode_that_saves_a_fifth_and_one_that_saves_a_quarter() -> None:
    """5 V · 200 mA against 5 V · 160 mA is 20 %; against 4.75 V · 158 mA 24.95 %. Common practice, no source.

    The meter's gain error is the same in both and goes: ± 1 % in each leaves nothing of the saving.
    """
    grid = _grid(supply_mode=("nominal", "low", "lower"))
    gain_error = {"meter gain": Cause.of(0.01 * np.array([0.2, 0.16, 0.158]), 0, rows=3)}
    taken = power(_exact([5.0, 5.0, 4.75]), Uncertain.of(np.array([0.2, 0.16, 0.158]), gain_error))
    rows, saved = mode_saving(taken, grid, ("nominal", "low", "lower"))

    np.testing.assert_array_equal(rows, [1, 2])
    np.testing.assert_allclose(saved.value, [20.0, 24.95], atol=1e-9)
    np.testing.assert_allclose(saved.standard, 0.0, atol=1e-12)


def test_heat_is_what_goes_in_less_what_comes_out() -> None:
    """1 W from the supply, two tones of 10 dBm in and of 20 dBm out: 1 + 0.02 − 0.2 = 0.82 W."""
    supply_power = _exact([1.0])
    heat = dissipation(supply_power, [_exact([10.0])] * 2, [_exact([20.0])] * 2)

    assert heat.value[0] == pytest.approx(0.82)
