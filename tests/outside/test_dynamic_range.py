"""Range between noise and third-order products, as the analyzer's limits and its settings follow it (TT rows)."""

from __future__ import annotations

import numpy as np
import pytest

from bench.acquisition import expected_level_dbm, intercept_dbm
from reports.analyzer_limits import noise_level_dbm, own_product_dbm
from reports.decibels import dbm_of_watts
from reports.noise import BOLTZMANN_J_PER_K

KT_DBM_PER_HZ = float(dbm_of_watts(BOLTZMANN_J_PER_K * 290.0))


def _own_product_dbm(tone_dbm: float, intercept3_dbm: float, attenuation_db: float = 0.0) -> float:
    tone = np.array([tone_dbm])
    return float(own_product_dbm("im3_lower", tone, tone, np.array([attenuation_db]), intercept3_dbm)[0])


def _noise_dbm(density_dbm_per_hz: float, bandwidth_hz: float, attenuation_db: float = 0.0) -> float:
    return float(noise_level_dbm(density_dbm_per_hz, np.array([attenuation_db]), np.array([bandwidth_hz]))[0])


def test_tones_at_the_top_of_the_range_have_products_as_strong_as_the_noise() -> None:
    """TT-04: intercept 20 dBm, noise −123 dBm: 95.333 dB, that is ⅔ of the distance between both.

    Textbook companion code, chapter on network noise and intermodulation distortion, example 3.14; printed (the book's
    name from memory, not seen). For the analyzer's own products, and for those that its settings are made for.
    """
    noise_dbm, range_db = -123.0, 95.333
    tone_dbm = noise_dbm + range_db

    assert _own_product_dbm(tone_dbm, 20.0) == pytest.approx(noise_dbm, abs=3e-3)
    assert expected_level_dbm("im3_lower", tone_dbm, 20.0) == pytest.approx(noise_dbm, abs=3e-3)
    assert intercept_dbm("im3_upper", tone_dbm, noise_dbm) == pytest.approx(20.0, abs=2e-3)


@pytest.mark.parametrize(
    ("density_dbm_per_hz", "floor_dbm", "range_db"),
    [(-174.0 + 6.0, -98.0, 58.667), (KT_DBM_PER_HZ + 6.0, -97.975, 58.650)],
    ids=["kT taken as −174 dBm/Hz", "kT at 290 K"],
)
def test_range_of_a_receiver(density_dbm_per_hz: float, floor_dbm: float, range_db: float) -> None:
    """TT-05: noise figure 6 dB, input intercept −10 dBm, 10 MHz: floor −98 dBm, range 58.667 dB.

    A public page on the spurious-free range of receivers prints 58.7 dB, with −174 dBm/Hz; 58.650 dB with the Boltzmann
    constant of the SI of 2019, computed.
    """
    noise_dbm = _noise_dbm(density_dbm_per_hz, 10e6)

    assert noise_dbm == pytest.approx(floor_dbm, abs=1e-3)
    assert _own_product_dbm(noise_dbm + range_db, -10.0) == pytest.approx(noise_dbm, abs=3e-3)


@pytest.mark.parametrize("attenuation_db", [0.0, 10.0, 40.0])
def test_attenuation_moves_the_range_and_leaves_its_width(attenuation_db: float) -> None:
    """10 dB more take noise and intercept up by 10 dB, so tones that much stronger are at the top; by definition."""
    noise_dbm = _noise_dbm(-155.0, 10.0, attenuation_db)
    tone_dbm = noise_dbm + 2 / 3 * (26.0 + 155.0 - 10.0)

    assert noise_dbm == pytest.approx(-145.0 + attenuation_db, abs=1e-9)
    assert _own_product_dbm(tone_dbm, 26.0, attenuation_db) == pytest.approx(noise_dbm, abs=1e-9)
