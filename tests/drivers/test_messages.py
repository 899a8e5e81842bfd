"""Messages: one in flight, the queue drained, retried only where safe, every exchange noted."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, OutOfTurn, Refused, TimedOut
from drivers.messages import MOST_QUEUE_ENTRIES, Exchange, Messages
from drivers.roles import QueueEntry
from drivers.scpi_status import StandardEvent

Answer = bytes | BaseException


class TickingClock:
    """Every look at it takes a second."""

    def __init__(self) -> None:
        self.seconds = -1.0

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        self.seconds += 1.0
        return self.seconds

    def sleep(self, duration_s: float) -> None:
        raise AssertionError("the message layer never sleeps")


class ScriptedLink:
    """Answers each query from its own list of answers; a query without one times out, as a silent line does."""

    resource = "scripted"

    def __init__(self, **answers: list[Answer]) -> None:
        self.answers: dict[str, deque[Answer]] = {"ESR": deque(), "ERR": deque()}
        self.answers.update({name: deque(given) for name, given in answers.items()})
        self.sent: list[str] = []
        self.clears = 0
        self.due: str | None = None
        self.timeouts_s: list[float | None] = []
        self.broken_by: Callable[[], InstrumentError] | None = None

    def send(self, data: bytes) -> None:
        if self.broken_by is not None:
            raise self.broken_by()
        text = data.decode()
        self.sent.append(text)
        for name in self.answers:
            if text.endswith("?") and name in text:
                self.due = name

    def receive(self, timeout_s: float | None = None) -> bytes:
        self.timeouts_s.append(timeout_s)
        name, self.due = self.due, None
        if name == "ERR" and not self.answers["ERR"]:
            return b'0,"No error"'
        if name == "ESR" and not self.answers["ESR"]:
            return b"0"
        if name is None or not self.answers[name]:
            raise TimedOut("no reply", resource="scripted")
        answer = self.answers[name].popleft()
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def clear(self) -> None:
        if self.broken_by is not None:
            raise self.broken_by()
        self.clears += 1
        self.due = None

    def close(self) -> None:
        raise AssertionError("closing belongs to who opened it")


def silence() -> TimedOut:
    return TimedOut("no reply", resource="scripted")


def messages_over(link: ScriptedLink, noted: list[Exchange] | None = None) -> Messages:
    return Messages(link, "supply", TickingClock(), None if noted is None else noted.append)


# --- Questions and answers


def test_a_reply_comes_without_blanks_around_it() -> None:
    """CR before the newline is white space (IEEE 488.2, 7.4.1)."""
    assert messages_over(ScriptedLink(VOLT=[b" 5.0\r"])).ask(":VOLT?") == "5.0"


def test_numbers_booleans_and_blocks_are_asked_for_by_kind() -> None:
    """Each kind has its own reading of the reply."""
    link = ScriptedLink(NUM=[b"1.5E+1"], LIST=[b"1,2.5"], BOOL=[b"1"], TRAC=[b"#18\x40\x00\x00\x00\x3f\x80\x00\x00"])
    messages = messages_over(link)

    assert messages.ask_number("NUM?") == 15.0
    assert messages.ask_numbers("LIST?") == (1.0, 2.5)
    assert messages.ask_boolean("BOOL?") is True
    assert messages.ask_block("TRAC?") == (2.0, 1.0)


def test_a_time_out_of_its_own_reaches_the_link() -> None:
    """A long sweep is waited for longer than other replies."""
    link = ScriptedLink(VOLT=[b"1", b"1"])
    messages = messages_over(link)
    messages.ask(":VOLT?")
    messages.ask(":VOLT?", 12.5)

    assert link.timeouts_s == [None, 12.5]


@pytest.mark.parametrize("reply", [b"garbage", b"", b"\xff\xfe", b"1;2"])
def test_a_garbled_reply_is_not_understood_and_the_line_is_cleared_before_its_next_use(reply: bytes) -> None:
    """After garbage nobody knows whether the rest of it is still to come."""
    link = ScriptedLink(VOLT=[reply, b"5"])
    messages = messages_over(link)
    with pytest.raises(NotUnderstood) as caught:
        messages.ask_number(":VOLT?")

    assert caught.value.instrument == "supply"
    assert caught.value.message == ":VOLT?"
    assert link.clears == 0
    assert messages.ask_number(":VOLT?") == 5.0
    assert link.clears == 1


def test_overload_is_not_understood_but_leaves_the_line_in_step() -> None:
    """9.9E37 is a proper reply (SCPI-1999 Vol 1, 7.2.1.4), only no number."""
    link = ScriptedLink(VOLT=[b"9.9E37", b"5"])
    messages = messages_over(link)
    with pytest.raises(NotUnderstood, match="overload"):
        messages.ask_number(":VOLT?")

    assert messages.ask_number(":VOLT?") == 5.0
    assert link.clears == 0


def test_a_truncated_block_is_not_understood() -> None:
    """It must never become a shorter trace."""
    with pytest.raises(NotUnderstood, match="block"):
        messages_over(ScriptedLink(TRAC=[b"#18\x40\x00\x00"])).ask_block("TRAC?")


# --- Time-outs


def test_after_a_time_out_the_line_is_cleared_and_the_queue_says_why() -> None:
    """A query with a typing error gives −113 in the queue and then silence."""
    link = ScriptedLink(ERR=[b'-113,"Undefined header"', b'-420,"Query UNTERMINATED"'])
    with pytest.raises(TimedOut, match="Undefined header") as caught:
        messages_over(link).ask(":VLOT?")

    cause = caught.value.__cause__
    assert isinstance(cause, Refused)
    assert cause.number == -113
    assert link.clears == 1
    assert link.sent == [":VLOT?", "*ESR?", ":SYST:ERR?", ":SYST:ERR?", ":SYST:ERR?"]


def test_a_repeatable_question_is_asked_once_more_after_a_clear() -> None:
    """Reading a setting changes nothing."""
    link = ScriptedLink(VOLT=[silence(), b"5"])

    assert messages_over(link).ask(":VOLT?", repeatable=True) == "5"
    assert link.sent == [":VOLT?", "*ESR?", ":SYST:ERR?", ":VOLT?"]
    assert link.clears == 1


def test_a_repeatable_question_is_asked_twice_and_not_three_times() -> None:
    """An instrument that is silent twice is silent."""
    link = ScriptedLink(VOLT=[silence(), silence(), b"5"])
    with pytest.raises(TimedOut):
        messages_over(link).ask(":VOLT?", repeatable=True)

    assert link.sent.count(":VOLT?") == 2


def test_a_question_that_is_not_repeatable_is_never_asked_again() -> None:
    """READ? starts a measurement, *ESR? clears what it reads."""
    link = ScriptedLink(READ=[silence(), b"5"])
    with pytest.raises(TimedOut):
        messages_over(link).ask(":READ?")

    assert link.sent.count(":READ?") == 1


def test_a_question_that_the_instrument_refused_is_not_repeated() -> None:
    """It would be refused again."""
    link = ScriptedLink(VOLT=[silence(), b"5"], ERR=[b'-221,"Settings conflict"'])
    with pytest.raises(TimedOut, match="Settings conflict"):
        messages_over(link).ask(":VOLT?", repeatable=True)

    assert link.sent.count(":VOLT?") == 1


def test_a_query_error_alone_does_not_stop_the_second_question() -> None:
    """−4xx only repeats that the reply was not read (IEEE 488.2, 6.3)."""
    link = ScriptedLink(VOLT=[silence(), b"5"], ERR=[b'-420,"Query UNTERMINATED"'])

    assert messages_over(link).ask(":VOLT?", repeatable=True) == "5"


def test_an_instrument_that_is_silent_for_its_queue_too_has_timed_out() -> None:
    """The first failure is raised, the second is its cause; the line stays to be cleared."""
    link = ScriptedLink(VOLT=[silence(), b"5"], ESR=[silence()])
    messages = messages_over(link)
    with pytest.raises(TimedOut) as caught:
        messages.ask(":VOLT?", repeatable=True)

    assert caught.value.message == ":VOLT?"
    assert isinstance(caught.value.__cause__, TimedOut)
    assert messages.ask(":VOLT?") == "5"
    assert link.clears == 2


def test_a_line_that_cannot_be_opened_again_after_a_time_out_is_lost() -> None:
    """On a socket a dead line looks like a slow one until it is opened again."""
    link = ScriptedLink(VOLT=[silence()])

    def refuse() -> bytes:
        raise NotThere("refused")

    link.clear = refuse  # type: ignore[method-assign, assignment]  # the line dies between question and clear
    with pytest.raises(LinkLost, match="opened again") as caught:
        messages_over(link).ask(":VOLT?", repeatable=True)

    assert caught.value.message == ":VOLT?"
    assert isinstance(caught.value.__cause__, NotThere)


def test_an_instrument_that_has_restarted_since_the_last_look_is_a_lost_link() -> None:
    """Power-on, bit 7 of the event register (IEEE 488.2, 11.5.1): every setting is gone."""
    link = ScriptedLink(VOLT=[silence(), b"0"], ESR=[b"128", b"128"])
    messages = messages_over(link)

    assert messages.event_status() == StandardEvent.POWER_ON
    with pytest.raises(LinkLost, match="restarted"):
        messages.ask(":VOLT?", repeatable=True)


def test_the_power_on_bit_from_before_the_first_look_is_no_restart() -> None:
    """It is set at every power-up until somebody reads it."""
    link = ScriptedLink(VOLT=[silence(), b"5"], ESR=[b"128"])

    assert messages_over(link).ask(":VOLT?", repeatable=True) == "5"


def test_a_lost_link_is_not_retried() -> None:
    """Settings may be gone with it; whoever runs the bench decides."""
    link = ScriptedLink(VOLT=[LinkLost("reset"), b"5"])
    with pytest.raises(LinkLost) as caught:
        messages_over(link).ask(":VOLT?", repeatable=True)

    assert caught.value.instrument == "supply"
    assert link.sent == [":VOLT?"]


def test_an_interrupt_between_question_and_answer_does_not_shift_the_next_answer() -> None:
    """Ctrl-C leaves a reply outstanding just as a time-out does."""
    link = ScriptedLink(VOLT=[KeyboardInterrupt(), b"5"])
    messages = messages_over(link)
    with pytest.raises(KeyboardInterrupt):
        messages.ask(":VOLT?")

    assert messages.ask(":VOLT?") == "5"
    assert link.clears == 1


# --- Operations that take time


def test_an_operation_is_begun_with_a_question_for_its_completion() -> None:
    """``;*OPC?`` answers 1 when all is done (IEEE 488.2, 10.19)."""
    link = ScriptedLink(OPC=[b"1"])
    messages = messages_over(link)
    messages.begin(":INIT:IMM")
    messages.finish(30.0)

    assert link.sent == [":INIT:IMM;*OPC?"]
    assert link.timeouts_s == [30.0]


@pytest.mark.parametrize(
    "use",
    [
        lambda messages: messages.tell(":ABOR"),
        lambda messages: messages.ask("*IDN?"),
        lambda messages: messages.begin(":INIT:IMM"),
        lambda messages: messages.drain_errors(),
        lambda messages: messages.event_status(),
    ],
)
def test_nothing_may_be_sent_between_begin_and_finish(use: Callable[[Messages], object]) -> None:
    """It would interrupt the reply that is due (−410; IEEE 488.2, 6.3.2.3) and the error sends nothing."""
    link = ScriptedLink(OPC=[b"1"])
    messages = messages_over(link)
    messages.begin(":INIT:IMM")
    with pytest.raises(OutOfTurn, match="not finished"):
        use(messages)

    assert link.sent == [":INIT:IMM;*OPC?"]
    messages.finish()
    messages.tell(":ABOR")


def test_finish_without_begin_is_out_of_turn() -> None:
    """There is nothing to wait for."""
    with pytest.raises(OutOfTurn, match="without begin"):
        messages_over(ScriptedLink()).finish()


def test_an_operation_that_does_not_end_in_time_is_cleared_and_explained() -> None:
    """−213 Init ignored: the sweep never started (SCPI-1999 Vol 2, 21.8)."""
    link = ScriptedLink(OPC=[silence()], ERR=[b'-213,"Init ignored"'], VOLT=[b"5"])
    messages = messages_over(link)
    messages.begin(":INIT:IMM")
    with pytest.raises(TimedOut, match="Init ignored"):
        messages.finish()

    assert messages.ask(":VOLT?") == "5"


def test_another_reply_than_one_is_no_completion() -> None:
    """The line is out of step."""
    messages = messages_over(ScriptedLink(OPC=[b"0.5"]))
    messages.begin(":INIT:IMM")
    with pytest.raises(NotUnderstood, match="completed"):
        messages.finish()


def test_an_urgent_command_goes_out_while_an_operation_is_begun_and_its_reply_is_cleared_later() -> None:
    """Switching off must not wait for a sweep, and the sweep's 1 must not answer the next question."""
    link = ScriptedLink(OPC=[b"1"], VOLT=[b"5"])
    messages = messages_over(link)
    messages.begin(":INIT:IMM")
    messages.tell_urgently(":OUTP:STAT 0")

    assert link.sent == [":INIT:IMM;*OPC?", ":OUTP:STAT 0"]
    assert link.clears == 0
    assert messages.ask(":VOLT?") == "5"
    assert link.clears == 1
    with pytest.raises(OutOfTurn):
        messages.finish()


