"""Gain steps, matching, drift and mode saving against worked numbers (GS and DR rows of the README)."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from reports.decibels import dbm_of_volts_rms
from reports.frames import AXES
from reports.gain import cumulative_errors, step_errors, voltage_gain
from reports.matching import gain_match
from reports.partners import Grid
from reports.supply import box, change, drift, power
from reports.uncertainty import Uncertain
from sequences.part_file import GainCodes

FloatArray = NDArray[np.float64]

GAIN_A_DB = [26.02, 24.05, 21.99, 20.03, 17.96, 16.01]
GAIN_B_DB = [26.10, 24.01, 22.06, 20.05, 18.01, 15.98]
CODES = GainCodes(codes=tuple(map(float, range(6))), nominal_gain_db=(26.0, 24.0, 22.0, 20.0, 18.0, 16.0))


def _grid(**axes: tuple[object, ...]) -> Grid:
    every: dict[str, tuple[object, ...]] = dict.fromkeys(AXES, (0.0,)) | {"gain_code": (0,)} | axes
    return Grid.of(pd.DataFrame(list(itertools.product(*(every[axis] for axis in AXES))), columns=list(AXES)))


def _exact(values: list[float]) -> Uncertain:
    return Uncertain.of(np.array(values))


def test_step_errors_and_their_running_sum() -> None:
    """GS-01, GS-02: gains 26.02 … 16.01 dB at nominal steps of 2 dB.

    Definitions as a maker's support answer uses the words ("between two adjacent steps", "added up"); own arithmetic.
    """
    grid = _grid(gain_code=tuple(range(6)))
    rows, step = step_errors(_exact(GAIN_A_DB), grid, CODES)
    _, total = cumulative_errors(_exact(GAIN_A_DB), grid, CODES)

    np.testing.assert_array_equal(rows, [1, 2, 3, 4, 5])
    np.testing.assert_allclose(step.value, [-0.03, 0.06, -0.04, 0.07, -0.05], atol=1e-9)
    np.testing.assert_allclose(total.value, [0.0, -0.03, 0.03, -0.01, 0.06, 0.01], atol=1e-9)
    assert np.abs(step.value).max() == pytest.approx(0.07)
    assert np.abs(total.value).max() == pytest.approx(0.06)


@given(st.lists(st.floats(-50.0, 50.0), min_size=6, max_size=6), st.floats(-50.0, 50.0))
def test_cumulative_error_is_the_running_sum_and_a_constant_changes_neither(gains: list[float], shift: float) -> None:
    """GS-04: for any gains; 1e-10 is what sums of numbers up to 100 may lose."""
    grid = _grid(gain_code=tuple(range(6)))
    _, step = step_errors(_exact(gains), grid, CODES)
    _, total = cumulative_errors(_exact(gains), grid, CODES)
    _, shifted = step_errors(_exact(gains).shifted(shift), grid, CODES)

    np.testing.assert_allclose(total.value[1:], np.cumsum(step.value), atol=1e-10)
    np.testing.assert_allclose(shifted.value, step.value, atol=1e-10)


def test_codes_that_run_the_other_way_give_the_same_errors() -> None:
    """A part whose code 5 is the highest gain: the steps are still taken from high to low and end at the lower gain."""
    falling = GainCodes(codes=CODES.codes, nominal_gain_db=CODES.nominal_gain_db[::-1])
    rows, step = step_errors(_exact(GAIN_A_DB[::-1]), _grid(gain_code=tuple(range(6))), falling)

    np.testing.assert_array_equal(rows, [0, 1, 2, 3, 4])
    np.testing.assert_allclose(step.value, [-0.05, 0.07, -0.04, 0.06, -0.03], atol=1e-9)


def test_channels_compared_code_by_code() -> None:
    """GS-06: A − B −0.08 +0.04 −0.07 −0.02 −0.05 +0.03 dB; largest 0.08, mean −0.025."""
    grid = _grid(channel=("A", "B"), gain_code=tuple(range(6)))
    rows, match = gain_match(_exact(GAIN_A_DB + GAIN_B_DB), grid, ("A", "B"))

    np.testing.assert_array_equal(rows, range(6, 12))
    np.testing.assert_allclose(match.value, [-0.08, 0.04, -0.07, -0.02, -0.05, 0.03], atol=1e-9)
    assert match.value.mean() == pytest.approx(-0.025)


@pytest.mark.parametrize("load_ohm", [50.0, 100.0, 200.0, 400.0])
def test_voltage_gain_is_the_ratio_of_voltages_in_any_load(load_ohm: float) -> None:
    """10 mV to 100 mV is 20 dB by definition, whatever resistances the powers are in (P = V²/R)."""
    given_in = _exact([float(dbm_of_volts_rms(0.01, 200.0))])
    taken_out = _exact([float(dbm_of_volts_rms(0.1, load_ohm))])
    gain = voltage_gain((taken_out, taken_out), (given_in, given_in), np.array([load_ohm]), 200.0)

    assert gain.value[0] == pytest.approx(20.0, abs=1e-9)


TEMPERATURES_C = (-40.0, 25.0, 85.0)


@pytest.mark.parametrize(
    ("current_ma", "box_ppm_per_k"),
    [([93.2, 95.0, 96.1], 244.2105), ([95.8, 95.0, 96.1], 92.6316)],
    ids=["DR-01", "DR-02"],
)
def test_box_method_takes_all_temperatures(current_ma: list[float], box_ppm_per_k: float) -> None:
    """(highest − lowest) / (at 25 °C · span), over all readings and not the ends only: 92.63 and not 25.26 ppm/K.

    Formula as on data sheets of voltage references; own arithmetic.
    """
    grid = _grid(temperature_c=TEMPERATURES_C)
    rows, coefficient = box(_exact([value / 1000 for value in current_ma]), grid, 25.0)

    np.testing.assert_array_equal(rows, [1])
    assert coefficient.value[0] == pytest.approx(box_ppm_per_k, abs=1e-4)


def test_box_over_five_temperatures() -> None:
    """DR-03: with 0 and 55 °C in between the box is still 244.2105 ppm/K, whatever order they come in."""
    grid = _grid(temperature_c=(85.0, 0.0, 25.0, -40.0, 55.0))
    rows, coefficient = box(_exact([0.0961, 0.0943, 0.0950, 0.0932, 0.0957]), grid, 25.0)

    np.testing.assert_array_equal(rows, [2])
    assert coefficient.value[0] == pytest.approx(244.2105, abs=1e-4)


def test_drift_from_the_reference_temperature() -> None:
    """DR-01: −1.89474 %, 0, +1.15789 % of the current at 25 °C; −1.8 and +1.1 mA."""
    grid, current = _grid(temperature_c=TEMPERATURES_C), _exact([0.0932, 0.0950, 0.0961])

    np.testing.assert_allclose(drift(current, grid, 25.0)[1].value, [-1.89474, 0.0, 1.15789], atol=1e-5)
    np.testing.assert_allclose(change(current, grid, 25.0)[1].value, [-1.8e-3, 0.0, 1.1e-3], atol=1e-12)


@pytest.mark.parametrize(
    ("temperatures_c", "current_a"), [((25.0,), [0.095]), (TEMPERATURES_C, [0.093, 0.0, 0.096])], ids=["one", "zero"]
)
def test_one_temperature_or_no_reference_current_gives_no_coefficient(
    temperatures_c: tuple[float, ...], current_a: list[float]
) -> None:
    """DR-04: refused, neither 0 nor infinity."""
    rows, coefficient = box(_exact(current_a), _grid(temperature_c=temperatures_c), 25.0)

    assert len(rows) == len(coefficient) == 0


def test_a_group_with_a_reading_missing_uses_the_others() -> None:
    """NaN at 85 °C: the box is over −40 and 25 °C alone, and not NaN."""
    rows, coefficient = box(_exact([0.0932, 0.0950, float("nan")]), _grid(temperature_c=TEMPERATURES_C), 25.0)

    np.testing.assert_array_equal(rows, [1])
    assert coefficient.value[0] == pytest.approx(1e6 * 0.0018 / (0.095 * 65.0))


def test_a_low_power_mode_that_saves_a_fifth_shows_as_a_fifth() -> None:
    """200 mA at 5.00 V and 160 mA at 5.00 V: a fifth less current and power. Common practice, no source."""
    taken = power(_exact([5.0, 5.0]), _exact([0.2, 0.16])).value

    assert 1 - taken[1] / taken[0] == pytest.approx(0.2)
