"""The simulated unit against closed forms, a Fourier transform and its own nominal values."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.amplifier import (
    LINE_ORDERS,
    AmplifierModel,
    BiasMode,
    Series,
    WeakStep,
    level_dbm,
    peak_v,
    series_lines_v,
)

_POINT = ("A", 0, 40.0, "nominal", 200.0)


def _equal_tones(unit: AmplifierModel, output_dbm: float) -> dict[str, float]:
    """Line levels in dBm for two equal tones that are ``output_dbm`` each at small signal."""
    lower, upper = ((output_dbm - unit.gain_db(*_POINT, hz), hz) for hz in (59.5e6, 60.5e6))
    lines = unit.lines_v(*_POINT, lower, upper)
    return {line: level_dbm(abs(voltage), 200.0) for line, voltage in lines.items()}


def test_a_products_phase_is_another_at_another_code_and_the_same_at_another_level(unit: AmplifierModel) -> None:
    """A slope between two tone levels can rely on that; a difference between two codes cannot."""
    found = [
        unit.lines_v("A", code, 40.0, "nominal", 200.0, (level, 59.5e6), (level, 60.5e6))["im3_lower"]
        for code, level in ((0, -30.0), (0, -20.0), (1, -20.0))
    ]
    phases = np.angle(found)

    assert phases[1] == pytest.approx(phases[0])
    assert abs(phases[2] - phases[0]) > 0.01


def test_equal_tones_through_a_cubic_give_the_published_products() -> None:
    """a = (10, 0.8, −2), 0.05 V each into 200 Ω: the products of a power series.

    Formulas as in Kundert, "Accurate and Rapid Measurement of IP2 and IP3", 2002; the figures were worked out by hand
    from them and by a coherent Fourier transform.
    """
    lines = series_lines_v(Series(10.0, 0.8, -2.0, 0.0), 0.05, 0.05)

    assert lines["tone_lower"] == pytest.approx(0.4994375, abs=1e-12)
    assert lines["im3_lower"] == pytest.approx(-187.5e-6, abs=1e-12)
    assert lines["im2_sum"] == pytest.approx(2e-3, abs=1e-12)
    assert lines["hd2"] == pytest.approx(1e-3, abs=1e-12)
    assert lines["hd3"] == pytest.approx(-62.5e-6, abs=1e-12)
    levels = [level_dbm(abs(lines[line]), 200.0) for line in ("tone_lower", "im3_lower", "im2_sum", "hd2", "hd3")]
    assert levels == pytest.approx([-2.0510, -70.5606, -50.0, -56.0206, -80.1030], abs=1e-4)


def test_unequal_tones_through_a_cubic_give_the_published_products() -> None:
    """0.05 V and 0.04 V: the sidebands differ by 1.94 dB, yet both say the same OIP3. Source as above."""
    lines = series_lines_v(Series(10.0, 0.8, -2.0, 0.0), 0.05, 0.04)
    level = {line: level_dbm(abs(voltage), 200.0) for line, voltage in lines.items()}

    assert level["tone_lower"] == pytest.approx(-2.0486, abs=2e-4)
    assert level["tone_upper"] == pytest.approx(-3.9880, abs=2e-4)
    assert level["im3_lower"] == pytest.approx(-72.4988, abs=2e-4)
    assert level["im3_upper"] == pytest.approx(-74.4370, abs=2e-4)
    assert level["im2_sum"] == pytest.approx(-51.9382, abs=2e-4)
    oip3 = level["tone_lower"] + (level["tone_upper"] - level["im3_lower"]) / 2
    assert oip3 == pytest.approx(32.2068, abs=2e-4)


amplitudes = st.floats(0.0, 0.3)


@given(st.tuples(st.floats(1, 20), st.floats(-2, 2), st.floats(-5, 5), st.floats(-5, 5)), amplitudes, amplitudes)
def test_the_closed_form_agrees_with_a_fourier_transform(
    coefficients: tuple[float, float, float, float], lower_v: float, upper_v: float
) -> None:
    """An independent path to every line: sample the polynomial coherently and transform it."""
    series = Series(*coefficients)
    count, lower_bin, upper_bin = 1024, 90, 101
    time = np.arange(count) / count
    x = lower_v * np.cos(2 * np.pi * lower_bin * time) + upper_v * np.cos(2 * np.pi * upper_bin * time)
    y = series.a1 * x + series.a2 * x**2 + series.a3 * x**3 + series.a5 * x**5
    spectrum = 2 * np.fft.rfft(y).real / count

    for line, voltage in series_lines_v(series, lower_v, upper_v).items():
        n, m = LINE_ORDERS[line]
        assert voltage == pytest.approx(spectrum[abs(n * lower_bin + m * upper_bin)], abs=1e-12)


def test_products_rise_three_for_one_at_low_level(unit: AmplifierModel) -> None:
    """The slope of a third-order product is 3, of a second-order one 2, far below the knee."""
    low, high = _equal_tones(unit, -20.0), _equal_tones(unit, -19.0)

    assert high["im3_lower"] - low["im3_lower"] == pytest.approx(3.0, abs=2e-3)
    assert high["im2_sum"] - low["im2_sum"] == pytest.approx(2.0, abs=2e-3)
    assert high["hd3"] - low["hd3"] == pytest.approx(3.0, abs=2e-3)


def test_at_the_knee_im3_is_one_decibel_above_the_three_to_one_line(unit: AmplifierModel) -> None:
    """That is how the knee is defined; saturation takes a little from all lines there, hence 0.05 dB."""
    knee = _equal_tones(unit, unit.knee_dbm)
    oip3 = unit.oip3_dbm(*_POINT, 60e6)

    assert knee["im3_lower"] - (3 * unit.knee_dbm - 2 * oip3) == pytest.approx(1.0, abs=0.05)


def test_oip3_from_small_tones_is_the_oip3_of_the_unit(unit: AmplifierModel) -> None:
    """P + Δ/2 at low level gives back what the unit was made from; so does P1 + P2 − P(IM2) for OIP2."""
    level = _equal_tones(unit, -30.0)

    oip3 = level["tone_upper"] + (level["tone_lower"] - level["im3_lower"]) / 2
    assert oip3 == pytest.approx(unit.oip3_dbm(*_POINT, 60e6), abs=0.01)
    oip2 = level["tone_lower"] + level["tone_upper"] - level["im2_sum"]
    assert oip2 == pytest.approx(unit.oip2_dbm("A"), abs=0.01)


def test_harmonics_lie_six_and_nine_and_a_half_below_the_products(unit: AmplifierModel) -> None:
    """20·log10 2 and 20·log10 3 for tones of one level in a memoryless unit (closed form), well below the knee."""
    level = _equal_tones(unit, -30.0)

    assert level["im2_sum"] - level["hd2"] == pytest.approx(6.0206, abs=2e-3)
    assert level["im3_lower"] - level["hd3"] == pytest.approx(9.5424, abs=2e-3)


def test_one_tone_alone_makes_harmonics_only(unit: AmplifierModel) -> None:
    """Without the second tone there is nothing to mix with; without both there is nothing."""
    lines = unit.lines_v(*_POINT, (-20.0, 60e6), None)

    assert abs(lines["hd2"]) > 0
    assert abs(lines["hd3"]) > 0
    assert lines["tone_upper"] == lines["im3_lower"] == lines["im3_upper"] == lines["im2_sum"] == 0
    assert set(unit.lines_v(*_POINT, None, None).values()) == {0j}


@pytest.mark.parametrize("drive_dbm", [0.0, 10.0, 18.0])
def test_tones_never_exceed_the_saturated_power(unit: AmplifierModel, drive_dbm: float) -> None:
    """However hard it is driven, both tones together stay within 0.1 dB of saturation."""
    lines = unit.lines_v(*_POINT, (drive_dbm, 59.5e6), (drive_dbm, 60.5e6))
    power_w = (abs(lines["tone_lower"]) ** 2 + abs(lines["tone_upper"]) ** 2) / (2 * 200.0)

    assert 10 * math.log10(power_w / 1e-3) < unit.saturated_output_dbm + 0.1


def test_typical_values_are_those_of_the_part(unit: AmplifierModel) -> None:
    """Within this unit's own spread: OIP3 45 dBm, 5 dB less in low power, 200 mA, HD2 −72 dBc at 3 dBm."""
    assert unit.oip3_dbm(*_POINT, 60e6) == pytest.approx(45.0, abs=1.7)
    normal, low = (unit.oip3_dbm("A", 0, 40.0, mode, 200.0, 60e6) for mode in ("nominal", "low power"))
    assert normal - low == pytest.approx(5.0)
    assert unit.supply_current_a(40.0, 0, 5.0) == pytest.approx(0.2, rel=0.041)
    level = _equal_tones(unit, 3.0)
    assert level["hd2"] - level["tone_lower"] == pytest.approx(-72.0, abs=2.1)


