"""Tables of deviations: what is sent instead of the driver's words, and how a reply becomes what the driver expects."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi_text
from drivers.deviations import WITHOUT, BlockForm, Completion, Deviation, Deviations, incoming
from drivers.scpi_text import RealBits, Unreadable

LEVEL = ":SOUR:POW:LEV:IMM:AMPL"


def sent(deviation: Deviation, message: str, header: str = LEVEL) -> tuple[str, ...]:
    return Deviations({header: deviation}).outgoing(message).messages


@pytest.mark.parametrize(
    ("deviation", "message", "expected"),
    [
        (Deviation(), f"{LEVEL} -12.34", (f"{LEVEL} -12.34",)),
        (Deviation(send=("LVL {value} DBM",)), f"{LEVEL} -12.34", ("LVL -12.34 DBM",)),
        (Deviation(send=("REMOTE", "LVL {value}", "GO")), f"{LEVEL} 3", ("REMOTE", "LVL 3", "GO")),
        (Deviation(scale=1000.0), f"{LEVEL} 0.25", (f"{LEVEL} 250",)),
        (Deviation(scale=1e-6, decimals=3), f"{LEVEL} 60500001", (f"{LEVEL} 60.500",)),
        (Deviation(decimals=1), f"{LEVEL} -0.04", (f"{LEVEL} 0.0",)),
        (Deviation(scale=1e-6), f"{LEVEL} 1E6,2E6", (f"{LEVEL} 1,2",)),
        (Deviation(scale=10.0), f"{LEVEL} MAX", (f"{LEVEL} MAX",)),
        (Deviation(words={"DBM": "dBm"}), f"{LEVEL} DBM", (f"{LEVEL} dBm",)),
        (Deviation(words={"1": "ON"}, scale=5.0), f"{LEVEL} 1", (f"{LEVEL} ON",)),
        (Deviation(ask="LVL?"), f"{LEVEL}?", ("LVL?",)),
        (Deviation(send=("LVL {value}",)), f"{LEVEL}?", (f"{LEVEL}?",)),
        (Deviation(not_sent=True), f"{LEVEL} 3", ()),
        (Deviation(not_sent=True), f"{LEVEL}?", (f"{LEVEL}?",)),
        (Deviation(not_asked=True), f"{LEVEL}?", ()),
        (Deviation(), ":OTHER 3", (":OTHER 3",)),
    ],
)
def test_a_message_becomes_what_the_table_says(deviation: Deviation, message: str, expected: tuple[str, ...]) -> None:
    """Headers, values with scale, digits and words, sequences, and what is not there."""
    assert sent(deviation, message) == expected


def test_a_number_in_a_header_is_handed_on() -> None:
    """``#`` in the table stands for it, at the end of the header or of a word inside."""
    table = Deviations(
        {
            ":SOUR:DIG:DATA#": Deviation(send=("PORT {number},{value}",), ask="PORT? {number}"),
            ":STAT:QUES:INST:ISUM#:COND?": Deviation(ask="CH{number}?"),
        }
    )

    assert table.outgoing(":SOUR:DIG:DATA12 31").messages == ("PORT 12,31",)
    assert table.outgoing(":SOUR:DIG:DATA12?").messages == ("PORT? 12",)
    assert table.outgoing(":STAT:QUES:INST:ISUM2:COND?").messages == ("CH2?",)


def test_what_is_said_of_a_query_alone_goes_before_what_is_said_of_both() -> None:
    """A header with its question mark is the narrower one."""
    table = Deviations({LEVEL: Deviation(send=("LVL {value}",)), f"{LEVEL}?": Deviation(ask="HOW LOUD?")})

    assert table.outgoing(f"{LEVEL} 1").messages == ("LVL 1",)
    assert table.outgoing(f"{LEVEL}?").messages == ("HOW LOUD?",)


@pytest.mark.parametrize(
    ("completion", "expected"),
    [
        (Completion(), ("GO;*OPC?",)),
        (Completion(ask="DONE?"), ("GO;DONE?",)),
        (Completion(ask="*OPC?", joined=False), ("GO",)),
        (Completion(joined=False, wait_s=1.0), ("GO",)),
    ],
)
def test_the_end_of_an_operation_is_asked_for_as_the_table_says(
    completion: Completion, expected: tuple[str, ...]
) -> None:
    """Behind the command in one message, or apart."""
    table = Deviations({":INIT:IMM": Deviation(send=("GO",))}, completion)
    going = table.outgoing(":INIT:IMM;*OPC?")

    assert going.messages == expected
    assert going.completes


