"""SCPI text: what is written can be read back, and what is no number, string or block is refused.

Clauses are of IEEE 488.2 and SCPI-1999 Volume 1, quoted from memory and from quotations in manuals; not seen.
"""

from __future__ import annotations

import math
import struct
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi_text
from drivers.scpi_text import NotMeasured, Unreadable

numbers = st.floats(allow_nan=False, allow_infinity=False, min_value=-(2.0**120), max_value=2.0**120)
normal_numbers = numbers.filter(lambda value: value == 0 or abs(value) >= sys.float_info.min)
singles = st.floats(
    width=32,
    allow_nan=False,
    allow_infinity=False,
    allow_subnormal=False,
    min_value=-(2.0**120),
    max_value=2.0**120,
)
orders = st.sampled_from(["normal", "swapped"])


def block(content: bytes) -> bytes:
    """Make a definite-length block the way 488.2, 8.7.9 describes it, independent of the code under test."""
    count = str(len(content)).encode()
    return b"#" + str(len(count)).encode() + count + content


@given(numbers)
def test_a_number_survives_the_way_out_and_back_to_twelve_digits(value: float) -> None:
    """Half a unit of the twelfth significant digit is at most 5e-12 of the value."""
    text = scpi_text.format_number(value)

    assert math.isclose(scpi_text.parse_number(text), value, rel_tol=5e-12, abs_tol=1e-300)
    assert text.isascii()
    assert " " not in text


@pytest.mark.parametrize(
    ("value", "text"),
    [(60e6, "60000000"), (0.1 + 0.2, "0.3"), (-17.25, "-17.25"), (-0.0, "0"), (1.5e13, "1.5E+13"), (2e-9, "2E-09")],
)
def test_a_number_is_written_without_the_noise_of_its_last_bits(value: float, text: str) -> None:
    """NRf may be NR1, NR2 or NR3 (488.2, 7.7.2)."""
    assert scpi_text.format_number(value) == text


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan, 9.9e37])
def test_what_is_no_number_is_never_sent(value: float) -> None:
    """A command with 9.9E37 would ask for infinity (Vol 1, 7.2.1.4)."""
    with pytest.raises(ValueError, match="cannot be sent"):
        scpi_text.format_number(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("42", 42.0),
        ("-12.500", -12.5),
        ("+1.25000E+09", 1.25e9),
        (" 7 ", 7.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e-3\r", 1e-3),
    ],
)
def test_all_three_number_forms_are_read(text: str, value: float) -> None:
    """NR1, NR2, NR3 (488.2, 8.7.2 to 8.7.4), blanks around them."""
    assert scpi_text.parse_number(text) == value


@pytest.mark.parametrize(
    "text", ["9.9E37", "-9.9E37", "9.91E37", "9.900000302E37", "9.909999530E+37", "1E999", "+9.8E37"]
)
def test_overload_is_told_apart_from_garbage(text: str) -> None:
    """INF 9.9E37, NINF −9.9E37, NAN 9.91E37 (Vol 1, 7.2.1.4 and 7.2.1.5), also as a 32-bit float prints them."""
    with pytest.raises(NotMeasured):
        scpi_text.parse_number(text)


