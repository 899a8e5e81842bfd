"""The analyzer's settings: one attenuation for all gain codes, and the fastest bandwidth that is good enough."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.acquisition import (
    LONGEST_SWEEP_S,
    PATIENCE,
    POINTS,
    SPACING_PER_BANDWIDTH,
    WANTED_DISTANCE_DB,
    Acquisition,
    expected_level_dbm,
    intercept_dbm,
    order_of,
    scatter_db,
)
from bench.measure import expected_tone_dbm
from drivers.roles import PowerReading, SweepSetting
from sequences.bench_file import AnalyzerAccuracy, AnalyzerEntry
from sequences.conditions import expand
from sequences.products import LINES, TONES
from sequences.read_files import Setup
from sequences.sequence_file import Measure

ANALYZER = AnalyzerEntry(
    resource="GPIB0::18::INSTR",
    accuracy=AnalyzerAccuracy(level_db=0.25, scale_db_per_10db=0.03, flatness_db=0.12, attenuator_db=0.08),
    noise_dbm_per_hz=-155.0,
    intercept2_dbm=62.0,
    intercept3_dbm=26.0,
    attenuations_db=(0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
    bandwidths_hz=(10.0, 30.0, 100.0, 300.0, 1000.0, 3000.0, 10000.0, 30000.0),
    highest_input_dbm=30.0,
)
INTERCEPTS_DBM = {"im3_lower": 45.0, "im3_upper": 45.0, "im2_sum": 72.0, "hd2": 78.0, "hd3": 49.8}
PRODUCTS = tuple(line for line in LINES if line not in TONES)
LEVELS_DBM = st.floats(-30.0, 10.0)
LOSSES_DB = st.floats(0.0, 20.0)


def acquisition(spacing_hz: float = 1e6, measure: Measure | None = None) -> Acquisition:
    return Acquisition(ANALYZER, measure or Measure(), spacing_hz, INTERCEPTS_DBM)


def noise_dbm(setting: SweepSetting) -> float:
    """Noise in the bandwidth; it rises dB for dB with the attenuation."""
    return ANALYZER.noise_dbm_per_hz + setting.attenuation_db + 10 * math.log10(setting.resolution_bandwidth_hz)


# --- Attenuation


def test_the_attenuation_is_the_same_at_every_gain_code(overnight: Setup) -> None:
    """With the level meant at the output, its error cancels in step error and matching: one setting for 31 codes."""
    sequence, part, bench = overnight.sequence.model, overnight.part.model, overnight.bench.model
    chooser = acquisition(sequence.tones.spacing_hz)
    chosen: dict[tuple[float, float, str], set[float]] = {}
    for condition in expand(sequence, part, bench):
        loss_db = overnight.path_losses.loss_db("output", condition.channel, condition.load_ohm, condition.frequency_hz)
        tone_dbm = expected_tone_dbm(condition, part, sequence) - loss_db
        key = (condition.tone_level_dbm, condition.load_ohm, condition.channel)
        chosen.setdefault(key, set()).add(chooser.attenuation_db(tone_dbm, loss_db))

    assert len(chosen) == 3 * 2 + 3 * 2  # three levels at 200 Ω and one at each other load, on two channels
    assert all(len(settings) == 1 for settings in chosen.values()), chosen


def test_what_was_learnt_does_not_move_the_attenuation() -> None:
    """It follows from the tones' level alone, or the relative figures of two conditions would not cancel its error."""
    chooser = acquisition()
    before = chooser.attenuation_db(-8.0, 11.0)
    for line in PRODUCTS:
        chooser.learn(line, -8.0, 11.0, -140.0)

    assert chooser.attenuation_db(-8.0, 11.0) == before


@given(st.floats(-30.0, 5.0), LOSSES_DB)
def test_the_attenuation_is_the_least_that_keeps_the_analyzers_own_product_away(
    level_dbm: float, loss_db: float
) -> None:
    """Own product 3·P − 2·(IP3 + attenuation), the unit's 3·P − 2·OIP3 behind the loss; no lower step would do."""
    level_dbm, loss_db = round(level_dbm, 1), float(round(loss_db))
    attenuation_db = acquisition().attenuation_db(level_dbm, loss_db)
    unit_dbm = 3 * level_dbm - 2 * (INTERCEPTS_DBM["im3_lower"] - loss_db)

    def distance_db(attenuation: float) -> float:
        return unit_dbm - (3 * level_dbm - 2 * (ANALYZER.intercept3_dbm + attenuation))

    lower = [step for step in ANALYZER.attenuations_db if step < attenuation_db]
    assert distance_db(attenuation_db) >= WANTED_DISTANCE_DB - 1e-9
    assert all(distance_db(step) < WANTED_DISTANCE_DB + 1e-9 for step in lower)


def test_when_no_attenuation_is_enough_the_highest_is_taken() -> None:
    """A unit far better than the analyzer: what is left is for the reports to flag as bounded."""
    chooser = Acquisition(ANALYZER, Measure(), 1e6, {**INTERCEPTS_DBM, "im3_lower": 90.0})

    assert chooser.attenuation_db(-8.0, 0.0) == 40.0


