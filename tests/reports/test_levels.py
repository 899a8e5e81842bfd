"""Levels in the load: noise, the analyzer's own products, and which errors are one draw."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from reports.bench_products import bench_products
from reports.derive import derive
from reports.errors import CannotDerive, NotPositive
from reports.frames import RunFrames
from reports.levels import input_level, level_in_load
from reports.wide_readings import wide_readings

FloatArray = NDArray[np.float64]


class MakeNight(Protocol):
    def __call__(
        self,
        seed: int = 0,
        *,
        size: float = 1.0,
        repeats: int = 1,
        product_setting: tuple[float, float] = (20.0, 100.0),
        **axes: tuple[object, ...],
    ) -> tuple[RunFrames, dict[str, FloatArray]]: ...


def _with(frames: RunFrames, quantity: str, value: float) -> RunFrames:
    """The same run with one quantity set to a value at every condition."""
    readings = frames.readings.copy()
    readings.loc[readings["quantity"] == quantity, "value"] = value
    return replace(frames, readings=readings)


def _level(frames: RunFrames, line: str) -> FloatArray:
    return level_in_load(frames, wide_readings(frames.conditions.index, frames.readings), line).value


def test_a_product_in_the_noise_is_at_most_the_reading(make_night: MakeNight) -> None:
    """Noise −155 dBm/Hz + 20 dB in 100 Hz is −115 dBm; −112.5 dBm is 2.5 dB above it, and the product could be absent.

    Two tones at −8 dBm give −116 dBm of the analyzer's own on an intercept of 26 + 20 dBm, and 0.7585 dB more if its
    level, response, attenuator and scale err as far as declared with k = 2; added as voltage. Loss at 58.5 MHz by the
    straight line from 11.0 dB at 10 MHz to 11.6 dB at 500 MHz: 11.0594 dB.
    """
    frames, _ = make_night(size=0.0)
    noisy = _with(_with(frames, "tone_lower_level_dbm", -8.0), "tone_upper_level_dbm", -8.0)
    noisy = _with(noisy, "im3_lower_level_dbm", -112.5)
    wide = wide_readings(noisy.conditions.index, noisy.readings)
    level = level_in_load(noisy, wide, "im3_lower")

    assert (level.bound == -1).all()
    own_dbm = -116 + 2 * np.hypot(2 * np.sqrt(0.25**2 + 0.12**2 + 0.08**2), 0.03 * 10.45) / np.sqrt(3)
    both_dbm = 20 * np.log10(10 ** (-112.5 / 20) + 10 ** (own_dbm / 20))
    assert own_dbm == pytest.approx(-115.2415, abs=1e-3)
    np.testing.assert_allclose(level.value, both_dbm + 11.0594, atol=1e-3)


def test_a_product_above_the_noise_is_corrected_for_it(make_night: MakeNight) -> None:
    """At 10 dB displayed (S + N)/N the noise adds 0.4576 dB, which is taken out: −105 becomes −105.4576 dBm.

    Correction of the displayed ratio, 10·log10(1 − 10^(−R/10)): widely published, e.g. 0.46 dB for 10 dB.
    """
    frames, _ = make_night(size=0.0)
    level = _level(_with(frames, "hd3_level_dbm", -105.0), "hd3")

    np.testing.assert_allclose(level, -105.4576 + 11.0 + 0.6 * (178.5 - 10) / 490, atol=1e-3)


def test_a_product_that_the_analyzer_makes_is_at_most_both_in_opposite_phase(make_night: MakeNight) -> None:
    """Tones at −8 dBm on an analyzer of IP3 26 dBm without attenuation give −76 dBm of its own, far above the unit's.

    What the unit makes is not measured; every bound must still hold for the truth, on every bench.
    """
    for seed in range(20):
        frames, truth = make_night(seed, product_setting=(0.0, 100.0))
        one = derive(frames)["oip3_lower"]
        bounded = one.result.bound == 1
        assert bounded.mean() > 0.5
        assert np.all((one.result.value - one.result.expanded())[bounded] < truth["oip3_lower"][one.rows][bounded])


def test_a_product_that_noise_may_have_lifted_above_the_analyzers_is_not_believed(make_night: MakeNight) -> None:
    """A product 8 dB above the most that the analyzer may make: with a scatter of 0.1 dB it is measured; with one of
    1.5 dB it may be 5 dB above in truth, and is at most what was read and the analyzer's in opposite phase.
    """
    frames, _ = make_night(size=0.0, channel=("A",), gain_code=(0,), temperature_c=(25.0,))
    wide = wide_readings(frames.conditions.index, frames.readings)
    analyzer = frames.bench.instrument.analyzer
    assert analyzer is not None
    losses = (np.zeros(1), np.zeros(1))
    (own, *_) = bench_products(frames, wide, "im3_lower", losses, analyzer)
    for scatter_db, bound in ((0.1, 0), (1.5, -1)):
        named = {"im3_lower_level_dbm": float(own.highest_dbm[0]) + 8.0, "im3_lower_scatter_db": scatter_db}
        readings = frames.readings.assign(
            value=frames.readings["quantity"].astype(str).map(named).fillna(frames.readings["value"])
        )
        read = replace(frames, readings=readings)
        level = level_in_load(read, wide_readings(read.conditions.index, readings), "im3_lower")
        assert level.bound.tolist() == [bound]


def test_bounds_by_noise_hold_for_the_truth(make_night: MakeNight) -> None:
    """In 30 kHz the noise hides the products; OIP3 is then at least, harmonics at most, the value less or plus U."""
    for seed in range(20):
        frames, truth = make_night(seed, product_setting=(20.0, 30e3))
        derived = derive(frames)
        for word, sign in (("oip3_upper", 1), ("hd3", -1)):
            one = derived[word]
            bounded = one.result.bound == sign
            slack = sign * (truth[word][one.rows] - one.result.value) + one.result.expanded()
            assert bounded.any()
            assert slack[bounded].min() > 0
            assert not (one.result.bound == -sign).any()


def test_the_phase_of_the_analyzers_product_is_one_draw_for_all_tone_levels(make_night: MakeNight) -> None:
    """Its part of a line is the same at levels 3 dB apart and cancels in the slope; between codes it does not."""
    frames, _ = make_night(size=0.0, channel=("A",), gain_code=(0, 1), temperature_c=(25.0,), tone_level_dbm=(0.0, 3.0))
    wide = wide_readings(frames.conditions.index, frames.readings)
    cause = level_in_load(frames, wide, "im3_lower").causes["analyzer distortion"]
    slope = derive(frames)["im3_slope"].result

    same = cause.instance[:, 0] == cause.instance[:1, 0]
    assert same.tolist() == [True, True, False, False]
    assert cause.contribution[0, 0] == pytest.approx(cause.contribution[1, 0], rel=0.05)
    assert slope.causes["analyzer distortion"].variance.max() < 1e-3 * cause.variance.min()


def test_a_tone_in_the_noise_is_not_measured(make_night: MakeNight) -> None:
    """A tone that cannot be told from noise bounds nothing useful; what would need it is absent, not wrong."""
    frames, _ = make_night()
    derived = derive(_with(frames, "tone_lower_level_dbm", -96.0))

    assert "gain" not in derived
    assert "oip3" not in derived
    assert "supply_current" in derived


def test_the_response_is_shared_within_a_knot_interval_only_in_part(make_night: MakeNight) -> None:
    """59.5 MHz lies between the knots at 50 and 60 MHz as 0.05 to 0.95; 60.5 MHz takes 0.95 from the one at 60 too."""
    frames, _ = make_night()
    wide = wide_readings(frames.conditions.index, frames.readings)
    tones = (level_in_load(frames, wide, tone) for tone in ("tone_lower", "tone_upper"))
    lower, upper = (tone.causes["analyzer response"] for tone in tones)
    standard_db = 0.12 / np.sqrt(3)

    np.testing.assert_array_equal(lower.instance[0], [5, 6])
    np.testing.assert_array_equal(upper.instance[0], [6, 7])
    np.testing.assert_allclose(lower.contribution[0] / standard_db, [0.05, 0.95], atol=1e-6)
    np.testing.assert_allclose(upper.contribution[0] / standard_db, [0.95, 0.05], atol=1e-6)


def test_the_scale_error_grows_from_minus_20_dbm_with_its_sign(make_night: MakeNight) -> None:
    """A tone at −8 dBm and a product at −92 dBm feel one slope with opposite signs: 1.2 and −7.2 times ±0.03 dB."""
    frames, _ = make_night(size=0.0)
    wide = wide_readings(frames.conditions.index, frames.readings)
    tone, product = (level_in_load(frames, wide, line).causes["analyzer scale"] for line in ("tone_lower", "im3_lower"))
    standard_db = 0.03 / np.sqrt(3)

    assert tone.contribution[0, 0] / standard_db == pytest.approx(1.2, abs=0.03)
    assert product.contribution[0, 0] / standard_db == pytest.approx(-7.2, abs=0.1)


def test_the_two_sources_have_no_error_in_common(make_night: MakeNight) -> None:
    """Each source has its own level error, and the same setting of the two is still two draws."""
    frames, _ = make_night()
    wide = wide_readings(frames.conditions.index, frames.readings)
    lower, upper = (input_level(frames, wide, tone) for tone in ("tone_lower", "tone_upper"))

    for cause in ("tone source level", "tone source setting"):
        assert not set(lower.causes[cause].instance.ravel()) & set(upper.causes[cause].instance.ravel())
    np.testing.assert_array_equal(lower.causes["input path loss"].instance, upper.causes["input path loss"].instance)


def test_the_same_setting_is_the_same_draw_at_every_temperature(make_night: MakeNight) -> None:
    """So that a change of gain with temperature does not carry the setting error, and a step between codes does."""
    frames, _ = make_night()
    cause = input_level(frames, wide_readings(frames.conditions.index, frames.readings), "tone_lower").causes
    draws = pd.Series(cause["tone source setting"].instance[:, 0]).groupby(frames.conditions["gain_code"].to_numpy())

    assert (draws.nunique() == 1).all()
    assert draws.first().is_unique


def test_a_bandwidth_of_zero_is_refused(make_night: MakeNight) -> None:
    """There is no noise in no bandwidth; a record that says so is broken."""
    frames, _ = make_night()

    with pytest.raises(NotPositive):
        derive(_with(frames, "hd2_bandwidth_hz", 0.0))


def test_lines_without_an_analyzer_in_the_bench_file_cannot_be_derived(make_night: MakeNight) -> None:
    """Readings of a line need an accuracy; without the analyzer's entry there is none, and that is said."""
    frames, _ = make_night()
    instruments = frames.bench.instrument.model_copy(update={"analyzer": None})
    bench = frames.bench.model_copy(update={"instrument": instruments})

    with pytest.raises(CannotDerive, match="the bench has no analyzer"):
        derive(replace(frames, bench=bench))