def test_an_urgent_command_opens_a_broken_line_again() -> None:
    """A line that broke in the night must not keep the RF on."""
    link = ScriptedLink()
    failures = deque([LinkLost("reset")])
    send = link.send

    def send_once_broken(data: bytes) -> None:
        if failures:
            raise failures.popleft()
        send(data)

    link.send = send_once_broken  # type: ignore[method-assign]  # the first message meets the broken line
    messages_over(link).tell_urgently(":OUTP:STAT 0")

    assert link.sent == [":OUTP:STAT 0"]
    assert link.clears == 1


def test_an_urgent_command_over_a_dead_line_says_so() -> None:
    """A failed safe-off is itself an alarm."""
    link = ScriptedLink()
    link.broken_by = lambda: NotThere("refused")
    with pytest.raises(NotThere):
        messages_over(link).tell_urgently(":OUTP:STAT 0")


# --- Error queue


def test_the_queue_is_drained_to_its_end_oldest_first() -> None:
    """First in, first out (SCPI-1999 Vol 2, 21.8)."""
    link = ScriptedLink(ERR=[b'-113,"Undefined header"', b'7,"Fan"'])

    assert messages_over(link).drain_errors() == (QueueEntry(-113, "Undefined header"), QueueEntry(7, "Fan"))
    assert link.sent == [":SYST:ERR?"] * 3