@pytest.mark.parametrize(
    "text", ["", " ", "nan", "inf", "-Infinity", "1_000", "1,2", "0x1F", "١٢", "1 V", "OVLD", "--1"]
)
def test_garbage_is_no_number(text: str) -> None:
    """Python's own float() takes some of these; 488.2 knows none of them."""
    with pytest.raises(Unreadable) as caught:
        scpi_text.parse_number(text)

    assert not isinstance(caught.value, NotMeasured)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5.000 V", "V", 5.0),
        ("+6.0E+07 HZ", "HZ", 60e6),
        ("60000000Hz", "HZ", 60e6),
        ("-12.50 dBm", "DBM", -12.5),
        ("10 DB", "DB", 10.0),
        (" 2.0E-1A\r", "A", 0.2),
        ("23.1 CEL", "CEL", 23.1),
        ("23.1 C", "CEL", 23.1),
        ("1.5 s", "S", 1.5),
        ("5", "V", 5.0),
    ],
)
def test_a_reply_may_name_the_base_unit_that_was_asked_for(text: str, unit: scpi_text.Unit, value: float) -> None:
    """A reply has no suffix (488.2, 8.7); that some instruments send one is common practice, no source."""
    assert scpi_text.parse_number(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("5000 MV", "V"),  # 488.2, 7.7.3: M is milli …
        ("60 MHZ", "HZ"),  # … but mega before HZ
        ("60 KHZ", "HZ"),
        ("200 MA", "A"),
        ("3 DBMV", "DBM"),
        ("3 DB", "DBM"),
        ("3 DBM", "DB"),
        ("296.2 K", "CEL"),
        ("73.6 FAR", "CEL"),
        ("5 A", "V"),
        ("5 V V", "V"),
        ("5 V,3", "V"),
        ("V", "V"),
        ("5E V", "V"),
        ("NAN V", "V"),
        ("1_0 V", "V"),
        ("٥ V", "V"),
    ],
)
def test_a_reply_with_any_other_suffix_is_refused(text: str, unit: scpi_text.Unit) -> None:
    """Case is ignored, so mV and MV are one suffix: scaling by it would be guessing."""
    with pytest.raises(Unreadable) as caught:
        scpi_text.parse_number(text, unit)

    assert not isinstance(caught.value, NotMeasured)


@pytest.mark.parametrize("text", ["9.91E37 V", "9.9E+37V", "-9.9E37 V"])
def test_no_number_with_a_suffix_is_still_no_number(text: str) -> None:
    """Vol 1, 7.2.1.4 and 7.2.1.5."""
    with pytest.raises(NotMeasured):
        scpi_text.parse_number(text, "V")


@given(st.lists(numbers, min_size=1, max_size=8))
def test_a_list_of_numbers_keeps_count_and_order(values: list[float]) -> None:
    """Items of one reply are separated by commas (488.2, 8.4.2)."""
    read = scpi_text.parse_numbers(",".join(map(scpi_text.format_number, values)))

    assert read == tuple(scpi_text.parse_number(scpi_text.format_number(value)) for value in values)


@pytest.mark.parametrize("text", ["1,,2", "1,", ",1", "1;2"])
def test_a_hole_in_a_list_of_numbers_is_refused(text: str) -> None:
    """A lost item would shift the others."""
    with pytest.raises(Unreadable):
        scpi_text.parse_numbers(text)


def test_a_count_may_come_with_a_point_but_must_be_whole() -> None:
    """NR1 (488.2, 8.7.2); counts that come as NR2 or NR3 are common practice."""
    assert scpi_text.parse_integer("+401") == 401
    assert scpi_text.parse_integer("4.01E+02") == 401
    with pytest.raises(Unreadable):
        scpi_text.parse_integer("4.5")


@given(st.booleans())
def test_a_boolean_survives_the_way_out_and_back(on: bool) -> None:
    """Out of a device always 0 or 1 (Vol 1, 7.3)."""
    assert scpi_text.parse_boolean(scpi_text.format_boolean(on=on)) is on


@pytest.mark.parametrize(("text", "on"), [("ON", True), ("off", False), ("+1", True), (" 0\r", False)])
def test_a_boolean_reply_may_be_the_word_that_commands_use(text: str, on: bool) -> None:
    """Vol 1, 7.3 has 0 or 1 out and ON or OFF in; instruments that send the word are met (practice, no source)."""
    assert scpi_text.parse_boolean(text) is on


@pytest.mark.parametrize("text", ["2", "-1", "", "1.5", "TRUE", "ON,OFF", "0N", "1 ON"])
def test_a_boolean_reply_is_zero_or_one_and_nothing_else(text: str) -> None:
    """A reply of 2 means that another question was answered."""
    with pytest.raises(Unreadable):
        scpi_text.parse_boolean(text)