# --- Scatter


@pytest.mark.parametrize("ratio_db", [0.0, 3.0, 10.0, 20.0, 40.0])
def test_the_scatter_formula_is_what_noise_does(ratio_db: float) -> None:
    """Spread of 200,000 seeded means of 21 powers |line + complex Gaussian noise|²; 1 % is six of its own sigmas."""
    draws = np.random.default_rng(20261102)
    noise_w = 10 ** (-ratio_db / 10)
    means = np.empty(200_000)
    for begin in range(0, means.size, 20_000):
        shape = (20_000, POINTS)
        noise = (draws.standard_normal(shape) + 1j * draws.standard_normal(shape)) * math.sqrt(noise_w / 2)
        means[begin : begin + 20_000] = (np.abs(1 + noise) ** 2).mean(axis=1)
    drawn_db = 10 / math.log(10) * float(means.std())  # relative to the line, first order, as the formula

    assert scatter_db(ratio_db, 0.0, POINTS) == pytest.approx(drawn_db, rel=0.01)


@given(st.floats(-100.0, 0.0), st.floats(-150.0, -50.0), st.integers(1, 1000))
def test_scatter_falls_with_level_and_with_the_root_of_the_points(level: float, noise: float, points: int) -> None:
    """A stronger line scatters less; four times the points halve it."""
    assert scatter_db(level + 1, noise, points) < scatter_db(level, noise, points)
    assert scatter_db(level, noise, 4 * points) == pytest.approx(scatter_db(level, noise, points) / 2)


# --- Intercepts


@pytest.mark.parametrize(
    ("line", "order"), [("im3_lower", 3), ("im3_upper", 3), ("im2_sum", 2), ("hd2", 2), ("hd3", 3)]
)
def test_the_order_of_a_line_is_the_sum_of_its_multiples(line: str, order: int) -> None:
    """2·f1 − f2 is of third order."""
    assert order_of(line) == order


@given(st.sampled_from(PRODUCTS), LEVELS_DBM, st.floats(10.0, 90.0))
def test_an_intercept_gives_back_the_level_that_it_came_from(line: str, tone_dbm: float, intercept: float) -> None:
    """k·P − (k − 1)·I and its inverse; at P = I tone and product are equal."""
    level = expected_level_dbm(line, tone_dbm, intercept)

    assert intercept_dbm(line, tone_dbm, level) == pytest.approx(intercept)
    assert expected_level_dbm(line, intercept, intercept) == pytest.approx(intercept)


# --- Bandwidth


@given(st.sampled_from(tuple(LINES)), st.floats(-20.0, 0.0), LOSSES_DB, st.sampled_from([0.02, 0.05, 0.2, 0.5]))
def test_a_setting_reaches_its_target_or_is_the_slowest_that_is_tried(
    line: str, tone_dbm: float, loss_db: float, target_db: float
) -> None:
    """The predicted scatter is within the target unless a narrower filter would be too slow; no wider one would do."""
    chooser = acquisition(measure=Measure(tone_scatter_db=target_db, product_scatter_db=target_db))
    attenuation_db = chooser.attenuation_db(tone_dbm, loss_db)
    setting = chooser.first_setting(line, tone_dbm, loss_db, attenuation_db)
    level = tone_dbm
    if line not in TONES:
        level = expected_level_dbm(line, tone_dbm, INTERCEPTS_DBM[line] - loss_db) - 2.0
    level = round(level)

    def predicted(bandwidth_hz: float) -> float:
        return scatter_db(level, noise_dbm(SweepSetting(bandwidth_hz, attenuation_db, POINTS)), POINTS)

    allowed = [width for width in ANALYZER.bandwidths_hz if width <= 1e6 / SPACING_PER_BANDWIDTH]
    narrower = [width for width in allowed if width < setting.resolution_bandwidth_hz]
    too_slow = not narrower or SweepSetting(max(narrower), 0.0, POINTS).sweep_s > LONGEST_SWEEP_S
    assert setting.resolution_bandwidth_hz in allowed
    assert setting.sweep_s <= LONGEST_SWEEP_S
    assert predicted(setting.resolution_bandwidth_hz) <= target_db or too_slow
    assert all(predicted(width) > target_db for width in allowed if width > setting.resolution_bandwidth_hz)


@pytest.mark.parametrize("spacing_hz", [1e3, 1e4, 1e5, 1e6])
def test_the_neighbouring_tone_stays_outside_the_filter(spacing_hz: float) -> None:
    """A thirtieth of the spacing at most."""
    setting = acquisition(spacing_hz).first_setting("tone_lower", 0.0, 0.0, 40.0)

    assert setting.resolution_bandwidth_hz * SPACING_PER_BANDWIDTH <= spacing_hz


def test_a_spacing_below_every_filter_takes_the_narrowest() -> None:
    """Rather a slow sweep than no measurement: 10 Hz for tones 100 Hz apart."""
    assert acquisition(100.0).first_setting("tone_lower", 0.0, 0.0, 0.0).resolution_bandwidth_hz == 10.0


