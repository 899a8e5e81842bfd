"""A driver's messages over a line to an instrument with words of its own."""

from __future__ import annotations

from collections import deque
from datetime import UTC, datetime

import pytest

from bench.clocks import SimulatedClock
from drivers.deviations import Completion, Deviation, Deviations
from drivers.errors import NotUnderstood, OutOfTurn, TimedOut
from drivers.messages import Exchange, Messages

BEGIN = datetime(2026, 11, 2, tzinfo=UTC)


class AnsweringLink:
    """Notes what is sent and when, and answers queries from a list for each."""

    resource = "scripted"

    def __init__(self, clock: SimulatedClock, **answers: list[bytes]) -> None:
        self.clock = clock
        self.answers = {f"{name}?": deque(given) for name, given in answers.items()}
        self.sent: list[str] = []
        self.at_s: list[float] = []
        self.clears = 0

    def send(self, data: bytes) -> None:
        self.sent.append(data.decode())
        self.at_s.append(self.clock.elapsed_s())

    def receive(self, timeout_s: float | None = None) -> bytes:
        due = self.answers.get(self.sent[-1].rpartition(";")[2])
        if not due:
            raise TimedOut("no complete reply in time", resource=self.resource)
        return due.popleft() if len(due) > 1 else due[0]

    def clear(self) -> None:
        self.clears += 1

    def close(self) -> None:
        self.clears += 1


class Stand:
    """Messages with a table over an answering link."""

    def __init__(self, table: Deviations, **answers: list[bytes]) -> None:
        self.clock = SimulatedClock(BEGIN)
        self.link = AnsweringLink(self.clock, **answers)
        self.exchanges: list[Exchange] = []
        self.messages = Messages(self.link, "here", self.clock, self.exchanges.append, table)


def test_exchanges_hold_the_instruments_own_words() -> None:
    """A recording shows what went over the line, numbered without gaps."""
    table = Deviations(
        {
            ":OUTP:STAT": Deviation(send=("OUT {value}",), ask="OUT?", words={"1": "ON", "0": "OFF"}),
            ":UNIT:POW": Deviation(not_sent=True, not_asked=True),
        }
    )
    stand = Stand(table, OUT=[b"ON"])
    stand.messages.tell(":OUTP:STAT 1")
    stand.messages.tell(":UNIT:POW DBM")

    assert stand.messages.ask_boolean(":OUTP:STAT?")
    assert stand.messages.ask(":UNIT:POW?") == "DBM"
    assert [(exchange.number, exchange.sent, exchange.received) for exchange in stand.exchanges] == [
        (1, b"OUT ON", None),
        (2, b"OUT?", b"ON"),
    ]


def test_a_missing_query_answers_what_was_last_sent_and_before_that_what_is_assumed() -> None:
    """And nothing goes over the line."""
    stand = Stand(Deviations({":A": Deviation(not_asked=True, assume="7")}))
    assert stand.messages.ask(":A?") == "7"
    stand.messages.tell(":A 3")

    assert stand.messages.ask(":A?") == "3"
    assert stand.link.sent == [":A 3"]


def test_a_missing_query_of_which_nothing_is_known_is_not_understood() -> None:
    """No value is made up."""
    stand = Stand(Deviations({":A": Deviation(not_asked=True)}))
    with pytest.raises(NotUnderstood, match="no query for :A, nothing has been sent yet"):
        stand.messages.ask(":A?")

    assert stand.link.sent == []


def test_a_reply_that_the_table_does_not_describe_is_not_understood_and_shown() -> None:
    """With the instrument's own message."""
    stand = Stand(Deviations({":A": Deviation(ask="A?", unit="V")}), A=[b"3 DBM"])
    with pytest.raises(NotUnderstood, match="does not end in 'V'") as caught:
        stand.messages.ask_number(":A?")

    assert caught.value.instrument == "here"
    assert stand.exchanges[0].received == b"3 DBM"