def test_states_of_a_list_of_relays_are_read_in_order() -> None:
    """The reply to CLOSe? with a channel list."""
    assert scpi_text.parse_booleans("1,0, 0,1") == (True, False, False, True)


def test_a_channel_list_is_written_in_parentheses_with_an_at_sign() -> None:
    """Vol 1, 8.3.2."""
    assert scpi_text.format_channel_list([101]) == "(@101)"
    assert scpi_text.format_channel_list((101, 103)) == "(@101,103)"
    for channels in ([], [-1, 3]):
        with pytest.raises(ValueError, match="channel list"):
            scpi_text.format_channel_list(channels)


@given(st.text(st.characters(codec="ascii")), st.sampled_from(['"', "'"]))
def test_a_string_survives_quoting_whatever_it_contains(inside: str, quote: str) -> None:
    """A quote inside is doubled (488.2, 8.7.8)."""
    assert scpi_text.parse_string(quote + inside.replace(quote, quote * 2) + quote) == inside


@pytest.mark.parametrize("text", ["", '"', "word", '"open', '"a"b"', "\"mixed'"])
def test_a_string_without_proper_quotes_is_refused(text: str) -> None:
    """The end of a string must not be guessed."""
    with pytest.raises(Unreadable):
        scpi_text.parse_string(text)


@pytest.mark.parametrize(
    ("reply", "entry"),
    [
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header"', (-113, "Undefined header")),
        ('-222,"Data out of range;VOLT 7"', (-222, "Data out of range;VOLT 7")),
        ('-200, "Execution error; say ""hi"""', (-200, 'Execution error; say "hi"')),
        ("-350,Too many errors", (-350, "Too many errors")),
        ('201,""', (201, "")),
        ("0", (0, "")),
    ],
)
def test_error_entries_are_read_in_all_variants_met(reply: str, entry: tuple[int, str]) -> None:
    """SCPI-1999 Vol 2, 21.8 gives number,"text"; signs, missing quotes and device text are common practice."""
    assert scpi_text.parse_error_entry(reply) == entry


@pytest.mark.parametrize("reply", ["", "No error", '"0","No error"', '-113,"Undefined'])
def test_what_is_no_error_entry_is_refused(reply: str) -> None:
    """An unreadable entry must not count as an empty queue."""
    with pytest.raises(Unreadable):
        scpi_text.parse_error_entry(reply)


def test_an_identity_has_four_fields_and_the_last_may_hold_commas() -> None:
    """488.2, 10.14."""
    assert scpi_text.parse_identity("MAKER,M-1, 007 ,1.0") == ("MAKER", "M-1", "007", "1.0")
    assert scpi_text.parse_identity("MAKER,M-1,,A.1, B.2") == ("MAKER", "M-1", "0", "A.1, B.2")
    with pytest.raises(Unreadable):
        scpi_text.parse_identity("MAKER,M-1,7")


def test_the_worked_examples_of_blocks_are_read() -> None:
    """#15HELLO and #3008 with eight bytes: the form of 488.2, 8.7.9."""
    assert scpi_text.parse_block(b"#15HELLO") == b"HELLO"
    assert scpi_text.parse_block(b"#3008\n\n\n\n#123") == b"\n\n\n\n#123"
    assert scpi_text.parse_block(b"#10") == b""


@given(st.binary(max_size=300))
def test_a_block_survives_whatever_bytes_it_holds(content: bytes) -> None:
    """Bytes may be any value, including the message terminator."""
    assert scpi_text.parse_block(block(content)) == content
    assert scpi_text.block_length(block(content)) == len(block(content))


@given(st.binary(max_size=40))
def test_every_truncation_of_a_block_raises(content: bytes) -> None:
    """A broken line must never become a shorter trace."""
    whole = block(content)

    for length in range(len(whole)):
        with pytest.raises(Unreadable):
            scpi_text.parse_block(whole[:length])


