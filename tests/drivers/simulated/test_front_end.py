"""The message exchange of a simulated instrument: IEEE 488.2 chapters 6, 10 and 11, SCPI-1999 Vol 2, 21.8.

The standards' wording was seen only as quoted in open-source parsers of them.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.clocks import SimulatedClock
from drivers.simulated.front_end import LONGEST_MESSAGE, FrontEnd
from drivers.simulated.front_ends import front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import RigSetup

Ask = Callable[[str, str], str]
Tell = Callable[[str, str], None]
Ends = dict[str, FrontEnd]

#: SCPI-1999 Vol 2, 21.8, as quoted in two independent open-source parsers.
_PUBLISHED = {
    -101: "Invalid character",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -222: "Data out of range",
    -224: "Illegal parameter value",
}


@pytest.mark.parametrize(
    ("message", "number"),
    [
        (":FRE&Q 1", -101),
        ("FREQ 1,,2", -103),
        ("ROSC:SOUR INT,EXT", -108),
        ("FREQ", -109),
        ("FREQUENCYMODULATION 1", -112),
        ("FREQU 60E6", -113),
        ("SYST:ERR", -113),
        ("*XYZ", -113),
        ("FREQ9 60E6", -114),
        ("ROSC:SOUR 5", -128),
        ("FREQ 5 V", -131),
        ("*ESE 5 V", -138),
        ('FREQ "60', -151),
        ('FREQ "60"', -158),
        ("FREQ 1E15", -222),
        ("ROSC:SOUR ATOM", -224),
    ],
)
def test_a_wrong_message_puts_its_number_and_text_into_the_queue(
    tell: Tell, ask: Ask, message: str, number: int
) -> None:
    """And changes nothing: the frequency is still what it was."""
    before = ask("tone_1", "FREQ?")
    tell("tone_1", message)

    assert ask("tone_1", "SYST:ERR?") == f'{number},"{_PUBLISHED[number]}"'
    assert ask("tone_1", "SYST:ERR?") == '0,"No error"'
    assert ask("tone_1", "FREQ?") == before


def test_a_list_where_a_number_is_wanted_is_a_data_type_error(tell: Tell, ask: Ask) -> None:
    """And a number where a channel list is wanted: −104."""
    tell("load_switch", "ROUT:CLOS 101")

    assert ask("load_switch", "SYST:ERR?") == f'-104,"{_PUBLISHED[-104]}"'


@given(st.lists(st.sampled_from(["FREQU 1", "FREQ 1E15", "FREQ", "SYST:ERR?"]), max_size=60))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_the_queue_keeps_the_oldest_and_ends_in_overflow(setup: RigSetup, messages: list[str]) -> None:
    """First in, first out; when full, the newest slot is −350 and what comes later is lost (21.8)."""
    numbers = {"FREQU 1": -113, "FREQ 1E15": -222, "FREQ": -109}
    end = front_ends(Rig(setup, SimulatedClock(_start())))["tone_1"]
    expected: list[int] = []
    for message in messages:
        end.receive(message.encode() + b"\n")
        if message == "SYST:ERR?":
            reply = end.reply()
            assert reply is not None
            assert int(reply.split(b",")[0]) == (expected.pop(0) if expected else 0)
        elif len(expected) < 20:
            expected.append(numbers[message])
        else:
            expected[-1] = -350

    end.receive(b"SYST:ERR:COUN?\n")
    assert end.reply() == b"%d\n" % len(expected)


def test_a_full_queue_ends_in_overflow(tell: Tell, ask: Ask) -> None:
    """25 errors: 19 of them stay, the twentieth place says −350, and there is room again after one is read."""
    for _ in range(25):
        tell("tone_1", "FREQU 1")

    assert ask("tone_1", "SYST:ERR:COUN?") == "20"
    entries = [ask("tone_1", "SYST:ERR?").split(",")[0] for _ in range(21)]
    assert entries == ["-113"] * 19 + ["-350", "0"]


def _start() -> datetime:
    return datetime(2026, 11, 2, tzinfo=UTC)


def test_each_class_of_error_sets_its_own_bit_of_the_event_register(tell: Tell, ask: Ask) -> None:
    """Command error 5, execution error 4, query error 2 (21.8); power on 7; reading clears (488.2, 10.12)."""
    assert ask("tone_1", "*ESR?") == "128"
    tell("tone_1", "FREQU 1")
    assert ask("tone_1", "*ESR?") == "32"
    tell("tone_1", "FREQ 1E15")
    assert ask("tone_1", "*ESR?") == "16"
    tell("tone_1", "*IDN?")
    tell("tone_1", "FREQ 60E6")
    assert ask("tone_1", "*ESR?") == "4"
    assert ask("tone_1", "*ESR?") == "0"


def test_clear_status_empties_queue_and_events_but_keeps_the_masks(tell: Tell, ask: Ask) -> None:
    """488.2, 10.3."""
    for message in ("*ESE 36", "*SRE 255", "FREQU 1", "*CLS"):
        tell("tone_1", message)

    assert ask("tone_1", "*ESR?;*ESE?;*SRE?;SYST:ERR:COUN?") == "0;36;191;0"


def test_the_status_byte_sums_up(tell: Tell, ask: Ask) -> None:
    """Queue bit 2, event summary bit 5 through its mask, master summary bit 6 through its mask (488.2, 11.2)."""
    for message in ("*CLS", "*ESE 32", "*SRE 32", "FREQU 1"):
        tell("tone_1", message)

    assert ask("tone_1", "*STB?") == str(4 + 32 + 64)
    tell("tone_1", "*SRE 0")
    assert ask("tone_1", "*STB?") == str(4 + 32)


def test_the_next_header_starts_where_the_last_one_ended(tell: Tell, ask: Ask) -> None:
    """Header path (Vol 1, 6.2.4): a colon returns to the root, a common command leaves the path alone."""
    tell("analyzer", "FREQ:CENT 70E6;SPAN 1E6")
    assert ask("analyzer", "FREQ:CENT?;*IDN?;SPAN?").count(";") == 2
    assert ask("analyzer", "SYST:ERR?") == '0,"No error"'
    tell("analyzer", "FREQ:CENT 60E6;BAND 1E3")
    assert ask("analyzer", "SYST:ERR?") == '-113,"Undefined header"'
    tell("analyzer", "FREQ:CENT 60E6;:BAND 1E3")
    assert ask("analyzer", "SYST:ERR?;:BAND?") == '0,"No error";1.000000000E+03'


def test_after_a_command_error_the_rest_of_the_message_is_not_run(tell: Tell, ask: Ask) -> None:
    """After an execution error it is: the message was understood, and only one of its units could not be obeyed."""
    tell("tone_1", "FREQ 70E6;FREQU 1;:FREQ 80E6")
    assert float(ask("tone_1", "FREQ?")) == 70e6
    tell("tone_1", "FREQ 1E15;:FREQ 80E6")
    assert float(ask("tone_1", "FREQ?")) == 80e6


def test_several_queries_in_one_message_answer_in_one_response(ask: Ask) -> None:
    """Joined by ``;`` (488.2, 8.4.1; from memory of it, not seen)."""
    assert ask("tone_1", "*TST?;*OPC?;:SYST:VERS?;:OUTP?") == "0;1;1999.0;0"


@pytest.mark.parametrize("message", ["FREQ 60E6\r", " \tFREQ  60E6 \r", "freq\t60e6", "FREQ 60E6;", ";;FREQ 60E6"])
def test_white_space_and_empty_units_are_harmless(tell: Tell, ask: Ask, message: str) -> None:
    """488.2, 7.4.1: codes 0 to 9 and 11 to 32."""
    tell("tone_1", "FREQ 70E6")
    tell("tone_1", message)

    assert float(ask("tone_1", "FREQ?")) == 60e6
    assert ask("tone_1", "SYST:ERR?") == '0,"No error"'


def test_a_limit_can_be_asked_for(tell: Tell, ask: Ask) -> None:
    """Vol 1, 7.2.1: ``<header>? MAX`` is what can be set now, so a ceiling moves it."""
    assert float(ask("tone_1", "POW? MAX")) == 19.0
    tell("tone_1", "POW:LIM 10")
    assert float(ask("tone_1", "POW? MAX")) == 10.0
    assert float(ask("tone_1", "POW? MIN")) == -120.0


def test_a_message_in_pieces_is_run_when_its_newline_comes(ends: Ends, ask: Ask) -> None:
    """And several in one piece one after the other."""
    for piece in (b"FR", b"EQ 70", b"E6\nFREQ 80E6\nPOW", b" -10\n"):
        ends["tone_1"].receive(piece)

    assert ask("tone_1", "FREQ?;POW?") == "8.000000000E+07;-1.000000000E+01"


def test_a_message_without_end_is_thrown_away(ends: Ends, ask: Ask) -> None:
    """−363, Input buffer overrun."""
    ends["tone_1"].receive(b"A" * (LONGEST_MESSAGE + 1))

    assert ask("tone_1", "SYST:ERR?") == '-363,"Input buffer overrun"'


def test_reading_when_nothing_is_due_gives_nothing_and_one_entry(ends: Ends, ask: Ask) -> None:
    """Query UNTERMINATED (488.2, 6.3.2.2): the device sends nothing; however long the controller waits, once."""
    ends["tone_1"].receive(b"FREQU?\n")

    assert ends["tone_1"].reply() is None
    assert ends["tone_1"].reply() is None
    assert ask("tone_1", "SYST:ERR?;:SYST:ERR?;:SYST:ERR?").split(";") == [
        '-113,"Undefined header"',
        '-420,"Query UNTERMINATED"',
        '0,"No error"',
    ]


def test_a_new_message_discards_an_unread_reply(tell: Tell, ask: Ask) -> None:
    """Query INTERRUPTED (488.2, 6.3.2.3): the old reply never comes late, and the new message is run."""
    tell("tone_1", "*IDN?")

    assert ask("tone_1", "OUTP?") == "0"
    assert ask("tone_1", "SYST:ERR?") == '-410,"Query INTERRUPTED"'


def test_every_message_takes_its_latency_of_the_clock(tell: Tell, clock: SimulatedClock) -> None:
    """One millisecond by default."""
    before = clock.elapsed_s()
    tell("tone_1", "FREQ 60E6")

    assert clock.elapsed_s() - before == pytest.approx(0.001)


def test_operation_complete_waits_for_the_sweep_when_it_is_read(
    tell: Tell, ends: Ends, clock: SimulatedClock, ask: Ask
) -> None:
    """The clock moves in the read and not in the write, so that other instruments can work meanwhile."""
    tell("analyzer", "FREQ:SPAN 0;CENT 60E6;:BAND 100;:SWE:POIN 20")
    before = clock.elapsed_s()
    tell("analyzer", ":INIT:IMM;*OPC?")

    assert clock.elapsed_s() - before == pytest.approx(0.001)
    assert ends["analyzer"].reply() == b"1\n"
    assert clock.elapsed_s() - before == pytest.approx(0.001 + 0.01 + 0.3)
    before = clock.elapsed_s()
    tell("analyzer", ":INIT:IMM;*OPC?")
    clock.sleep(10.0)
    assert ends["analyzer"].reply() == b"1\n"
    assert clock.elapsed_s() - before == pytest.approx(10.001)
    assert ask("analyzer", "*ESR?") == "128"  # *OPC? sets no bit (21.8)


def test_operation_complete_without_query_sets_its_bit_when_the_sweep_is_done(
    tell: Tell, ask: Ask, clock: SimulatedClock
) -> None:
    """488.2, 10.18; clear status cancels it (10.3)."""
    tell("analyzer", "*CLS;:FREQ:SPAN 0;:BAND 100;:SWE:POIN 20")
    tell("analyzer", "INIT;*OPC")
    assert ask("analyzer", "*ESR?;:STAT:OPER:COND?") == "0;8"
    clock.sleep(1.0)
    assert ask("analyzer", "*ESR?;:STAT:OPER:COND?") == "1;0"
    tell("analyzer", "INIT;*OPC;*CLS")
    clock.sleep(1.0)
    assert ask("analyzer", "*ESR?") == "0"


def test_units_behind_a_waiting_query_wait_with_it(tell: Tell, ask: Ask) -> None:
    """The trace behind ``*OPC?`` in one message is the finished one."""
    tell("analyzer", "FREQ:SPAN 0;:BAND 100;:SWE:POIN 20;:FORM ASC")

    done, trace = ask("analyzer", "INIT;*OPC?;:TRAC? TRACE1").split(";")
    assert done == "1"
    assert len(trace.split(",")) == 20


def test_wait_lets_the_clock_run_until_the_sweep_is_done(tell: Tell, clock: SimulatedClock) -> None:
    """488.2, 10.39."""
    tell("analyzer", "FREQ:SPAN 0;:BAND 100;:SWE:POIN 20")
    before = clock.elapsed_s()
    tell("analyzer", "INIT;*WAI")

    assert clock.elapsed_s() - before > 0.3


def test_reset_drops_a_sweep_but_not_the_queue(tell: Tell, ask: Ask) -> None:
    """488.2, 10.32: registers, masks and queue are left alone."""
    tell("analyzer", "FREQU 1")
    tell("analyzer", "*ESE 36;:INIT;*RST")

    assert ask("analyzer", "STAT:OPER:COND?;*ESE?;:SYST:ERR:COUN?") == "0;36;1"


def test_an_instrument_says_who_it_is(ask: Ask) -> None:
    """Four fields (488.2, 10.14); the serial number is the bench's, 0 where none was given."""
    assert ask("tone_1", "*IDN?") == "NIGHTBENCH,SIMULATED-TONE-SOURCE,NS-101,0.1"
    assert ask("supply", "*idn?") == "NIGHTBENCH,SIMULATED-DC-SUPPLY,0,0.1"


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=40),
            st.lists(
                st.sampled_from(
                    (
                        *(":", ";", "?", " ", ",", "-", "'", '"', "\x00", "1e99", "#H", "(@", "9" * 30),
                        *("POW", "FREQ", "OUTP", "BAND", "MAX", "INIT", "*OPC?", "*RST", "FETC?", "SYST:ERR?"),
                        *("TRAC? TRACE1", "FORM REAL,32"),
                    )
                ),
                max_size=8,
            ).map(lambda words: "".join(words).encode("latin-1")),
        ),
        max_size=6,
    ),
    st.sampled_from(["tone_1", "analyzer", "supply", "current_meter", "chamber", "load_switch", "code_port"]),
)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_whatever_bytes_come_the_front_end_answers_or_queues_an_error(
    setup: RigSetup, pieces: list[bytes], place: str
) -> None:
    """Never an exception; and afterwards it still knows who it is."""
    end = front_ends(Rig(setup, SimulatedClock(_start())))[place]
    for piece in pieces:
        end.receive(piece + b"\n")
        end.reply()

    end.receive(b"\n*IDN?\n")
    reply = end.reply()
    assert reply is not None
    assert reply.startswith(b"NIGHTBENCH,SIMULATED-")


def test_a_front_end_shows_nothing_but_bytes(ends: Ends) -> None:
    """A driver's side of it: bytes in, bytes out, and the breaking-off of an exchange. No way to the truth."""
    public = {name for name in dir(ends["analyzer"]) if not name.startswith("_")}

    assert public == {"receive", "reply", "interrupt"}