def test_it_is_left_alone_after_a_command_and_between_messages() -> None:
    """By the clock that everything waits by."""
    stand = Stand(Deviations({":A": Deviation(settle_s=2.0)}, gap_s=0.5), B=[b"1"])
    stand.messages.tell(":A 1")
    stand.messages.tell(":C 1")
    stand.messages.tell(":D 1")
    stand.messages.ask("B?")
    stand.messages.tell(":E 1")

    assert stand.link.at_s == pytest.approx([0.0, 2.0, 2.5, 3.0, 3.5])


def test_the_end_of_an_operation_is_asked_for_in_turns() -> None:
    """Until the bits of the mask are as they are at the end."""
    table = Deviations({":GO": Deviation(send=("START",))}, Completion("BUSY?", False, mask=4, done=0, every_s=0.25))
    stand = Stand(table, BUSY=[b"5", b"4", b"1"])
    stand.messages.begin(":GO")
    stand.messages.finish()

    assert stand.link.sent == ["START", "BUSY?", "BUSY?", "BUSY?"]
    assert stand.clock.elapsed_s() == pytest.approx(0.5)
    assert [exchange.received for exchange in stand.exchanges] == [None, b"5", b"4", b"1"]


def test_an_operation_that_does_not_end_times_out() -> None:
    """After the time that the driver gives it."""
    table = Deviations({}, Completion("BUSY?", False, mask=1, every_s=0.5))
    stand = Stand(table, BUSY=[b"1"], **{"*ESR": [b"0"], ":SYST:ERR": [b'0,"No error"']})
    stand.messages.begin(":GO")
    with pytest.raises(TimedOut, match=r"BUSY\? still answers"):
        stand.messages.finish(2.0)

    assert stand.clock.elapsed_s() == pytest.approx(2.0)


@pytest.mark.parametrize("reply", [b"1", b"READY"])
def test_without_a_mask_any_reply_is_the_end(reply: bytes) -> None:
    """Asked once, by itself."""
    stand = Stand(Deviations({}, Completion("DONE?", False)), DONE=[reply])
    stand.messages.begin(":GO")
    stand.messages.finish()

    assert stand.link.sent == [":GO", "DONE?"]


def test_a_fixed_wait_counts_from_the_beginning() -> None:
    """What was done meanwhile, at other instruments, is part of it."""
    stand = Stand(Deviations({}, Completion(joined=False, wait_s=3.0)))
    stand.messages.begin(":GO")
    stand.clock.sleep(1.0)
    stand.messages.finish()

    assert stand.clock.elapsed_s() == pytest.approx(3.0)
    assert stand.link.sent == [":GO"]


def test_an_urgent_message_gives_up_an_operation_that_is_being_polled() -> None:
    """Its end is not asked for any more."""
    table = Deviations({":OUTP:STAT": Deviation(send=("OUT {value}",))}, Completion("BUSY?", False, mask=1))
    stand = Stand(table, BUSY=[b"1"])
    stand.messages.begin(":GO")
    stand.messages.tell_urgently(":OUTP:STAT 0")

    assert stand.link.sent == [":GO", "OUT 0"]
    with pytest.raises(OutOfTurn):
        stand.messages.finish()


def test_an_instrument_without_status_queries_has_nothing_to_tell() -> None:
    """No identity, no event register, no error queue: nothing is sent."""
    names = {"*IDN?": "0,0,0,0", "*ESR?": "0", ":SYST:ERR?": '0,"No error"'}
    stand = Stand(Deviations({name: Deviation(not_asked=True, assume=text) for name, text in names.items()}))

    assert stand.messages.ask("*IDN?") == "0,0,0,0"
    assert stand.messages.drain_errors() == ()
    assert int(stand.messages.event_status()) == 0
    assert stand.link.sent == []


def test_a_failed_message_is_noted_once() -> None:
    """With the instrument's own words and the class of the failure."""
    stand = Stand(Deviations({":A": Deviation(ask="A?")}), **{"*ESR": [b"0"], ":SYST:ERR": [b'0,"No error"']})
    with pytest.raises(TimedOut):
        stand.messages.ask(":A?")

    assert (stand.exchanges[0].sent, stand.exchanges[0].error) == (b"A?", "TimedOut: no complete reply in time")
    assert sum(exchange.error is not None for exchange in stand.exchanges) == 1
