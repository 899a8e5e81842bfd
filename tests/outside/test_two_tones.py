"""Intercepts, products and harmonics against published values and the power series (TT rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from reports.analyzer_limits import own_product_dbm
from reports.decibels import dbm_of_volts_peak
from reports.distortion import harmonic, oip2, oip3, oip3_lower, oip3_upper
from reports.uncertainty import Cause, Uncertain

FloatArray = NDArray[np.float64]
LEVEL = st.floats(-40.0, 20.0)


def _exact(level_dbm: float) -> Uncertain:
    return Uncertain.of(np.array([level_dbm]))


def _lower(p1: float, p2: float, product: float) -> float:
    return float(oip3_lower(_exact(p1), _exact(p2), _exact(product)).value[0])


def _upper(p1: float, p2: float, product: float) -> float:
    return float(oip3_upper(_exact(p1), _exact(p2), _exact(product)).value[0])


@pytest.mark.parametrize(
    ("tone_dbm", "product_dbm", "intercept_dbm"),
    [(-20.0, -90.0, 15.0), (-23.0, -23.0 - 47.30, 0.65), (0.0, -40.0, 20.0), (0.0, -100.0, 50.0)],
    ids=["TT-01", "TT-02", "TT-03", "practice"],
)
def test_equal_tones_give_level_plus_half_the_distance(
    tone_dbm: float, product_dbm: float, intercept_dbm: float
) -> None:
    """OIP3 = P + Δ/2.

    TT-01: −20 dBm and −90 dBm give +15 dBm; handheld spectrum analyzer maintenance manual PN 10580-00177 rev D,
    function verification, step 15. TT-02: −23.0 dBm, 47.30 dB apart, +0.65 dBm; benchtop analyzer user manual, section
    on intermodulation, p. 44. TT-03 backwards: intercept 20 dBm, tone 0 dBm, product 40 dB below; textbook companion
    code on network noise and intermodulation, example 3.13 (the book's name from memory, not seen). 100 dBc at 0 dBm
    per tone is an OIP3 of 50 dBm: common practice, no source.
    """
    assert _lower(tone_dbm, tone_dbm, product_dbm) == pytest.approx(intercept_dbm, abs=1e-9)
    assert _upper(tone_dbm, tone_dbm, product_dbm) == pytest.approx(intercept_dbm, abs=1e-9)


def test_unequal_tones_give_the_worse_side_as_the_figure() -> None:
    """TT-06: −2.0 and −2.5 dBm with −80.3 (low) and −79.1 dBm (high) give 36.90 and 36.05, reported 36.05 dBm.

    From (2·P1 + P2 − Pim)/2 and (P1 + 2·P2 − Pim)/2.
    """
    tones = _exact(-2.0), _exact(-2.5)
    lower, upper = oip3_lower(*tones, _exact(-80.3)), oip3_upper(*tones, _exact(-79.1))

    assert lower.value[0] == pytest.approx(36.90, abs=1e-9)
    assert upper.value[0] == pytest.approx(36.05, abs=1e-9)
    assert oip3(lower, upper).value[0] == upper.value[0]


def test_second_order_intercept() -> None:
    """TT-10: −2.0 and −2.2 dBm with a sum product at −80.0 dBm give 75.8 dBm; by definition."""
    assert oip2(_exact(-2.0), _exact(-2.2), _exact(-80.0)).value[0] == pytest.approx(75.8, abs=1e-9)


def _spectrum_dbm(coefficients: tuple[float, float, float], first_v: float, second_v: float) -> dict[str, float]:
    """Lines of a1·x + a2·x² + a3·x³ in 200 Ω from a coherent transform: 7 and 8 cycles in 64 samples, no leakage."""
    phase = 2 * np.pi * np.arange(64) / 64
    x = first_v * np.cos(7 * phase) + second_v * np.cos(8 * phase)
    a1, a2, a3 = coefficients
    amplitude = 2 * np.abs(np.fft.rfft(a1 * x + a2 * x**2 + a3 * x**3)) / 64
    bins = {"tone_lower": 7, "tone_upper": 8, "im3_lower": 6, "im3_upper": 9, "im2_sum": 15, "hd2": 14, "hd3": 21}
    return {line: float(dbm_of_volts_peak(float(amplitude[place]), 200.0)) for line, place in bins.items()}


@pytest.mark.parametrize(
    ("second_v", "levels", "intercepts"),
    [
        (
            0.05,
            {"tone_lower": -2.0510, "im3_lower": -70.5606, "im2_sum": -50.0, "hd2": -56.0206, "hd3": -80.1030},
            (32.2038, 32.2038, 45.8980),
        ),
        (
            0.04,
            {"tone_lower": -2.0486, "tone_upper": -3.9880, "im3_lower": -72.4988, "im3_upper": -74.4370},
            (32.2068, 32.2062, None),
        ),
    ],
    ids=["TT-07 and TT-08", "TT-09"],
)
def test_a_cubic_gives_the_products_of_the_power_series(
    second_v: float, levels: dict[str, float], intercepts: tuple[float, float, float | None]
) -> None:
    """a = (10, 0.8, −2) with 0.05 V and 0.05 or 0.04 V peak in 200 Ω.

    Closed form of the power series (e.g. K. Kundert, Accurate and Rapid Measurement of IP2 and IP3, 2002). The
    intercepts are those measured at this level and not the small-signal ones of 32.2185 and 45.9176 dBm: the tones are
    compressed a little. With unequal tones both sides agree although the products differ by 1.94 dB.
    """
    lines = _spectrum_dbm((10.0, 0.8, -2.0), 0.05, second_v)
    tones = _exact(lines["tone_lower"]), _exact(lines["tone_upper"])

    for line, level in levels.items():
        assert lines[line] == pytest.approx(level, abs=1e-4)
    assert oip3_lower(*tones, _exact(lines["im3_lower"])).value[0] == pytest.approx(intercepts[0], abs=2e-4)
    assert oip3_upper(*tones, _exact(lines["im3_upper"])).value[0] == pytest.approx(intercepts[1], abs=2e-4)
    if intercepts[2] is not None:
        assert oip2(*tones, _exact(lines["im2_sum"])).value[0] == pytest.approx(intercepts[2], abs=2e-4)


def test_a_harmonic_is_6_02_and_9_54_db_below_the_product_of_its_order() -> None:
    """TT-11: at equal level per tone, memoryless: 20·log10(2) and 20·log10(3), closed form."""
    lines = _spectrum_dbm((10.0, 0.8, -2.0), 0.05, 0.05)
    tone = np.array([lines["tone_lower"]])
    own = {
        line: float(own_product_dbm(line, tone, tone, np.zeros(1), 40.0)[0])
        for line in ("im3_lower", "im2_sum", "hd2", "hd3")
    }

    for found in (lines, own):
        assert found["im2_sum"] - found["hd2"] == pytest.approx(6.0206, abs=1e-4)
        assert found["im3_lower"] - found["hd3"] == pytest.approx(9.5424, abs=1e-4)


@given(LEVEL, LEVEL, st.floats(-3.0, 3.0))
def test_tones_and_products_move_in_their_proportion_and_leave_the_intercept(p1: float, p2: float, step: float) -> None:
    """TT-16: both tones up by 1 dB raise third-order products by 3 dB and second-order ones by 2 dB (power series)."""
    third, second = -80.0, -70.0

    assert _lower(p1 + step, p2 + step, third + 3 * step) == pytest.approx(_lower(p1, p2, third), abs=1e-9)
    assert _upper(p1 + step, p2 + step, third + 3 * step) == pytest.approx(_upper(p1, p2, third), abs=1e-9)
    before = oip2(_exact(p1), _exact(p2), _exact(second)).value[0]
    after = oip2(_exact(p1 + step), _exact(p2 + step), _exact(second + 2 * step)).value[0]
    assert after == pytest.approx(before, abs=1e-9)


@given(LEVEL, st.floats(-2.0, 2.0))
def test_a_product_read_too_high_lowers_the_intercept_by_half(tone_dbm: float, error_db: float) -> None:
    """TT-17: derivative of (3·P − Pim)/2."""
    change = _lower(tone_dbm, tone_dbm, -80.0 + error_db) - _lower(tone_dbm, tone_dbm, -80.0)

    assert change == pytest.approx(-error_db / 2, abs=1e-9)


@pytest.mark.parametrize(("is_one_draw", "expected_db"), [(False, 0.4743), (True, 0.3000)])
def test_uncertainty_of_an_intercept_from_tone_and_product(is_one_draw: bool, expected_db: float) -> None:
    """GU-13: OIP3 = 1.5·P − 0.5·I with 0.3 dB each: 0.4743 dB if independent, 0.3000 dB if fully correlated.

    Own computation with the uncertainties library. P1 and P2 are one and the same level here.
    """
    tone = Uncertain.of(np.zeros(1), {"level": Cause.of(0.3, 1, rows=1)})
    product = Uncertain.of(np.array([-80.0]), {"level": Cause.of(0.3, 1 if is_one_draw else 2, rows=1)})

    assert oip3_lower(tone, tone, product).standard[0] == pytest.approx(expected_db, abs=1e-4)


def test_a_harmonic_is_against_the_lower_tone() -> None:
    """−56.0206 dBm against −2.0510 dBm is −53.9696 dBc (TT-07)."""
    assert harmonic(_exact(-2.0510), _exact(-56.0206)).value[0] == pytest.approx(-53.9696, abs=1e-9)
