"""The analyzer's noise and its own distortion against published values (RD, NS and KT rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.analyzer_limits import (
    noise_correction_db,
    noise_level_dbm,
    noise_sensitivity,
    phase_error_db,
    phase_standard_db,
)
from reports.decibels import db_of_power_ratio, dbm_of_watts, power_ratio
from reports.errors import NotPositive

#: J/K, exact: SI Brochure, 9th edition, 2019, 2.2.
BOLTZMANN_J_PER_K = 1.380649e-23


@pytest.mark.parametrize(
    ("distance_db", "highest_db", "lowest_db"),
    [
        (0.0, 6.0206, -np.inf),
        (18.0, 1.0299, -1.1687),
        (10.0, 2.3866, -3.3018),
        (20.0, 0.8279, -0.9151),
        (30.0, 0.2704, -0.2791),
    ],
    ids=["RD-01", "RD-02", "RD-03a", "RD-03b", "RD-03c"],
)
def test_a_residual_of_unknown_phase(distance_db: float, highest_db: float, lowest_db: float) -> None:
    """20·log10(1 ± 10^(−d/20)).

    Vendor application note Spectrum Analysis Basics (AN 150), "Dynamic range versus measurement uncertainty": +6 dB and
    −∞ for equal levels; about 18 dB keep the error near ±1 dB. The other rows: same formula.
    """
    highest, lowest = phase_error_db(np.array([distance_db]))

    assert highest[0] == pytest.approx(highest_db, abs=5e-4)
    assert lowest[0] == pytest.approx(lowest_db, abs=5e-4)


def test_bounds_of_an_intercept_with_a_residual_18_db_down() -> None:
    """RD-04: indicated 40.00 dBm, residual 18 dB below the product: true in [39.4157, 40.5150] dBm, half of RD-02."""
    highest, lowest = phase_error_db(np.array([18.0]))

    assert 40.0 + lowest[0] / 2 == pytest.approx(39.4157, abs=1e-3)
    assert 40.0 + highest[0] / 2 == pytest.approx(40.5150, abs=1e-3)


@pytest.mark.parametrize("distance_db", [6.0, 10.0, 18.0, 40.0])
def test_standard_deviation_over_the_unknown_phase(distance_db: float) -> None:
    """Against the numerical mean over all phases; far below the line it is the U-shaped a/√2 of JCGM-style budgets.

    The mean error over the phase is 0 for any residual below the line (mean of ln|1 + x·e^(jφ)|, Jensen's formula).
    """
    phase = (np.arange(100_000) + 0.5) * 2 * np.pi / 100_000
    error_db = 20 * np.log10(np.abs(1 + 10 ** (-distance_db / 20) * np.exp(1j * phase)))
    found = phase_standard_db(np.array([distance_db]))[0]

    assert error_db.mean() == pytest.approx(0.0, abs=1e-9)
    assert found == pytest.approx(error_db.std(), rel=1e-6)
    if distance_db >= 40:
        assert found == pytest.approx(phase_error_db(np.array([distance_db]))[0][0] / np.sqrt(2), rel=0.01)


@pytest.mark.parametrize(
    ("true_snr_db", "reads_high_db"),
    [(0.0, 3.0103), (5.0, 1.1933), (10.0, 0.4139), (3.0, 1.7643), (15.0, 0.1352), (20.0, 0.0432)],
)
def test_a_line_in_noise_reads_high_and_the_correction_takes_it_back(true_snr_db: float, reads_high_db: float) -> None:
    """NS-01, NS-02: 10·log10(1 + 10^(−SNR/10)) for a power-averaged reading; true and displayed ratio differ.

    Vendor blog Low SNR measurements: how close to noise is too close? (3, 1.2, 0.41 dB); the rest by the same formula.
    """
    displayed_db = float(db_of_power_ratio(1.0 + power_ratio(true_snr_db)))

    assert displayed_db - true_snr_db == pytest.approx(reads_high_db, abs=5e-4)
    assert noise_correction_db(np.array([displayed_db]))[0] == pytest.approx(-reads_high_db, abs=5e-4)


@pytest.mark.parametrize(
    ("displayed_db", "correction_db"), [(10.0, -0.4576), (3.0, -3.0206), (5.0, -1.6509), (20.0, -0.0436)]
)
def test_correction_from_the_displayed_ratio(displayed_db: float, correction_db: float) -> None:
    """NS-03, NS-04: 10·log10(1 − 10^(−R/10)), R = (S + N)/N. 10 dB: vendor forum answer (0.46 dB)."""
    assert noise_correction_db(np.array([displayed_db]))[0] == pytest.approx(correction_db, abs=5e-4)


@pytest.mark.parametrize("displayed_db", [0.0, -1.0])
def test_a_reading_at_the_noise_has_no_signal(displayed_db: float) -> None:
    """NS-04: R ≤ 0 dB must be refused, not turned into a very small level."""
    with pytest.raises(NotPositive):
        noise_correction_db(np.array([displayed_db]))


@given(st.floats(1.0, 40.0))
def test_the_sensitivity_is_the_derivative(displayed_db: float) -> None:
    """d(reading + correction)/d(reading), by central difference over 2·10⁻⁴ dB."""
    step = 1e-4
    higher, lower = (
        displayed_db + side + noise_correction_db(np.array([displayed_db + side]))[0] for side in (step, -step)
    )

    assert noise_sensitivity(np.array([displayed_db]))[0] == pytest.approx((higher - lower) / (2 * step), rel=1e-4)


@pytest.mark.parametrize(
    ("temperature_k", "bandwidth_hz", "noise_dbm"),
    [(290.0, 1.0, -173.9752), (290.0, 1e6, -113.9752), (290.0, 4.5e6, -107.4431), (233.15, 1.0, -174.9228)],
    ids=["KT-01a", "KT-01b", "KT-02", "KT-03"],
)
def test_thermal_noise_in_a_bandwidth(temperature_k: float, bandwidth_hz: float, noise_dbm: float) -> None:
    """k·T·B with k of the SI of 2019; a mathematics tool's documentation shows −173.98 dBm for 290 K and 1 Hz."""
    density_dbm_per_hz = float(dbm_of_watts(BOLTZMANN_J_PER_K * temperature_k))
    level = noise_level_dbm(density_dbm_per_hz, np.zeros(1), np.array([bandwidth_hz]))

    assert level[0] == pytest.approx(noise_dbm, abs=1e-4)


def test_noise_density_to_channel() -> None:
    """NS-05: −70 dB/Hz in 30 kHz is −25.2288 dB; analyzer measurement guide, signal-to-noise procedure (25.23 dB)."""
    level = noise_level_dbm(-70.0, np.zeros(1), np.array([30e3]))

    assert level[0] == pytest.approx(-25.2288, abs=5e-3)