def test_a_queue_that_does_not_end_is_given_up() -> None:
    """Every loop has a count."""
    link = ScriptedLink(ERR=[b'-350,"Queue overflow"'] * (MOST_QUEUE_ENTRIES + 50))
    with pytest.raises(NotUnderstood, match="does not end"):
        messages_over(link).drain_errors()

    assert len(link.sent) == MOST_QUEUE_ENTRIES


def test_check_raises_for_the_oldest_entry_and_names_the_others() -> None:
    """The oldest is the cause."""
    link = ScriptedLink(ERR=[b'-222,"Data out of range"', b'-221,"Settings conflict"'])
    with pytest.raises(Refused, match="Settings conflict") as caught:
        messages_over(link).check(":VOLT 99")

    assert (caught.value.number, caught.value.text) == (-222, "Data out of range")
    assert caught.value.message == ":VOLT 99"


def test_check_is_content_with_an_empty_queue() -> None:
    """One question, no error."""
    link = ScriptedLink()
    messages_over(link).check()

    assert link.sent == [":SYST:ERR?"]


def test_an_unreadable_entry_is_not_an_empty_queue() -> None:
    """Errors must not vanish."""
    with pytest.raises(NotUnderstood):
        messages_over(ScriptedLink(ERR=[b"No error"])).drain_errors()


