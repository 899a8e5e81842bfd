"""Numbers in Modbus registers: signs, scales, word order, and what cannot be held."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.modbus_registers import BadNumber, NumberRegister, NumberType

TENTHS = NumberRegister(0, "holding", "int16", 0.1)


def test_a_negative_temperature_is_two_complement() -> None:
    """−40.0 °C in tenths is −400, 65136 as a word, FE70 (computed here; scaling is practice, not standard)."""
    assert TENTHS.words(-40.0) == (0xFE70,)
    assert TENTHS.value((0xFE70,)) == -40.0


def test_an_unsigned_reading_of_it_is_6513_degrees() -> None:
    """The classic fault: what the driver's range check is there for."""
    assert NumberRegister(0, "holding", "uint16", 0.1).value((0xFE70,)) == 6513.6


@pytest.mark.parametrize(("high_first", "words"), [(True, (49696, 0)), (False, (0, 49696))])
def test_a_float_spans_two_registers_in_either_order(high_first: bool, words: tuple[int, ...]) -> None:
    """−40.0 as IEEE 754 single is C2200000: words 49696 and 0."""
    register = NumberRegister(0, "holding", "float32", 1.0, high_first)

    assert register.count == 2
    assert register.words(-40.0) == words
    assert register.value(words) == -40.0


@given(
    st.sampled_from(["int16", "int32", "float32"]),
    st.booleans(),
    st.integers(-600, 1500).map(lambda tenths: tenths / 10),
)
def test_any_temperature_of_a_chamber_survives_the_way_there_and_back(
    kind: NumberType, high_first: bool, temperature_c: float
) -> None:
    """To the tenth that controllers have."""
    register = NumberRegister(0, "holding", kind, 0.1, high_first)

    assert register.value(register.words(temperature_c)) == pytest.approx(temperature_c, abs=1e-5)


@pytest.mark.parametrize(
    ("kind", "value"), [("int16", 3276.8), ("int16", -3276.9), ("uint16", -0.1), ("float32", 1e40), ("int32", 1e12)]
)
def test_a_number_that_does_not_fit_is_refused(kind: NumberType, value: float) -> None:
    """Cut off it would be another temperature."""
    with pytest.raises(BadNumber):
        NumberRegister(0, "holding", kind, 0.1).words(value)


@pytest.mark.parametrize("words", [(0x7FC0, 0), (0x7F80, 0), (0xFF80, 0)])
def test_a_float_that_is_no_number_is_refused(words: tuple[int, ...]) -> None:
    """Not-a-number and the infinities of IEEE 754: a sensor that is broken reads so."""
    with pytest.raises(BadNumber):
        NumberRegister(0, "input", "float32", 1.0).value(words)
