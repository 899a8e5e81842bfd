"""Levels, volts and watts against published conversions (LV rows of the README), and laws of the conversions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.decibels import (
    db_of_power_ratio,
    db_of_voltage_ratio,
    dbm_of_volts_peak,
    dbm_of_volts_peak_to_peak,
    dbm_of_volts_rms,
    dbm_of_watts,
    power_ratio,
    voltage_ratio,
    volts_peak_of_dbm,
    volts_peak_to_peak_of_dbm,
    volts_rms_of_dbm,
    watts_of_dbm,
)
from reports.errors import NotPositive

LEVEL = st.floats(-200.0, 60.0)
LOAD = st.floats(0.1, 1e6)


@pytest.mark.parametrize(
    ("load_ohm", "rms_v", "peak_v", "peak_to_peak_v"),
    [
        (50.0, 0.223607, 0.316228, 0.632456),
        (100.0, 0.316228, 0.447214, 0.894427),
        (200.0, 0.447214, 0.632456, 1.264911),
    ],
    ids=["LV-01", "LV-02a", "LV-02b"],
)
def test_0_dbm_in_volts(load_ohm: float, rms_v: float, peak_v: float, peak_to_peak_v: float) -> None:
    """LV-01: conversion sheet of dBm and Vpp in 50 Ω (223.6 mV, 632.5 mV peak to peak); LV-02 by P = V²/R."""
    assert volts_rms_of_dbm(0.0, load_ohm) == pytest.approx(rms_v, abs=1e-6)
    assert volts_peak_of_dbm(0.0, load_ohm) == pytest.approx(peak_v, abs=1e-6)
    assert volts_peak_to_peak_of_dbm(0.0, load_ohm) == pytest.approx(peak_to_peak_v, abs=1e-6)


@pytest.mark.parametrize(("level_dbm", "peak_to_peak_v"), [(10.0, 2.0), (20.0, 6.3246)])
def test_dbm_in_50_ohm_as_peak_to_peak(level_dbm: float, peak_to_peak_v: float) -> None:
    """LV-03: same sheet (2.00 and 6.32 V)."""
    assert volts_peak_to_peak_of_dbm(level_dbm, 50.0) == pytest.approx(peak_to_peak_v, abs=1e-4)


@pytest.mark.parametrize(
    ("peak_to_peak_v", "load_ohm", "level_dbm"),
    [(2.0, 200.0, 3.9794), (2.0, 100.0, 6.9897), (1.0, 200.0, -2.0412), (1.0, 100.0, 0.9691)],
)
def test_differential_volts_in_dbm(peak_to_peak_v: float, load_ohm: float, level_dbm: float) -> None:
    """LV-04 by P = V²/R. LV-05: 2 V peak to peak composite is 1 V for each of two equal tones.

    That "composite" means the peak of the sum is the convention of data sheets, from memory, not seen.
    """
    assert dbm_of_volts_peak_to_peak(peak_to_peak_v, load_ohm) == pytest.approx(level_dbm, abs=1e-4)


def test_a_stage_of_low_output_resistance_gives_6_db_more_into_a_quarter_of_the_load() -> None:
    """The voltage stays, the power is V²/R: 10·log10(4) = 6.02 dB. Common practice, no source."""
    gain_db = dbm_of_volts_rms(0.5, 50.0) - dbm_of_volts_rms(0.5, 200.0)

    assert gain_db == pytest.approx(6.0206, abs=1e-4)


@given(LEVEL, LOAD)
def test_levels_survive_the_way_to_volts_and_back(level_dbm: float, load_ohm: float) -> None:
    """Each pair of conversions is a pair of inverses, for one number and for an array alike."""
    assert dbm_of_watts(watts_of_dbm(level_dbm)) == pytest.approx(level_dbm, abs=1e-9)
    assert dbm_of_volts_rms(volts_rms_of_dbm(level_dbm, load_ohm), load_ohm) == pytest.approx(level_dbm, abs=1e-9)
    assert dbm_of_volts_peak(volts_peak_of_dbm(level_dbm, load_ohm), load_ohm) == pytest.approx(level_dbm, abs=1e-9)
    levels, loads = np.array([level_dbm, 0.0]), np.array([load_ohm, 50.0])
    np.testing.assert_allclose(
        dbm_of_volts_peak_to_peak(volts_peak_to_peak_of_dbm(levels, loads), loads), levels, atol=1e-9
    )


@given(st.floats(-150.0, 150.0))
def test_twice_the_decibels_of_power_for_voltage(difference_db: float) -> None:
    """A ratio of voltages squared is the ratio of powers."""
    assert voltage_ratio(difference_db) ** 2 == pytest.approx(power_ratio(difference_db), rel=1e-9)
    assert db_of_voltage_ratio(voltage_ratio(difference_db)) == pytest.approx(difference_db, abs=1e-9)
    assert db_of_power_ratio(power_ratio(difference_db)) == pytest.approx(difference_db, abs=1e-9)


@pytest.mark.parametrize("convert", [db_of_power_ratio, db_of_voltage_ratio, dbm_of_watts])
@pytest.mark.parametrize("value", [0.0, -1.0])
def test_a_logarithm_of_nothing_is_refused(convert: Callable[[object], object], value: float) -> None:
    """No floor, no −∞ and no NaN: a ratio that is not positive is an error, in an array as well."""
    with pytest.raises(NotPositive):
        convert(value)
    with pytest.raises(NotPositive):
        convert(np.array([1.0, value]))


@pytest.mark.parametrize("load_ohm", [0.0, -50.0])
def test_a_load_is_positive(load_ohm: float) -> None:
    """A level in no load, or a negative one, is no level."""
    with pytest.raises(NotPositive, match="load resistance"):
        volts_rms_of_dbm(0.0, load_ohm)
    with pytest.raises(NotPositive, match="load resistance"):
        dbm_of_volts_rms(1.0, load_ohm)


def test_a_single_nan_is_refused_and_one_in_a_column_passes_as_missing() -> None:
    """In a column NaN marks a reading that is not there; a single NaN can only be a slip."""
    with pytest.raises(NotPositive):
        dbm_of_watts(float("nan"))
    column = dbm_of_watts(np.array([1e-3, np.nan]))
    assert column[0] == pytest.approx(0.0)
    assert np.isnan(column[1])
