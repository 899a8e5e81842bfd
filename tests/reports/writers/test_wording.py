from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.wording import (
    axis_text,
    axis_values_text,
    condition_text,
    decimal_places,
    difference_unit,
    number_text,
    probability_text,
    rounded,
    shown_unit,
    time_text,
    true_minus,
    value_text,
)


@pytest.mark.parametrize(
    ("value", "expanded", "texts"),
    [
        (10.05762, 0.027, ("10.058", "0.027")),
        (38.4249, 0.3456, ("38.42", "0.35")),
        (5.0, 0.0996, ("5.00", "0.10")),
        (12345.6, 123.0, ("12350", "120")),
        (-0.00004, 0.031, ("0.000", "0.031")),
        (-0.195, 0.046, ("−0.195", "0.046")),
        (1.0, 9.96, ("1", "10")),
    ],
)
def test_a_value_is_rounded_as_its_uncertainty_is(value: float, expanded: float, texts: tuple[str, str]) -> None:
    """Two significant digits for U, the value alike: JCGM 100:2008, 7.2.6 (its example 10.057 62 with u = 27 mΩ)."""
    assert rounded(value, expanded) == texts


@given(value=st.floats(-1e6, 1e6), expanded=st.floats(1e-9, 1e3))
def test_rounding_moves_a_value_by_less_than_a_tenth_of_its_uncertainty(value: float, expanded: float) -> None:
    """Half a unit of the second digit of U is at most 5 % of U; 5.03 leaves room for U itself having been rounded."""
    near, short = rounded(value, expanded)

    assert abs(Decimal(near.replace("−", "-")) - Decimal(repr(value))) <= Decimal(repr(expanded)) * Decimal("0.0503")
    assert len(Decimal(short).normalize().as_tuple().digits) <= 2


def test_a_value_without_uncertainty_shows_none() -> None:
    """Nothing is invented: no ± where there is no finite uncertainty above 0, and a dash where there is no value."""
    assert value_text(1.23456, 0.0, "dB") == "1.235 dB"
    assert value_text(1.23456, float("inf"), "dB") == "1.235 dB"
    assert value_text(float("nan"), 0.1, "dB") == "– dB"


def test_a_bounded_value_says_so() -> None:
    """Flag +1 means that the true value is at least the number, −1 at most."""
    assert value_text(60.0, 1.0, "dBm", 1) == "≥ 60.0 ± 1.0 dBm"
    assert value_text(-90.0, 1.0, "dBc", -1) == "≤ −90.0 ± 1.0 dBc"


def test_a_condition_reads_as_a_person_would_say_it() -> None:
    """All axes in one order whatever the order given, units that people use, true minus signs."""
    condition: dict[str, object] = {"frequency_hz": 60e6, "temperature_c": -40.0, "gain_code": 17, "channel": "B"}
    condition |= {"supply_mode": "low power", "load_ohm": 150.0, "tone_level_dbm": 3.0}

    assert condition_text(condition) == "channel B, code 17, −40 °C, low power mode, 150 Ω, 3 dBm per tone, 60 MHz"
    assert condition_text({}) == ""


def test_several_values_of_an_axis_share_its_unit() -> None:
    """Up to four are listed in order; more numbers become a span; names are never a span."""
    assert axis_values_text("temperature_c", [0.0, -40.0, -20.0]) == "−40, −20, 0 °C"
    assert axis_values_text("gain_code", [17]) == "code 17"
    assert axis_values_text("gain_code", range(31)) == "codes 0 to 30"
    assert axis_values_text("supply_mode", ["nominal", "low power"]) == "low power, nominal modes"
    assert axis_values_text("channel", "FEDCBA") == "channels A, B, C, D, E, F"


def test_an_unknown_axis_is_refused() -> None:
    """A misspelt axis must not print as something plausible."""
    with pytest.raises(KeyError):
        axis_text("humidity", 3.0)


def test_only_signs_of_numbers_become_minus_signs() -> None:
    """Serials, dates and formulas keep their hyphens."""
    assert true_minus("air -0.50 °C, -40 … -20") == "air −0.50 °C, −40 … −20"
    assert true_minus("NS-101 on 2026-11-02, low-power") == "NS-101 on 2026-11-02, low-power"


def test_levels_differ_by_decibels() -> None:
    """Two levels in dBm lie some dB apart, never some dBm; a ratio of currents stays in its unit."""
    assert [difference_unit(unit) for unit in ("dBm", "dBc", "°C", "mA")] == ["dB", "dB", "K", "mA"]


def test_currents_are_shown_in_milliamperes() -> None:
    """The tables hold A; the factor takes a value of the tables to what is shown."""
    assert shown_unit("A") == ("mA", 1000.0)
    assert shown_unit("dB") == ("dB", 1.0)


def test_a_time_is_shown_in_utc() -> None:
    """19:30 at UTC+1 is 18:30 UTC; a time without zone could be any and is refused."""
    assert time_text(datetime(2026, 11, 2, 19, 30, tzinfo=timezone(timedelta(hours=1)))) == "2026-11-02 18:30:00"
    assert time_text(datetime(2026, 11, 2, 18, 30, tzinfo=UTC)) == "2026-11-02 18:30:00"
    with pytest.raises(ValueError, match="zone"):
        time_text(datetime(2026, 11, 2, 18, 30))  # noqa: DTZ001 -- the case under test


def test_numbers_have_no_exponent_and_no_negative_zero() -> None:
    """``1e+06`` and ``-0`` are for machines."""
    assert [number_text(value) for value in (1e6, -0.0, 0.25, -40.0)] == ["1000000", "0", "0.25", "−40"]


def test_decimal_places_show_the_wanted_digits() -> None:
    """0.0154 needs four places for three digits, 12.3 one, 1234 none; zero has no digit to show."""
    assert [decimal_places(value, 3) for value in (0.0154, 12.3, 1234.0, 0.0)] == [4, 1, 0, 0]


@pytest.mark.parametrize(
    ("probability", "text"),
    [(1.0, "> 99.9 %"), (0.9996, "> 99.9 %"), (0.9994, "99.9 %"), (0.4132, "41.3 %"), (0.0, "< 0.1 %")],
)
def test_a_probability_is_never_rounded_to_certainty(probability: float, text: str) -> None:
    """100.0 % and 0.0 % would claim what no measurement can."""
    assert probability_text(probability) == text
