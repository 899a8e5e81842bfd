"""SCPI grammar as a device reads it. Clauses: SCPI-1999 Vol 1, 6.2 and 7; IEEE 488.2, 7 (seen in quotation only)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.headers import Command, HeaderTree
from drivers.simulated.parameters import Boolean, Channels, Keyword, Number, short_form, split_data, suffixes
from drivers.simulated.status import ScpiError

_LEVEL = Command("[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]")
_LIMIT = Command("[:SOURce]:POWer:LIMit[:AMPLitude]")
_WIDTH = Command("[:SENSe]:BANDwidth|:BWIDth[:RESolution]")
_PORT = Command("[:SOURce]:DIGital:DATA#", suffixes=(1, 2, 3))
_TREE = HeaderTree((_LEVEL, _LIMIT, _WIDTH, _PORT))


def _either(draw: st.DrawFn, word: str) -> str:
    spelling = draw(st.sampled_from([short_form(word), word]))
    return "".join(draw(st.sampled_from([c.upper(), c.lower()])) for c in spelling)


@st.composite
def level_headers(draw: st.DrawFn) -> str:
    """Any spelling of the level header."""
    words = [("SOURce", True), ("POWer", False), ("LEVel", True), ("IMMediate", True), ("AMPLitude", True)]
    return ":".join(_either(draw, word) for word, optional in words if not (optional and draw(st.booleans())))


def _number(low: float = -1e6, high: float = 1e6, unit: str = "HZ", **more: bool) -> Number:
    return Number(lambda: (low, high), suffixes(unit), **more)


def _refusal(read: object, text: str) -> int:
    assert callable(read)
    with pytest.raises(ScpiError) as caught:
        read(text)
    return caught.value.number


@given(level_headers())
def test_long_and_short_forms_in_any_case_with_or_without_optional_nodes_are_one_command(header: str) -> None:
    """Vol 1, 6.2.1 and the meaning of brackets: 162 spellings of the level, times their cases."""
    assert _TREE.find(header.upper()) == (_LEVEL, 1)


@given(st.sampled_from(["POWer", "AMPLitude", "IMMediate"]), st.integers(1, 8))
def test_a_form_between_short_and_long_is_no_header(word: str, length: int) -> None:
    """Only the exact short and the exact long form are legal: −113."""
    cut = word[:length].upper()
    if cut in (short_form(word), word.upper()):
        return

    assert _refusal(_TREE.find, {"POWer": cut, "AMPLitude": f"POW:{cut}", "IMMediate": f"POW:{cut}"}[word]) == -113


@pytest.mark.parametrize(
    ("header", "number"),
    [
        ("POW:LEV:LIM", -113),
        ("LEV", -113),
        ("SOUR", -113),
        ("POW:", -113),
        ("PO&W", -101),
        ("POWERAMPLITUDE", -112),
        ("POW2", -114),
        ("DIG:DATA4", -114),
        ("DIG:DATA0", -114),
    ],
)
def test_a_header_that_is_not_in_the_table_is_refused_with_its_number(header: str, number: int) -> None:
    """Undefined, illegal character, mnemonic too long, suffix out of range (SCPI-1999 Vol 2, 21.8)."""
    assert _refusal(_TREE.find, header) == number


def test_a_missing_numeric_suffix_is_one() -> None:
    """Vol 1, 6.2.5: ``SOUR1:POW1`` is ``SOUR:POW``, ``DATA`` is ``DATA1``."""
    assert _TREE.find("SOUR1:POW1") == (_LEVEL, 1)
    assert _TREE.find("DIG:DATA") == (_PORT, 1)
    assert _TREE.find("DIG:DATA3") == (_PORT, 3)


def test_two_words_for_one_node_are_one_command() -> None:
    """``BANDwidth`` and ``BWIDth``."""
    assert {_TREE.find(header)[0] for header in ("BAND", "BWID", "SENS:BANDWIDTH:RES", "BWIDTH")} == {_WIDTH}


def test_a_header_cannot_stand_in_the_table_twice() -> None:
    """The table would be ambiguous."""
    with pytest.raises(ValueError, match="twice"):
        HeaderTree((Command(":POWer[:LEVel]"), Command(":POWer")))


def test_a_pattern_that_is_none_is_refused() -> None:
    """A typing error in a command table shows at once."""
    with pytest.raises(ValueError, match="pattern"):
        HeaderTree((Command("POWer LEVel"),))


@given(st.floats(-1e6, 1e6), st.sampled_from(["", "HZ", "KHZ", "MHZ", "GHZ", "MAHZ"]))
def test_suffixes_multiply_and_mega_is_the_exception_of_hertz(value: float, suffix: str) -> None:
    """488.2, 7.7.3: M is milli, but MHZ is mega, and MAHZ is mega as well."""
    factor = {"": 1, "HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9, "MAHZ": 1e6}[suffix]

    read = _number(-1e16, 1e16).read(f"{value!r} {suffix.lower()}")
    assert read == pytest.approx(value * factor)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("1 MA", "A", 1e-3),
        ("200mA", "A", 0.2),
        ("5000 MV", "V", 5.0),
        ("20ms", "S", 0.02),
        ("-7.25DBM", "DBM", -7.25),
        ("1.5 E 3", "HZ", 1500.0),
        ("+.5", "HZ", 0.5),
        ("5.", "HZ", 5.0),
        ("#H1F", "HZ", 31.0),
        ("#q17", "HZ", 15.0),
        ("#B101", "HZ", 5.0),
    ],
)
def test_numbers_are_read_in_every_legal_form(text: str, unit: str, value: float) -> None:
    """NRf with blanks round E, suffixes, and the non-decimal forms (488.2, 7.7.2 to 7.7.4)."""
    assert _number(unit=unit).read(text) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1e7", -222),
        ("1e999", -222),
        ("INF", -222),
        ("NAN", -222),
        ("1.2.3", -121),
        ("--5", -121),
        ("ABC", -141),
        ('"5"', -158),
        ("#15HELLO", -168),
        ("(@1)", -178),
        ("5 V", -131),
    ],
)
def test_what_is_no_number_of_this_kind_is_refused_with_its_number(text: str, number: int) -> None:
    """Range, characters, kinds of data and units (SCPI-1999 Vol 2, 21.8)."""
    assert _refusal(_number().read, text) == number


def test_a_number_without_unit_takes_no_suffix() -> None:
    """−138, Suffix not allowed."""
    assert _refusal(Number(lambda: (0, 10), {}).read, "5 HZ") == -138


def test_minimum_maximum_and_default_stand_for_the_limits_of_now() -> None:
    """Vol 1, 7.2.1: MAX is what can be set at present."""
    highest = 5.0
    number = Number(lambda: (1.0, highest), {}, default=2.0)

    assert [number.read(word) for word in ("MIN", "maximum", "Def")] == [1.0, 5.0, 2.0]
    highest = 4.0
    assert number.read("MAX") == 4.0
    assert _refusal(Number(lambda: (0, 1), {}).read, "DEF") == -141


@given(st.floats(-100, 100))
def test_a_device_rounds_and_that_is_no_error(value: float) -> None:
    """488.2, 7.7.2: a whole-number setting takes the nearest."""
    assert abs(Number(lambda: (-101, 101), {}, whole=True).read(repr(value)) - value) <= 0.5


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
def test_a_boolean_is_on_or_off_or_a_number_that_is_rounded(value: float) -> None:
    """Vol 1, 7.3: not zero after rounding is ON."""
    assert Boolean().read(repr(value)) is (round(value) != 0)
    assert [Boolean().read(text) for text in ("on", "OFF", "1", "0", "0.5", "-0.6")] == [
        True,
        False,
        True,
        False,
        False,
        True,
    ]
    assert _refusal(Boolean().read, "MAYBE") == -141
    assert _refusal(Boolean().read, "1 V") == -138


def test_a_keyword_is_read_in_both_forms_and_answered_in_the_short_one() -> None:
    """An unknown word is −224, a number −128."""
    keyword = Keyword(("SAMPle", "RMS"))

    assert [keyword.read(text) for text in ("samp", "SAMPLE", "rms")] == ["SAMP", "SAMP", "RMS"]
    assert _refusal(keyword.read, "SAMPL") == -224
    assert _refusal(keyword.read, "5") == -128


def test_channel_lists_hold_numbers_and_ranges_in_either_direction() -> None:
    """Vol 1, 8.3.2."""
    channels = Channels(frozenset(range(100, 110)))

    assert channels.read("(@101,103:105)") == (101, 103, 104, 105)
    assert channels.read("(@ 105 : 103 )") == (105, 104, 103)
    assert _refusal(channels.read, "(@101,999)") == -222
    assert _refusal(channels.read, "(@1:100000)") == -222
    assert _refusal(channels.read, "(101)") == -171
    assert _refusal(channels.read, "(@1!2)") == -171
    assert _refusal(channels.read, "101") == -104


def test_commas_part_elements_except_in_strings_and_lists() -> None:
    """A hole in the list is −103, an open string −151, an open list −171."""
    assert split_data('1, "a,b" ,(@1,2)') == ["1", '"a,b"', "(@1,2)"]
    assert _refusal(split_data, "1,,2") == -103
    assert _refusal(split_data, '1,"a') == -151
    assert _refusal(split_data, "(@1,2") == -171


@pytest.mark.parametrize("unit", ["HZ", "A", "V", "S"])
def test_every_unit_has_a_plain_and_a_milli_or_mega_suffix(unit: str) -> None:
    """The factor of the bare unit is 1; of M it is 1e−3, for hertz 1e6."""
    assert suffixes(unit)[unit] == 1.0
    assert suffixes(unit)["M" + unit] == (1e6 if unit == "HZ" else 1e-3)
    assert all(math.isfinite(factor) for factor in suffixes(unit).values())
