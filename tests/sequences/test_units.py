"""Units of keys and limits: no decimal noise, no unit taken for another."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences import units

FINITE = st.floats(-1e300, 1e300)
MODERATE = st.floats(min_value=1e-12, max_value=1e12)


@pytest.mark.parametrize(
    ("value", "unit", "si"),
    [
        (0.3, "mA", 0.0003),
        (1.1, "MHz", 1_100_000.0),
        (0.1, "ms", 0.0001),
        (8, "%", 0.08),
        (120, "ppm/K", 0.00012),
        (230, "mA", 0.23),
        (3, "min", 180.0),
        (40.0, "dBm", 40.0),
        (2, "kohm", 2000.0),
    ],
)
def test_a_scaled_number_is_the_float_of_its_decimal_text(value: float, unit: str, si: float) -> None:
    """0.3 mA is the float 0.0003 and not 0.3 times the float 0.001, which differs in the last bit."""
    assert units.to_si(value, unit) == si


@given(value=FINITE, unit=st.sampled_from(sorted(units.UNITS)))
def test_a_quantity_survives_the_way_to_si_and_back(value: float, unit: str) -> None:
    """to_si and from_si are inverse within one rounding each, unless the SI value over- or underflows."""
    si = units.to_si(value, unit)

    if math.isfinite(si) and (abs(si) > 1e-300 or value == 0):
        assert units.from_si(si, unit) == pytest.approx(value, rel=4e-16, abs=0)


@given(digits=st.integers(1, 999_999), unit=st.sampled_from(["mA", "MHz", "ms", "%", "kΩ", "ppm/K"]))
def test_a_short_decimal_survives_exactly(digits: int, unit: str) -> None:
    """Numbers of up to six digits, as people write them, come back bit for bit."""
    value = digits / 1000

    assert units.from_si(units.to_si(value, unit), unit) == value


def test_an_unknown_unit_is_named_with_those_that_are_known() -> None:
    """The error carries the unit and lists the valid ones."""
    with pytest.raises(units.UnknownUnit, match="unknown unit 'dBn'; known are Hz") as caught:
        units.to_si(1, "dBn")

    assert caught.value.unit == "dBn"


@pytest.mark.parametrize("pair", [("mA", "A"), ("%", "ppm"), ("ohm", "kΩ"), ("dB", "mdB"), ("µA", "\u03bcA")])
def test_units_with_another_prefix_measure_the_same(pair: tuple[str, str]) -> None:
    """Prefixes, and the two characters that look like µ, do not change a dimension."""
    assert units.same_dimension(*pair)


@pytest.mark.parametrize("pair", [("dB", "dBm"), ("dBm", "dBc"), ("K", "°C"), ("%", "ppm/K"), ("A", "V")])
def test_units_that_look_alike_measure_different_things(pair: tuple[str, str]) -> None:
    """A level is no level difference, and a temperature is no temperature difference."""
    assert not units.same_dimension(*pair)


@pytest.mark.parametrize(
    ("key", "stem", "unit"),
    [
        ("frequency_mhz", "frequency", "MHz"),
        ("noise_dbm_per_hz", "noise", "dBm/Hz"),
        ("ramp_k_per_min", "ramp", "K/min"),
        ("hold_min", "hold", "min"),
        ("room_humidity_percent", "room_humidity", "%"),
        ("mode_word", "mode_word", None),
        ("min", "min", None),
        ("scale_db_per_10db", "scale_db_per_10db", None),
    ],
)
def test_the_longest_ending_of_a_key_is_its_unit(key: str, stem: str, unit: str | None) -> None:
    """noise_dbm_per_hz ends in hz but is no frequency; a key that is all unit has none."""
    found_stem, found = units.split_key(key)

    assert (found_stem, found.text if found else None) == (stem, unit)


def test_a_key_may_be_spelt_with_every_prefix_of_its_unit() -> None:
    """The key's own spelling comes first."""
    assert units.spellings("frequency_hz") == ("frequency_hz", "frequency_khz", "frequency_mhz", "frequency_ghz")
    assert units.spellings("temperature_c") == ("temperature_c",)
    assert units.spellings("name") == ("name",)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (45e6, "Hz", "45 MHz"),
        (0.1 + 0.2, "V", "300 mV"),
        (0.0003, "A", "300 µA"),
        (0.0003, "mA", "0.3 mA"),
        (0.9999999, "A", "1 A"),
        (999_999.9999, "Hz", "1 MHz"),
        (200.0, "Ω", "200 Ω"),
        (-155.0, "dBm/Hz", "-155 dBm/Hz"),
        (0.08, "%", "8 %"),
        (0.0, "A", "0 A"),
        (3.0, "", "3"),
        (1.5e-9, "A", "0.0015 µA"),
    ],
)
def test_a_quantity_reads_without_noise_and_with_a_fitting_prefix(value: float, unit: str, text: str) -> None:
    """45e6 Hz reads 45 MHz; rounding may carry a number into the next prefix."""
    assert units.quantity_text(value, unit) == text


@given(value=MODERATE, unit=st.sampled_from(["Hz", "V", "A", "W", "s", "Ω"]))
def test_the_text_of_a_quantity_gives_its_value_to_six_digits(value: float, unit: str) -> None:
    """Reading the text back gives the value within half a unit of the sixth digit."""
    number, unit_text = units.quantity_text(value, unit).split(" ")

    assert units.to_si(float(number), unit_text) == pytest.approx(value, rel=5.1e-6)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.35, "350 ms"),
        (12, "12 s"),
        (60, "1 min"),
        (250, "4 min 10 s"),
        (3599.7, "1 h"),
        (33_120, "9 h 12 min"),
        (0, "0 s"),
    ],
)
def test_a_duration_reads_in_the_words_of_a_clock(seconds: float, text: str) -> None:
    """Milliseconds, seconds, minutes or hours, whichever a person would say."""
    assert units.duration_text(seconds) == text