def test_oip3_falls_with_heat_code_frequency_and_unfit_loads(unit: AmplifierModel) -> None:
    """−0.02 dB/K; −2 dB at half the load and −0.5 dB at twice; −2 dB per octave from 60 MHz; less at the last code."""
    here = unit.oip3_dbm(*_POINT, 60e6)

    assert unit.oip3_dbm("A", 0, 90.0, "nominal", 200.0, 60e6) - here == pytest.approx(-1.0)
    assert unit.oip3_dbm("A", 0, 40.0, "nominal", 100.0, 60e6) - here == pytest.approx(-2.0)
    assert unit.oip3_dbm("A", 0, 40.0, "nominal", 400.0, 60e6) - here == pytest.approx(-0.5)
    assert unit.oip3_dbm(*_POINT, 120e6) - here == pytest.approx(-2.0)
    assert unit.oip3_dbm(*_POINT, 30e6) == here
    assert -3.4 < unit.oip3_dbm("A", 30, 40.0, "nominal", 200.0, 60e6) - here < -1.6


def test_a_quarter_of_the_load_resistance_takes_nearly_six_decibels_more_power(unit: AmplifierModel) -> None:
    """Low output resistance: voltage ∝ R/(R + Ro), so 6.02 dB of power less the 20·log10 of that."""
    power = {
        load: unit.gain_db("A", 0, 40.0, "nominal", load, 60e6) - 10 * math.log10(load / 200.0)
        for load in (100.0, 400.0)
    }

    expected = 10 * math.log10(4) + 20 * math.log10((100 / 110) / (400 / 410))
    assert power[100.0] - power[400.0] == pytest.approx(expected, abs=1e-9)


