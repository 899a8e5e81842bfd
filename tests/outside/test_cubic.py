"""Compression and intercepts of a cubic, by the series that the simulated unit computes with (TT rows)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from drivers.simulated.amplifier import Series, level_dbm, series_lines_v
from reports.distortion import oip3_lower
from reports.uncertainty import Uncertain

LOAD_OHM = 200.0

GAIN = st.floats(0.5, 100.0)
CURVATURE = st.floats(0.01, 20.0)


def _cubic(a1: float, ratio: float) -> Series:
    """A series whose a3 is −a1·ratio; nothing else bends it."""
    return Series(a1, 0.0, -a1 * ratio, 0.0)


def _oip3_dbm(series: Series) -> float:
    """Intercept that the reports make of two tones so small that they are compressed by parts in 10⁹ only."""
    small_v = 1e-5 * float(np.sqrt(series.a1 / -series.a3))
    lines = series_lines_v(series, small_v, small_v)
    tone, product = (Uncertain.of(np.array([level_dbm(lines[line], LOAD_OHM)])) for line in ("tone_lower", "im3_lower"))
    return float(oip3_lower(tone, tone, product).value[0])


def _compressed_at_v(series: Series, *, tones: int) -> float:
    """Peak input of each of one or two tones at which the lower one has lost 1 dB against the small-signal gain."""

    def excess_db(peak_v: float) -> float:
        line = series_lines_v(series, peak_v, peak_v if tones == 2 else 0.0)["tone_lower"]
        return 20 * float(np.log10(line / (series.a1 * peak_v))) + 1.0

    scale_v = float(np.sqrt(series.a1 / -series.a3))
    return float(brentq(excess_db, 0.01 * scale_v, 0.6 * scale_v, xtol=1e-13 * scale_v))


@given(GAIN, CURVATURE)
def test_one_tone_compresses_9_64_db_below_the_input_intercept(a1: float, ratio: float) -> None:
    """TT-13: 9.6357 dB at the input, 10.6357 dB at the output, for any a1 and a3 < 0.

    Public course texts print 9.6 dB; further digits computed: −10·log10(1 − 10^(−1/20)).
    """
    series = _cubic(a1, ratio)
    peak_v = _compressed_at_v(series, tones=1)
    intercept_dbm = _oip3_dbm(series)
    output_v = series_lines_v(series, peak_v, 0.0)["tone_lower"]

    gain_db = 20 * np.log10(a1)
    assert intercept_dbm - gain_db - level_dbm(peak_v, LOAD_OHM) == pytest.approx(9.6357, abs=1e-3)
    assert intercept_dbm - level_dbm(output_v, LOAD_OHM) == pytest.approx(10.6357, abs=1e-3)


@given(GAIN, CURVATURE)
def test_two_tones_compress_each_other_14_41_db_below_the_input_intercept(a1: float, ratio: float) -> None:
    """TT-14: each of two equal tones loses 1 dB at 14.4070 dB below IIP3, 4.77 dB before a single one would.

    Derived from the amplitude of f1, a1·A + a3·(¾·A³ + 1½·A³); own computation.
    """
    series = _cubic(a1, ratio)
    peak_v = _compressed_at_v(series, tones=2)

    below_db = _oip3_dbm(series) - 20 * np.log10(a1) - level_dbm(peak_v, LOAD_OHM)
    assert below_db == pytest.approx(14.4070, abs=1e-3)
    assert level_dbm(_compressed_at_v(series, tones=1), LOAD_OHM) - level_dbm(peak_v, LOAD_OHM) == pytest.approx(
        10 * np.log10(3), abs=1e-6
    )


def test_amplitudes_at_the_intercept_and_at_compression() -> None:
    """TT-15: a1 = 10, a3 = −2: 2.581989 V and 0.851466 V peak at the input; √(4·a1/(3·|a3|)) and 1 dB, computed."""
    series = Series(10.0, 0.0, -2.0, 0.0)
    intercept_v = np.sqrt(2e-3 * LOAD_OHM * 10 ** (_oip3_dbm(series) / 10)) / 10.0

    assert intercept_v == pytest.approx(2.581989, abs=1e-6)
    assert _compressed_at_v(series, tones=1) == pytest.approx(0.851466, abs=1e-6)
