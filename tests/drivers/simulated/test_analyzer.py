"""The simulated analyzer: noise statistics, its own products, and the errors that its accuracy declares."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.analyzer import AnalyzerModel, Line, SweepState, sweep_s
from drivers.simulated.paths import PathLossSetup, Paths
from drivers.simulated.rig_setup import AnalyzerSetup, RigSetup

_STATE = SweepState(60e6, 0.0, 1000.0, 10.0, 4000, preamplifier=False)


def _faultless(setup: RigSetup, noise_dbm_per_hz: float = -155.0) -> AnalyzerSetup:
    assert setup.analyzer is not None
    return AnalyzerSetup(0, 0, 0, 0, noise_dbm_per_hz, 62.0, 26.0, (0, 10, 20), (1000,), 30.0)


def _mean_dbm(samples: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
    return float(10 * np.log10(np.mean(10 ** (samples / 10))))


def _line(level_dbm: float, frequency_hz: float = 60e6) -> Line:
    return Line(frequency_hz, complex(10 ** ((level_dbm - 30) / 20)))


def test_without_a_line_the_mean_is_the_noise_in_the_bandwidth(setup: RigSetup) -> None:
    """−155 dBm/Hz + 10 dB attenuation + 30 dB for 1 kHz = −115 dBm; 4000 samples know it to 0.07 dB."""
    samples = AnalyzerModel(_faultless(setup), seed=1).sweep_dbm([], _STATE)

    assert _mean_dbm(samples) == pytest.approx(-115.0, abs=0.3)


def test_the_noise_of_a_bench_is_off_what_is_stated_by_one_draw(setup: RigSetup) -> None:
    """Within ±1 dB, at every attenuation the same; 4000 samples know it to 0.07 dB."""
    analyzer = AnalyzerModel(replace(_faultless(setup), noise_db=1.0), seed=1)
    levels = [_mean_dbm(analyzer.sweep_dbm([], replace(_STATE, attenuation_db=at_db))) - at_db for at_db in (0.0, 20.0)]

    assert 0.3 < abs(analyzer.noise_error_db) <= 1.0
    assert levels == pytest.approx([-125.0 + analyzer.noise_error_db] * 2, abs=0.3)


def test_noise_alone_scatters_like_an_exponential(setup: RigSetup) -> None:
    """The power of complex Gaussian noise is exponential: its standard deviation is its mean; 4000 samples: 3 %."""
    watts = 10 ** (AnalyzerModel(_faultless(setup), seed=2).sweep_dbm([], _STATE) / 10)

    assert float(np.std(watts) / np.mean(watts)) == pytest.approx(1.0, abs=0.12)


@pytest.mark.parametrize(("snr_db", "reads_high_db"), [(0, 3.0103), (5, 1.1933), (10, 0.4139)])
def test_a_line_near_the_noise_reads_high_by_the_published_amount(
    setup: RigSetup, snr_db: float, reads_high_db: float
) -> None:
    """10·log10(1 + 10^(−SNR/10)): 3, 1.2 and 0.41 dB in a published note on low-SNR measurements."""
    samples = AnalyzerModel(_faultless(setup), seed=3).sweep_dbm([_line(-115.0 + snr_db)], _STATE)

    assert _mean_dbm(samples) - (-115.0 + snr_db) == pytest.approx(reads_high_db, abs=0.2)


def test_the_scatter_of_a_strong_line_falls_with_its_ratio_to_the_noise(setup: RigSetup) -> None:
    """|A + z|² with noise N: standard deviation √(2·A²·N + N²); at 20 dB that is 14.2 % of the mean."""
    watts = 10 ** (AnalyzerModel(_faultless(setup), seed=4).sweep_dbm([_line(-95.0)], _STATE) / 10)

    expected = math.sqrt(2 * 0.01 + 0.01**2) / 1.01
    assert float(np.std(watts) / np.mean(watts)) == pytest.approx(expected, rel=0.06)


def test_a_filter_is_three_decibels_down_at_half_its_bandwidth(setup: RigSetup) -> None:
    """That is what a resolution bandwidth means; a line 8 bandwidths away is gone."""
    analyzer = AnalyzerModel(_faultless(setup, noise_dbm_per_hz=-250.0), seed=5)

    assert _mean_dbm(analyzer.sweep_dbm([_line(-20.0, 60e6 + 500.0)], _STATE)) == pytest.approx(-23.01, abs=0.01)
    assert _mean_dbm(analyzer.sweep_dbm([_line(-20.0, 60e6 + 8000.0)], _STATE)) < -200


def test_two_lines_in_one_filter_add_in_power(setup: RigSetup) -> None:
    """Equal lines that beat have twice the mean power: +3.01 dB."""
    analyzer = AnalyzerModel(_faultless(setup, noise_dbm_per_hz=-250.0), seed=5)

    both = _mean_dbm(analyzer.sweep_dbm([_line(-20.0, 60e6 - 1.0), _line(-20.0, 60e6 + 1.0)], _STATE))
    assert both == pytest.approx(-20.0 + 3.0103, abs=1e-3)


def test_a_span_shows_each_line_at_its_frequency(setup: RigSetup) -> None:
    """Swept over 10 kHz, the highest of 101 points is the one at the line."""
    analyzer = AnalyzerModel(_faultless(setup), seed=6)
    state = SweepState(60e6, 10e3, 1000.0, 10.0, 101, preamplifier=False)

    samples = analyzer.sweep_dbm([_line(-20.0, 60e6 + 2000.0)], state)
    assert int(np.argmax(samples)) == 70
    assert samples[70] == pytest.approx(-20.0, abs=0.01)


def test_own_products_lie_where_the_intercepts_put_them(setup: RigSetup) -> None:
    """2·Pa + Pb − 2·(IP3 + att) and its kin, at tones of −8 and −10 dBm, 10 dB attenuation."""
    analyzer = AnalyzerModel(_faultless(setup), seed=7)

    def own_dbm(line: str) -> float:
        return 20 * math.log10(abs(analyzer.own_product_w(line, (-8.0, -10.0), _STATE))) + 30

    assert own_dbm("im3_lower") == pytest.approx(2 * -8 - 10 - 2 * 36)
    assert own_dbm("im3_upper") == pytest.approx(2 * -10 - 8 - 2 * 36)
    assert own_dbm("im2_sum") == pytest.approx(-8 - 10 - 72)
    assert own_dbm("hd2") == pytest.approx(2 * -8 - 72 - 6.0206, abs=1e-4)
    assert own_dbm("hd3") == pytest.approx(3 * -8 - 2 * 36 - 9.5424, abs=1e-4)
    assert analyzer.own_product_w("tone_lower", (-8.0, -10.0), _STATE) == 0
    assert analyzer.own_product_w("im3_lower", (-8.0, -math.inf), _STATE) == 0


@given(st.integers(0, 10_000))
def test_an_own_product_adds_with_an_unknown_phase_but_one_that_stays(seed: int) -> None:
    """18 dB below, it moves the reading by +1.0299 to −1.1687 dB: the published bounds of 20·log10(1 ± 10^(−d/20)).

    Source of the bounds: a vendor's note on spectrum analysis basics ("about 18 dB" keeps the error near ±1 dB).
    """
    analyzer = AnalyzerModel(
        AnalyzerSetup(0, 0, 0, 0, -155.0, 62.0, 26.0, (0, 10, 20), (1000,), 30.0),
        seed,
    )
    tones = (-8.0, -8.0)
    own_dbm = 20 * math.log10(abs(analyzer.own_product_w("im3_lower", tones, _STATE))) + 30
    lines = {"im3_lower": _line(own_dbm + 18.0)}

    met, again = (analyzer.add_own_products(lines, tones, _STATE)[0] for _ in range(2))
    change_db = 20 * math.log10(abs(met.amplitude) / abs(lines["im3_lower"].amplitude))
    assert -1.1688 <= change_db <= 1.0300
    assert met == again


def test_the_phases_of_own_products_differ_from_bench_to_bench(setup: RigSetup) -> None:
    """All round the circle: 40 benches reach each of its quarters."""
    quarters = set()
    for seed in range(40):
        own = AnalyzerModel(_faultless(setup), seed).own_product_w("im3_lower", (-8.0, -8.0), _STATE)
        quarters.add((own.real > 0, own.imag > 0))

    assert len(quarters) == 4


@given(st.integers(0, 10_000), st.floats(1e6, 480e6))
def test_declared_accuracies_bound_what_is_drawn(seed: int, frequency_hz: float) -> None:
    """Level, slope, response and attenuator errors each stay within the half-width that the bench file states."""
    model = AnalyzerModel(AnalyzerSetup(0.25, 0.03, 0.12, 0.08, -155, 62, 26, (0, 10), (1000,), 30), seed)

    assert abs(model.level_error_db) <= 0.25
    assert abs(model.scale_error_db_per_10db) <= 0.03
    assert abs(model.response_db(frequency_hz)) <= 0.12
    assert abs(model.attenuator_db(10.0)) <= 0.08


def test_the_response_is_straight_between_knots_ten_megahertz_apart(setup: RigSetup) -> None:
    """Near frequencies err alike, so the difference of two tones 1 MHz apart mostly cancels."""
    assert setup.analyzer is not None
    model = AnalyzerModel(setup.analyzer, seed=8)
    at = model.response_db

    assert at(63e6) == pytest.approx(0.7 * at(60e6) + 0.3 * at(70e6))
    assert at(60e6) != at(70e6)


def test_a_reading_carries_level_slope_response_and_attenuator_error(setup: RigSetup) -> None:
    """Reading = true + level + slope·(true + 20)/10 + response + attenuator."""
    assert setup.analyzer is not None
    model = AnalyzerModel(setup.analyzer, seed=9)

    read = _mean_dbm(model.sweep_dbm([_line(-40.0)], _STATE))
    errors = model.level_error_db + model.response_db(60e6) + model.attenuator_db(10.0)
    assert read == pytest.approx(-40.0 + errors - 2 * model.scale_error_db_per_10db, abs=2e-3)


def test_a_mixer_is_overloaded_by_power_and_relieved_by_attenuation(setup: RigSetup) -> None:
    """+15 dBm is too much at 0 dB and harmless at 20 dB; the preamplifier takes that room away."""
    model = AnalyzerModel(_faultless(setup), seed=1)

    def overloaded(attenuation_db: float, *, preamplifier: bool) -> bool:
        state = SweepState(60e6, 0.0, 1000.0, attenuation_db, 20, preamplifier)
        return model.is_overloaded(15.0, state)

    assert overloaded(0.0, preamplifier=False)
    assert not overloaded(20.0, preamplifier=False)
    assert overloaded(20.0, preamplifier=True)


def test_a_sweep_takes_one_and_a_half_reciprocal_bandwidths_per_point() -> None:
    """20 points at 100 Hz take 0.3 s."""
    assert sweep_s(SweepState(60e6, 0.0, 100.0, 0.0, 20, preamplifier=False)) == pytest.approx(0.3)


def test_the_most_specific_path_loss_holds() -> None:
    """An entry for channel and load beats one for the channel, and that one for all; of two alike the first."""

    def entry(channel: str | None, load_ohm: float | None, loss_db: float) -> PathLossSetup:
        return PathLossSetup("output", channel, load_ohm, lambda _: loss_db, 0.0)

    entries = (entry("A", 200.0, 3.0), entry("A", None, 2.0), entry(None, None, 1.0), entry("A", 200.0, 9.0))
    paths = Paths(entries, seed=1)

    assert paths.output_db("A", 200.0, 60e6) == 3.0
    assert paths.output_db("A", 100.0, 60e6) == 2.0
    assert paths.output_db("B", 200.0, 60e6) == 1.0
    assert paths.input_db("A", 60e6) == 0.0


def test_a_path_errs_by_the_same_at_every_frequency_and_as_much_as_its_certificate_says() -> None:
    """One draw per entry with standard deviation U/2; over 2000 benches that is met within 5 %."""

    def errors(seed: int) -> tuple[float, float]:
        paths = Paths((PathLossSetup("input", None, None, lambda hz: hz / 1e7, 0.06),), seed)
        return paths.input_db("A", 30e6) - 3.0, paths.input_db("A", 90e6) - 9.0

    drawn = [errors(seed) for seed in range(2000)]
    assert all(low == pytest.approx(high) for low, high in drawn)
    assert float(np.std([low for low, _ in drawn])) == pytest.approx(0.03, rel=0.05)