@given(st.binary(max_size=40), st.binary(min_size=1, max_size=4))
def test_a_block_with_bytes_behind_it_raises(content: bytes, tail: bytes) -> None:
    """What follows belongs to something else."""
    with pytest.raises(Unreadable):
        scpi_text.parse_block(block(content) + tail)


@pytest.mark.parametrize(
    "data", [b"", b"HELLO", b"#", b"#0HELLO\n", b"#A5", b"#2", b"#25HELLO", b"#2-5HELLO", b"# 15HELLO"]
)
def test_what_does_not_begin_like_a_definite_block_is_refused(data: bytes) -> None:
    """#0 is the indefinite form (488.2, 8.7.10): it cannot be delimited on a socket."""
    with pytest.raises(Unreadable):
        scpi_text.parse_block(data)


@given(st.binary(max_size=60))
def test_any_bytes_are_a_block_or_raise_that_one_error(data: bytes) -> None:
    """Parse, or raise Unreadable: nothing else."""
    try:
        content = scpi_text.parse_block(data)
    except Unreadable:
        return

    assert data.endswith(content)


@given(st.text(max_size=20))
def test_any_text_is_read_or_raises_that_one_error(text: str) -> None:
    """Parse, or raise Unreadable: nothing else."""
    for parse in (
        scpi_text.parse_number,
        lambda text: scpi_text.parse_number(text, "V"),
        scpi_text.parse_integer,
        scpi_text.parse_boolean,
        scpi_text.parse_string,
        scpi_text.parse_error_entry,
        scpi_text.parse_identity,
    ):
        try:
            result: object = parse(text)
        except Unreadable:
            continue

        assert result is not None


@given(st.lists(singles, max_size=30), orders)
def test_single_reals_are_read_in_both_byte_orders(values: list[float], order: scpi_text.ByteOrder) -> None:
    """REAL,32 with BORDer NORMal or SWAPped; array of the standard library is the other path."""
    content = struct.pack((">" if order == "normal" else "<") + "f" * len(values), *values)

    assert scpi_text.parse_reals(content, 32, order) == tuple(values)


@given(st.lists(normal_numbers, max_size=30), orders)
def test_double_reals_are_read_in_both_byte_orders(values: list[float], order: scpi_text.ByteOrder) -> None:
    """REAL,64."""
    content = struct.pack((">" if order == "normal" else "<") + "d" * len(values), *values)

    assert scpi_text.parse_reals(content, 64, order) == tuple(values)


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize("sent", [-20.0, -21.5, 2.0, 8.625, -90.0])
def test_round_numbers_in_the_other_byte_order_are_refused(sent: float, bits: scpi_text.RealBits) -> None:
    """Their low bytes are zero, so swapped they are all but zero (IEEE 754: -20 is C1 A0 00 00)."""
    content = struct.pack("<2f" if bits == 32 else "<2d", sent, 0.0)

    with pytest.raises(Unreadable, match="another order"):
        scpi_text.parse_reals(content, bits, "normal")


@given(st.binary(max_size=40).filter(lambda content: len(content) % 4 != 0))
def test_a_broken_number_at_the_end_of_a_trace_raises(content: bytes) -> None:
    """No whole count of numbers."""
    with pytest.raises(Unreadable):
        scpi_text.parse_reals(content, 32)


@given(
    st.lists(singles, max_size=10),
    st.sampled_from([9.9e37, -9.9e37, 9.91e37, math.inf, -math.inf, math.nan]),
    st.data(),
)
def test_one_overload_in_a_trace_raises_wherever_it_stands(
    values: list[float], overload: float, data: st.DataObject
) -> None:
    """A missing sample must not enter a mean."""
    values.insert(data.draw(st.integers(0, len(values))), overload)

    with pytest.raises(NotMeasured):
        scpi_text.parse_reals(struct.pack(f">{len(values)}f", *values), 32)


def test_two_overloads_of_opposite_sign_do_not_cancel() -> None:
    """The check must not rest on a sum alone."""
    with pytest.raises(NotMeasured):
        scpi_text.parse_reals(struct.pack(">2f", 9.9e37, -9.9e37), 32)