@pytest.mark.parametrize(
    ("deviation", "reply", "expected"),
    [
        (Deviation(field=2), b"VAL, -12.30, DBM\r", b"-12.30"),
        (Deviation(prefix="LVL=", unit="DBM"), b"lvl=-12.30 dBm", b"-12.30"),
        (Deviation(pattern=r"level is ([-\d.]+)"), b"the level is -3.5 dBm", b"-3.5"),
        (Deviation(words={"1": "ON", "0": "OFF"}), b"on", b"1"),
        (Deviation(words={"1": "ON"}, reads={"ENABLED": "1"}), b"ENABLED", b"1"),
        (Deviation(words={"1": "ON"}), b"0", b"0"),
        (Deviation(scale=1e-6), b"60.5", b"60500000.0"),
        (Deviation(scale=1000.0, field=1, unit="MA"), b"250 MA,CC", b"0.25"),
        (Deviation(scale=1000.0), b"9.9E37", b"9.9E37"),
        (Deviation(is_identity=True), b"BOX 7", b"0,BOX 7,0,0"),
        (Deviation(is_identity=True), b"MAKER, BOX,7", b"MAKER,BOX,7,0"),
        (Deviation(is_identity=True), b"MAKER,BOX,7,1.0,beta", b"MAKER,BOX,7,1.0,beta"),
    ],
)
def test_a_reply_becomes_what_the_driver_expects(deviation: Deviation, reply: bytes, expected: bytes) -> None:
    """Field, surroundings, pattern, words, scale and identity, in this order."""
    assert incoming(deviation, reply) == expected


@pytest.mark.parametrize(
    ("deviation", "reply"),
    [
        (Deviation(field=3), b"1,2"),
        (Deviation(prefix="LVL="), b"FRQ=3"),
        (Deviation(unit="DBM"), b"3 V"),
        (Deviation(pattern=r"level (\d+)"), b"no level"),
        (Deviation(pattern=r"level|(\d+)"), b"level"),
        (Deviation(scale=2.0), b"ON"),
        (Deviation(field=1), b"\xff"),
        (Deviation(block=BlockForm("text")), b"1,two"),
        (Deviation(block=BlockForm("binary")), b"1,2"),
    ],
)
def test_a_reply_that_is_not_as_the_table_says_is_not_read(deviation: Deviation, reply: bytes) -> None:
    """Nothing is guessed."""
    with pytest.raises(Unreadable):
        incoming(deviation, reply)


@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize(
    ("form", "reply"),
    [
        (BlockForm("text"), b"-20.5, -21.25,3"),
        (BlockForm("binary", 32, "swapped"), b"#212" + struct.pack("<3f", -20.5, -21.25, 3.0)),
        (BlockForm("binary", 64, "normal"), b"#224" + struct.pack(">3d", -20.5, -21.25, 3.0)),
    ],
)
def test_many_numbers_come_in_the_form_that_the_driver_expects(form: BlockForm, reply: bytes, bits: RealBits) -> None:
    """A definite-length block (IEEE 488.2, 8.7.9), most significant byte first, of the driver's own size."""
    block = incoming(Deviation(block=form), reply, bits)

    assert scpi_text.parse_reals(scpi_text.parse_block(block), bits) == (-20.5, -21.25, 3.0)


@given(
    value=st.floats(-1e9, 1e9).map(lambda value: float(f"{value:.9g}")),
    scale=st.sampled_from([1e-6, 1e-3, 2.0, -1.0, 1e3]),
)
def test_a_value_that_is_sent_and_read_back_is_the_same(value: float, scale: float) -> None:
    """Within the twelve digits that are sent."""
    deviation = Deviation(send=("SET {value} U",), prefix="IS", unit="U", scale=scale)
    (message,) = sent(deviation, f"{LEVEL} {scpi_text.format_number(value)}")
    own = message.removeprefix("SET ").removesuffix(" U")
    back = scpi_text.parse_number(incoming(deviation, f"IS {own}U".encode()).decode())

    assert back == pytest.approx(value, rel=1e-11, abs=1e-300)


def test_what_is_answered_without_a_query_reads_as_nothing_known_and_nothing_wrong() -> None:
    """By the parsers that read real replies."""
    assert scpi_text.parse_identity(WITHOUT["*IDN?"]) == ("0", "0", "0", "0")
    assert scpi_text.parse_integer(WITHOUT["*ESR?"]) == 0
    assert scpi_text.parse_error_entry(WITHOUT[":SYST:ERR?"]) == (0, "No error")