def test_no_sweep_is_longer_than_drift_allows() -> None:
    """An analyzer with 1 Hz could look for 31 s at a line in the noise; 10 Hz is the narrowest within 3.5 s."""
    fine = ANALYZER.model_copy(update={"bandwidths_hz": (1.0, 3.0, *ANALYZER.bandwidths_hz)})
    setting = Acquisition(fine, Measure(), 1e6, INTERCEPTS_DBM).first_setting("im3_lower", -60.0, 11.0, 10.0)

    assert setting.resolution_bandwidth_hz == 10.0
    assert setting.sweep_s <= LONGEST_SWEEP_S


def test_a_product_that_was_weaker_than_typical_is_looked_at_more_slowly_next_time() -> None:
    """The neighbouring condition is the best guess: 20 dB weaker than typical wants a narrower filter."""
    chooser = acquisition()
    attenuation_db = chooser.attenuation_db(-8.0, 11.0)
    typical = chooser.first_setting("im3_lower", -8.0, 11.0, attenuation_db)
    typical_dbm = expected_level_dbm("im3_lower", -8.0, INTERCEPTS_DBM["im3_lower"] - 11.0)
    chooser.learn("im3_lower", -8.0, 11.0, typical_dbm - 20.0)

    assert chooser.first_setting("im3_lower", -8.0, 11.0, attenuation_db).sweep_s > typical.sweep_s
    assert chooser.first_setting("im3_upper", -8.0, 11.0, attenuation_db) == typical


@given(st.sampled_from(PRODUCTS), LEVELS_DBM, LOSSES_DB, st.floats(-140.0, -40.0), LEVELS_DBM, LOSSES_DB)
def test_what_is_learnt_holds_at_other_levels_and_losses(
    line: str, tone_dbm: float, loss_db: float, level_dbm: float, next_dbm: float, next_loss_db: float
) -> None:
    """The intercept at the load is what a unit has: learnt at either level and loss, it foretells the same."""
    learnt, told = acquisition(), acquisition()
    learnt.learn(line, tone_dbm, loss_db, level_dbm)
    at_unit = intercept_dbm(line, tone_dbm, level_dbm) + loss_db
    told.learn(line, next_dbm, next_loss_db, expected_level_dbm(line, next_dbm, at_unit - next_loss_db))

    ours = learnt.first_setting(line, next_dbm, next_loss_db, 10.0)
    theirs = told.first_setting(line, next_dbm, next_loss_db, 10.0)
    # Float noise may round a level at the middle of two decibels the other way: one filter apart at most.
    widths = sorted(ANALYZER.bandwidths_hz)
    at, beside = widths.index(ours.resolution_bandwidth_hz), widths.index(theirs.resolution_bandwidth_hz)
    assert abs(at - beside) <= 1


def test_tones_are_not_learnt() -> None:
    """Their level is asked for, not found out."""
    chooser = acquisition()
    before = chooser.first_setting("tone_lower", -8.0, 11.0, 10.0)
    chooser.learn("tone_lower", -8.0, 11.0, -90.0)

    assert chooser.first_setting("tone_lower", -8.0, 11.0, 10.0) == before


# --- A second look


@given(
    st.sampled_from(tuple(LINES)),
    st.sampled_from(ANALYZER.bandwidths_hz),
    st.sampled_from(ANALYZER.attenuations_db),
    st.floats(-140.0, 0.0),
    st.floats(0.0, 5.0),
)
def test_a_second_look_is_only_ever_slower(
    line: str, bandwidth_hz: float, attenuation_db: float, level_dbm: float, scatter: float
) -> None:
    """Same attenuation and points, narrower filter; and none at all for a reading that is good enough."""
    used = SweepSetting(bandwidth_hz, attenuation_db, POINTS)
    better = acquisition().better_setting(line, used, PowerReading(level_dbm, scatter))
    target = 0.02 if line in TONES else 0.2
    if scatter <= PATIENCE * target:
        assert better is None
    if better is not None:
        assert better.resolution_bandwidth_hz < bandwidth_hz
        assert (better.attenuation_db, better.points) == (attenuation_db, POINTS)
        assert used.sweep_s < better.sweep_s <= LONGEST_SWEEP_S


def test_a_scattered_reading_is_taken_again() -> None:
    """A product at −110 dBm in 10 kHz and 10 dB attenuation lies 5 dB below the noise; a narrow filter helps."""
    used = SweepSetting(10000.0, 10.0, POINTS)
    better = acquisition().better_setting("im3_lower", used, PowerReading(-110.0, 1.0))

    assert better is not None
    assert scatter_db(-110.0, noise_dbm(better), POINTS) <= 0.2


def test_a_reading_that_no_slower_sweep_can_mend_is_kept() -> None:
    """At the slowest sweep there is nothing left to try: it stands with its scatter."""
    used = acquisition().better_setting("im3_lower", SweepSetting(30000.0, 10.0, POINTS), PowerReading(-150.0, 5.0))
    assert used is not None

    assert acquisition().better_setting("im3_lower", used, PowerReading(-150.0, 5.0)) is None
