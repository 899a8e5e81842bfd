"""Output resistance from levels into several loads, against independent fits; series resistors by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import curve_fit
from uncertainties import correlated_values, nominal_value, std_dev, ufloat
from uncertainties.umath import log10

from reports.decibels import dbm_of_volts_rms
from reports.errors import NotPositive
from reports.frames import AXES
from reports.load_dependence import against_reference, output_resistance, series_loss, series_resistors
from reports.partners import Grid
from reports.uncertainty import Cause, Uncertain

FloatArray = NDArray[np.float64]

LOADS_OHM = (100.0, 150.0, 200.0, 400.0)


def _grid(loads_ohm: tuple[float, ...] = LOADS_OHM, channels: tuple[str, ...] = ("A",)) -> Grid:
    every: dict[str, tuple[object, ...]] = dict.fromkeys(AXES, (0.0,)) | {"load_ohm": loads_ohm, "channel": channels}
    return Grid.of(pd.DataFrame(list(itertools.product(*(every[axis] for axis in AXES))), columns=list(AXES)))


def _gain_db(loads_ohm: FloatArray, common_db: float, output_ohm: float) -> FloatArray:
    gain: FloatArray = common_db + 20 * np.log10(loads_ohm / (loads_ohm + output_ohm))
    return gain


def _gains(value: FloatArray, own_db: FloatArray | float, common_db: float = 0.2) -> Uncertain:
    rows = len(value)
    causes = {"path": Cause.of(own_db, np.arange(rows), rows=rows), "level": Cause.of(common_db, 99, rows=rows)}
    return Uncertain.of(value, causes)


@settings(deadline=None)
@given(st.floats(0.0, 150.0), st.floats(-20.0, 30.0), st.integers(2, 4))
def test_exact_levels_give_the_resistance_back(output_ohm: float, common_db: float, count: int) -> None:
    """A voltage divider, for two loads and more; stated at the load nearest the reference."""
    loads = LOADS_OHM[:count]
    (row,), resistance = output_resistance(
        _gains(_gain_db(np.array(loads), common_db, output_ohm), 0.03), _grid(loads), 200.0
    )

    assert row == loads.index(min(loads, key=lambda load: abs(np.log(load / 200.0))))
    assert resistance.value[0] == pytest.approx(output_ohm, abs=1e-6)


@settings(deadline=None)
@given(
    st.lists(st.floats(-0.1, 0.1), min_size=4, max_size=4),
    st.lists(st.floats(0.01, 0.1), min_size=4, max_size=4),
)
def test_value_and_uncertainty_are_those_of_a_library_fit(errors: list[float], own: list[float]) -> None:
    """scipy.optimize.curve_fit with the full covariance matrix of the gains (absolute sigma), levels common to all."""
    loads, own_db = np.array(LOADS_OHM), np.array(own)
    measured = _gain_db(loads, 20.0, 25.0) + np.array(errors)
    covariance = np.diag(own_db**2) + 0.2**2
    fitted, found = curve_fit(_gain_db, loads, measured, p0=(20.0, 25.0), sigma=covariance, absolute_sigma=True)
    _, resistance = output_resistance(_gains(measured, own_db), _grid(), 200.0)

    assert resistance.value[0] == pytest.approx(fitted[1], rel=1e-3, abs=1e-3)
    assert resistance.standard[0] == pytest.approx(np.sqrt(found[1, 1]), rel=1e-3)


def test_two_loads_agree_with_the_closed_form_and_its_propagated_uncertainty() -> None:
    """Solved by hand, with the uncertainty that the `uncertainties` library propagates.

    V1/V2 = R1·(R2 + Ro)/(R2·(R1 + Ro)) = v, so Ro = R1·R2·(v − 1)/(R1 − v·R2).
    """
    first, second = correlated_values([19.0, 19.3], [[0.03**2 + 0.04, 0.04], [0.04, 0.03**2 + 0.04]])
    ratio = 10 ** ((first - second) / 20)
    by_hand = 100.0 * 400.0 * (ratio - 1) / (100.0 - ratio * 400.0)
    _, resistance = output_resistance(_gains(np.array([19.0, 19.3]), 0.03), _grid((100.0, 400.0)), 200.0)

    assert resistance.value[0] == pytest.approx(nominal_value(by_hand), rel=1e-9)
    assert resistance.standard[0] == pytest.approx(std_dev(by_hand), rel=1e-4)


def test_an_error_that_all_loads_share_moves_nothing() -> None:
    """Only what differs from load to load makes the resistance uncertain."""
    gains = _gain_db(np.array(LOADS_OHM), 20.0, 10.0)
    small = output_resistance(_gains(gains, 0.03, common_db=0.0), _grid(), 200.0)[1].standard[0]
    large = output_resistance(_gains(gains, 0.03, common_db=5.0), _grid(), 200.0)[1].standard[0]

    assert large == pytest.approx(small, rel=1e-3)


def test_loads_whose_paths_are_known_badly_count_less() -> None:
    """One path with u = 1 dB: the resistance is nearly that of the other three, and far from the plain mean."""
    gains = _gain_db(np.array(LOADS_OHM), 20.0, 10.0)
    gains[1] += 0.5
    _, weighted = output_resistance(_gains(gains, np.array([0.01, 1.0, 0.01, 0.01])), _grid(), 200.0)
    _, plain = output_resistance(_gains(gains, 0.01), _grid(), 200.0)

    assert weighted.value[0] == pytest.approx(10.0, abs=0.02)
    assert abs(plain.value[0] - 10.0) > 0.5


def test_gains_known_exactly_and_groups_of_different_size_have_a_fit_too() -> None:
    """No uncertainty at all: equal weights. A load that one channel misses does not stop the other."""
    gains = np.concatenate([_gain_db(np.array(LOADS_OHM), 20.0, 10.0), _gain_db(np.array(LOADS_OHM), 18.0, 40.0)])
    gains[6] = np.nan
    rows, resistance = output_resistance(Uncertain.of(gains), _grid(channels=("A", "B")), 200.0)

    np.testing.assert_array_equal(rows, [2, 5])
    np.testing.assert_allclose(resistance.value, [10.0, 40.0], atol=1e-6)
    np.testing.assert_array_equal(resistance.standard, 0.0)


def test_one_load_has_no_output_resistance_and_no_change() -> None:
    """Left out, neither 0 nor infinity."""
    gains = _gains(np.array([20.0]), 0.03)

    assert len(output_resistance(gains, _grid((200.0,)), 200.0)[0]) == 0
    assert len(against_reference(gains, _grid((200.0,)), 200.0)[0]) == 0


def test_a_quarter_of_the_load_gets_six_decibels_more_from_a_stiff_source() -> None:
    """1 V across 200 Ω and across 50 Ω: 6.02 dB more power; with 10 Ω in series 5.3 dB. P = V²/R; common, no source."""
    grid = _grid((50.0, 200.0))
    stiff = [float(dbm_of_volts_rms(1.0, load)) for load in (50.0, 200.0)]
    soft = [float(dbm_of_volts_rms(load / (load + 10.0), load)) for load in (50.0, 200.0)]
    changes = [against_reference(Uncertain.of(np.array(levels)), grid, 200.0)[1].value for levels in (stiff, soft)]

    np.testing.assert_allclose(changes[0], [6.0206, 0.0], atol=1e-4)
    np.testing.assert_allclose(changes[1], [6.0206 - 20 * np.log10(60 / 50 * 200 / 210), 0.0], atol=1e-4)


def test_series_resistors_match_a_source_of_ten_ohms_to_a_filter_of_two_hundred() -> None:
    """(200 − 10)/2 = 95 Ω each; the level at the filter falls by 20·log10(400/210) = 5.597 dB.

    By hand; u(Ro) = 1 Ω gives 0.5 Ω of each resistor and 8.686/210 dB of loss.
    """
    source = Uncertain.of(np.array([10.0]), {"fit": Cause.of(1.0, rows=1)})
    each, loss = series_resistors(source, 200.0), series_loss(source, 200.0, 200.0)
    by_library = 20 * log10(400.0 / (ufloat(10.0, 1.0) + 200.0))

    assert (each.value[0], each.standard[0]) == (pytest.approx(95.0), pytest.approx(0.5))
    assert loss.value[0] == pytest.approx(5.597, abs=5e-4)
    assert loss.value[0] == pytest.approx(nominal_value(by_library))
    assert loss.standard[0] == pytest.approx(std_dev(by_library), rel=1e-6)


@pytest.mark.parametrize("resistance_ohm", [0.0, -50.0])
def test_resistances_that_are_not_above_zero_are_refused(resistance_ohm: float) -> None:
    """Neither source nor filter has such a resistance."""
    source = Uncertain.of(np.array([10.0]))

    with pytest.raises(NotPositive):
        series_resistors(source, resistance_ohm)
    with pytest.raises(NotPositive):
        series_loss(source, 200.0, resistance_ohm)