def test_the_noise_that_is_taken_out_is_itself_uncertain(make_night: MakeNight) -> None:
    """At 10 dB displayed ratio a noise density that is ±1 dB off moves the line by 0.111 dB per dB: 1/(1 − 0.1) − 1."""
    frames, _ = make_night(size=0.0)
    noisy = _with(frames, "hd3_level_dbm", -105.0)
    level = level_in_load(noisy, wide_readings(noisy.conditions.index, noisy.readings), "hd3")

    assert abs(level.causes["analyzer noise level"].contribution[0, 0]) == pytest.approx(1 / 9 / np.sqrt(3), rel=1e-3)


def test_repeats_that_scatter_more_than_the_noise_are_believed(make_night: MakeNight) -> None:
    """−80 and −82 dBm with a stated scatter of 0.01 dB: the mean is no better than half their difference."""
    frames, _ = make_night(size=0.0)
    again = frames.readings.assign(repeat=1)
    for readings, level in ((frames.readings, -80.0), (again, -82.0)):
        readings.loc[readings["quantity"] == "hd2_level_dbm", "value"] = level
        readings.loc[readings["quantity"] == "hd2_scatter_db", "value"] = 0.01
    both = replace(frames, readings=pd.concat([frames.readings, again], ignore_index=True))
    result = level_in_load(both, wide_readings(both.conditions.index, both.readings), "hd2")

    repeats = result.causes["scatter of repeated levels"]
    assert repeats.contribution[0, 0] == pytest.approx(1.0, abs=0.01)
    assert repeats.dof == pytest.approx(len(frames.conditions))


def test_noise_has_the_degrees_of_freedom_of_its_samples(make_night: MakeNight) -> None:
    """40 samples of each reading leave 39, three repeats of them 117; a run that did not count them has no limit."""
    for repeats in (1, 3):
        frames, _ = make_night(repeats=repeats)
        level = level_in_load(frames, wide_readings(frames.conditions.index, frames.readings), "hd2")
        np.testing.assert_array_equal(level.causes["noise in the reading"].dof, 39.0 * repeats)
    old = replace(frames, readings=frames.readings[frames.readings["quantity"] != "hd2_points"])
    level = level_in_load(old, wide_readings(old.conditions.index, old.readings), "hd2")

    assert np.isinf(level.causes["noise in the reading"].dof).all()