@given(st.integers(0, 2**63))
def test_every_unit_is_one_that_a_maker_would_ship(seed: int) -> None:
    """Gain within 0.5 dB of nominal, steps within 0.18 dB, channels within 0.25 dB: what a sound unit may do."""
    unit = AmplifierModel(
        ("A", "B"),
        200.0,
        {code: 24.0 - 0.75 * code for code in range(31)},
        200.0,
        {"nominal": BiasMode(5.0, 0, 0.2, 45.0)},
        seed,
    )
    gains = {
        channel: [unit.gain_db(channel, code, 40.0, "nominal", 200.0, 60e6) for code in range(31)]
        for channel in unit.channels
    }

    for channel in unit.channels:
        assert abs(gains[channel][0] - 24.0) < 0.5
        steps = [before - after for before, after in zip(gains[channel], gains[channel][1:], strict=False)]
        assert max(abs(step - 0.75) for step in steps) < 0.18
        assert all(unit.oip3_dbm(channel, code, 40.0, "nominal", 200.0, 60e6) > 41.0 for code in range(21))
        assert all(abs(unit.phase_deg(channel, code)) < 1.3 for code in range(31))
    assert max(abs(a - b) for a, b in zip(gains["A"], gains["B"], strict=True)) < 0.25


def test_two_units_differ_and_one_unit_is_itself(unit: AmplifierModel) -> None:
    """The seed is the specimen."""
    again = dataclasses.replace(unit)
    other = dataclasses.replace(unit, unit_seed=unit.unit_seed + 1)

    assert again.gain_db(*_POINT, 60e6) == unit.gain_db(*_POINT, 60e6)
    assert other.gain_db(*_POINT, 60e6) != unit.gain_db(*_POINT, 60e6)


def test_a_weak_step_shows_from_its_code_on_in_its_channel_and_only_in_the_cold(unit: AmplifierModel) -> None:
    """Everything else about the unit stays as it was."""
    faulty = dataclasses.replace(unit, weak_step=WeakStep("B", 17, -0.42, below_c=0.0))

    def difference(channel: str, code: int, die_c: float) -> float:
        point = (channel, code, die_c, "nominal", 200.0, 60e6)
        return faulty.gain_db(*point) - unit.gain_db(*point)

    assert difference("B", 17, -10.0) == pytest.approx(-0.42)
    assert difference("B", 30, -10.0) == pytest.approx(-0.42)
    assert difference("B", 16, -10.0) == 0
    assert difference("A", 17, -10.0) == 0
    assert difference("B", 17, 0.0) == 0


def test_supply_current_follows_temperature_voltage_and_mode(unit: AmplifierModel) -> None:
    """0.04 %/K, 3 %/V, less in low power, none without voltage, 1 mA when the pins name no mode."""
    here = unit.supply_current_a(40.0, 0, 5.0)

    assert unit.supply_current_a(50.0, 0, 5.0) / here - 1 == pytest.approx(4e-3, abs=7e-4)
    assert unit.supply_current_a(40.0, 0, 5.1) / here - 1 == pytest.approx(3e-3)
    assert unit.supply_current_a(40.0, 1, 4.75) / here == pytest.approx(0.79)
    assert unit.supply_current_a(40.0, 0, 0.0) == 0
    assert unit.supply_current_a(40.0, 7, 5.0) == 1e-3
    assert unit.is_biased(5.0, 0)
    assert not unit.is_biased(3.0, 0)
    assert not unit.is_biased(5.0, 7)


@given(st.floats(-55, 110), st.floats(0, 5.5))
def test_the_die_is_as_hot_as_its_own_power_makes_it(board_c: float, supply_v: float) -> None:
    """die = board + θ·V·I(die): the fixed point is met to a millikelvin."""
    unit = AmplifierModel(("A",), 200.0, {0: 24.0}, 200.0, {"nominal": BiasMode(5.0, 0, 0.2, 45.0)}, 3)
    die_c = unit.die_c(board_c, 0, supply_v)
    power_w = supply_v * unit.supply_current_a(die_c, 0, supply_v)

    assert die_c == pytest.approx(board_c + unit.thermal_resistance_k_per_w * power_w, abs=1e-3)


@given(st.floats(-150, 30), st.floats(1, 1000))
def test_levels_and_peak_voltages_invert_each_other(dbm: float, resistance_ohm: float) -> None:
    """0 dBm in 50 Ω is 0.316228 V peak (P = V²/2R)."""
    assert level_dbm(peak_v(dbm, resistance_ohm), resistance_ohm) == pytest.approx(dbm, abs=1e-9)
    assert peak_v(0.0, 50.0) == pytest.approx(0.316228, abs=1e-6)
    assert level_dbm(0.0, 50.0) == -math.inf
