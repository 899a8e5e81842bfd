"""Instruments made of a recording, behind PyVISA: every reply comes as it came."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.conversation import Exchange
from drivers.errors import LinkLost, TimedOut
from drivers.messages import Messages
from drivers.recorded_devices import RecordedInstruments, RecordedLine
from drivers.recording_file import JumpingClock
from drivers.score import RecordingDiffers, Score

MESSAGES = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), min_size=1, max_size=12).map(str.encode)

#: Texts, blocks that are whole, cut off or hold line ends, and anything else.
REPLIES = st.one_of(
    st.binary(max_size=40),
    st.sampled_from([b"", b"\n", b"#15ab\ncd", b"#15ab", b"#0ab", b"#", b"#9", b"1\r", b"x\n\n"]),
)


def line_on(said: list[tuple[bytes, bytes | None]]) -> Iterator[tuple[RecordedLine, Score]]:
    score = Score([Exchange(at, "supply", 0.0, sent, came, 0.0, None) for at, (sent, came) in enumerate(said, 1)])
    instruments = RecordedInstruments(score, {"supply": "ASRL/dev/ttyUSB0::INSTR"})
    line = instruments.line("supply")
    yield line, score
    line.close()
    instruments.close()


@given(st.lists(st.tuples(MESSAGES, st.none() | REPLIES), min_size=1, max_size=4))
def test_whatever_was_said_is_said_again(said: list[tuple[bytes, bytes | None]]) -> None:
    """To the byte, over any kind of line: a serial port here."""
    for line, score in line_on(said):
        assert line.resource == "ASRL/dev/ttyUSB0::INSTR"
        for sent, came in said:
            line.send(sent)
            if came is not None:
                assert line.receive() == came
        assert score.is_over


def test_a_reply_that_was_fetched_later_is_fetched_later() -> None:
    """What was begun and finished stands as two exchanges, with a clear between them or not."""
    for line, score in line_on([(b"INIT;*OPC?", None), (b"", b"1"), (b"READ?", b"2")]):
        line.send(b"INIT;*OPC?")
        assert line.receive() == b"1"
        line.clear()
        line.send(b"READ?")
        line.clear()
        assert score.is_over
        with pytest.raises(RecordingDiffers):
            line.receive()


def test_the_message_layer_meets_the_failures_of_then() -> None:
    """A time-out that is asked about and repeated, and a line that is lost; no second passes."""
    said = [
        Exchange(1, "supply", 0.0, b"READ?", None, 2.0, "TimedOut: no complete reply in time"),
        Exchange(2, "supply", 2.0, b"*ESR?", b"0", 0.1, None),
        Exchange(3, "supply", 2.1, b":SYST:ERR?", b'0,"No error"', 0.1, None),
        Exchange(4, "supply", 2.2, b"READ?", b"1.5", 0.1, None),
        Exchange(5, "supply", 2.3, b"READ?", None, 0.1, "LinkLost: the line broke"),
    ]
    score = Score(said)
    instruments = RecordedInstruments(score, {"supply": "TCPIP0::supply.example::5025::SOCKET"})
    noted: list[Exchange] = []
    messages = Messages(instruments.line("supply"), "supply", JumpingClock(), noted.append)

    assert messages.ask_number("READ?", repeatable=True) == 1.5
    with pytest.raises(LinkLost, match=r"supply \(TCPIP0::supply.example::5025::SOCKET\).*the line broke"):
        messages.ask_number("READ?")
    assert [(one.sent, one.received, one.error) for one in noted] == [
        (one.sent, one.received, one.error) for one in said
    ]
    instruments.close()


def test_a_command_that_is_asked_now_has_no_reply() -> None:
    """Two exchanges that look alike until somebody waits."""
    for line, _ in line_on([(b"A", None), (b"", None)]):
        line.send(b"A")
        with pytest.raises(TimedOut, match="no reply to this"):
            line.receive()