# --- Exchanges


def test_every_exchange_is_noted_with_what_was_sent_received_and_when() -> None:
    """The recording rests on it."""
    noted: list[Exchange] = []
    messages = messages_over(ScriptedLink(VOLT=[b"5.0 "], OPC=[b"1"]), noted)
    messages.tell(":OUTP:STAT 1")
    messages.ask(":VOLT?")
    messages.begin(":INIT:IMM")
    messages.finish()

    assert noted == [
        Exchange(1, "supply", 0.0, b":OUTP:STAT 1", None, 1.0, None),
        Exchange(2, "supply", 2.0, b":VOLT?", b"5.0 ", 1.0, None),
        Exchange(3, "supply", 4.0, b":INIT:IMM;*OPC?", None, 1.0, None),
        Exchange(4, "supply", 6.0, b"", b"1", 1.0, None),
    ]


def test_failed_exchanges_are_noted_with_their_error() -> None:
    """What went wrong must be seen in the recording."""
    noted: list[Exchange] = []
    messages = messages_over(ScriptedLink(VOLT=[silence(), silence()]), noted)
    with pytest.raises(TimedOut):
        messages.ask(":VOLT?", repeatable=True)

    assert [(exchange.sent, exchange.received, exchange.error) for exchange in noted] == [
        (b":VOLT?", None, "TimedOut: no reply"),
        (b"*ESR?", b"0", None),
        (b":SYST:ERR?", b'0,"No error"', None),
        (b":VOLT?", None, "TimedOut: no reply"),
    ]


def test_a_command_that_cannot_be_sent_names_instrument_and_message() -> None:
    """Context is added where it is known."""
    link = ScriptedLink()
    link.broken_by = lambda: LinkLost("reset")
    with pytest.raises(LinkLost) as caught:
        messages_over(link).tell(":OUTP:STAT 1")

    assert str(caught.value) == "supply (scripted), message ':OUTP:STAT 1': reset"
