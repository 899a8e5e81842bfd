"""A line that was cleared or opened again: the one who was met, not restarted, and nobody's reply for another's."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.conversation import OPENING
from drivers.errors import InstrumentError, LinkLost, NotThere, TimedOut
from drivers.messages import Exchange, Messages
from drivers.reunion import PAUSES_S
from drivers.roles import QueueEntry

IDENTITY = b"MAKER,MODEL,7,1.0"


class WaitingClock:
    """Counts what is waited for."""

    def __init__(self) -> None:
        self.slept_s: list[float] = []

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return sum(self.slept_s)

    def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)


class Peer:
    """An instrument on a stream without ends of conversations, as a serial line is: a late reply comes all the same.

    ``next_replies`` are what the next receptions meet instead of a reply; ``closed`` is how many messages and openings
    fail before the line is back; with ``swallows`` a closed line takes one message without a word, as a socket does.
    """

    resource = "peer"

    def __init__(self) -> None:
        self.identity = IDENTITY
        self.events = 128
        self.queue: list[bytes] = []
        self.output_on = True
        self.output: deque[bytes] = deque()
        self.next_replies: deque[str] = deque()
        self.held: deque[bytes] = deque()
        self.received: list[str] = []
        self.closed = False
        self.refuses = 0
        self.swallows = False
        self.clears = 0
        self.silent = False
        self.patiences_s: list[float | None] = []

    def send(self, data: bytes) -> None:
        if self.closed:
            if self.swallows:
                self.swallows = False
                return
            raise LinkLost("broken pipe", resource=self.resource)
        text = data.decode()
        self.received.append(text)
        if text == ":OUTP:STAT 0":
            self.output_on = False
        elif text.endswith("?"):
            self.output.append(self._answer(text))

    def _answer(self, text: str) -> bytes:
        if text == "*IDN?":
            return self.identity
        if text == "*ESR?":
            events, self.events = self.events, 0
            return str(events).encode()
        if text == ":SYST:ERR?":
            return self.queue.pop(0) if self.queue else b'0,"No error"'
        if text == ":OUTP:STAT?":
            return b"1" if self.output_on else b"0"
        return text[1:-1].encode()

    def receive(self, timeout_s: float | None = None) -> bytes:
        self.patiences_s.append(timeout_s)
        if self.closed:
            raise LinkLost("closed", resource=self.resource)
        if self.silent:
            raise TimedOut("no reply", resource=self.resource)
        fault = self.next_replies.popleft() if self.next_replies else ""
        if fault == "late":
            self.held.append(self.output.popleft())
            raise TimedOut("no reply", resource=self.resource)
        if self.held:
            self.output.appendleft(self.held.popleft())
        if not self.output:
            raise TimedOut("no reply", resource=self.resource)
        return self.output.popleft()

    def clear(self) -> None:
        self.clears += 1
        if self.refuses:
            self.refuses -= 1
            raise NotThere("the connection was refused", resource=self.resource)
        self.closed = False
        self.output.clear()

    def close(self) -> None:
        raise AssertionError("closing belongs to who opened it")

    def restart(self) -> None:
        """Power off and on: outputs off, settings gone, the connection broken."""
        self.events, self.output_on, self.closed, self.queue = 128, False, True, []


class Met:
    """A peer that has been met, its clock, and messages to it."""

    def __init__(self) -> None:
        self.peer = Peer()
        self.clock = WaitingClock()
        self.messages = Messages(self.peer, "supply", self.clock)
        assert self.messages.meet() == IDENTITY.decode()
        self.messages.tell(":SET 1")
        self.peer.received.clear()


def test_a_line_that_has_been_opened_again_is_asked_who_is_there_before_anything_else() -> None:
    """Identity, event register, queue, and only then what was to be asked."""
    met = Met()
    met.peer.next_replies.append("late")
    met.peer.held.clear()

    assert met.messages.ask_number("Q17?", repeatable=True) == 17
    assert met.peer.received == ["Q17?", "*IDN?", "*ESR?", ":SYST:ERR?", "Q17?"]


def test_a_question_that_changes_something_is_not_asked_again_but_the_line_is_in_step() -> None:
    """The time-out is raised; the next question has its own answer."""
    met = Met()
    met.peer.next_replies.append("late")
    with pytest.raises(TimedOut):
        met.messages.ask_number("Q17?")

    assert met.messages.ask_number("Q18?") == 18
    assert met.peer.received.count("Q17?") == 1


def test_another_instrument_on_the_line_is_not_there() -> None:
    """Somebody has changed a cable: the settings that the run rests on are in the other box."""
    met = Met()
    met.peer.closed = True
    met.peer.identity = b"MAKER,MODEL,8,1.0"
    with pytest.raises(LinkLost):
        met.messages.ask("Q1?")
    with pytest.raises(NotThere, match=r"'MAKER,MODEL,8,1\.0' answers where 'MAKER,MODEL,7,1\.0' did") as caught:
        met.messages.ask("Q2?")

    assert (caught.value.instrument, caught.value.message) == ("supply", "Q2?")
    assert "Q2?" not in met.peer.received


def test_an_instrument_that_has_restarted_is_a_lost_link_even_though_it_answers() -> None:
    """Power-on in the event register (IEEE 488.2, 11.5.1): whatever it was told is gone."""
    met = Met()
    met.peer.restart()
    with pytest.raises(LinkLost):
        met.messages.ask("Q1?")
    with pytest.raises(LinkLost, match="it has restarted: its settings are gone"):
        met.messages.tell(":SET 2")

    assert ":SET 2" not in met.peer.received


def test_a_restart_that_kept_the_line_shows_when_the_instrument_is_looked_after() -> None:
    """Over GPIB nothing breaks when an instrument is switched off and on."""
    met = Met()
    met.peer.restart()
    met.peer.closed = False
    with pytest.raises(LinkLost, match="restarted"):
        met.messages.check_running()


def test_a_restart_before_the_instrument_is_met_anew_is_no_fault() -> None:
    """A run that tries again sets everything anew."""
    met = Met()
    met.peer.restart()
    with pytest.raises(LinkLost):
        met.messages.ask("Q1?")

    assert met.messages.meet() == IDENTITY.decode()
    met.messages.tell(":SET 2")
    met.messages.check_running()


def test_a_line_that_refuses_at_first_is_waited_for_a_little() -> None:
    """An instrument that serves one connection at a time must first see that the old one is gone."""
    met = Met()
    met.peer.next_replies.append("late")
    met.peer.held.clear()
    met.peer.refuses = len(PAUSES_S)

    assert met.messages.ask_number("Q17?", repeatable=True) == 17
    assert met.clock.slept_s == list(PAUSES_S)


def test_a_line_that_goes_on_refusing_is_lost() -> None:
    """Every wait has an end."""
    met = Met()
    met.peer.next_replies.append("late")
    met.peer.refuses = 10**6
    with pytest.raises(LinkLost, match="cannot be opened again") as caught:
        met.messages.ask_number("Q17?", repeatable=True)

    assert caught.value.message == "Q17?"
    assert met.clock.slept_s == list(PAUSES_S)


def test_an_address_that_never_answered_is_not_waited_for() -> None:
    """Whoever starts a run with a wrong address hears of it at once."""
    peer, clock = Peer(), WaitingClock()
    peer.closed, peer.refuses = True, 10**6
    messages = Messages(peer, "supply", clock)
    for _ in range(2):
        with pytest.raises(InstrumentError):
            messages.meet()

    assert clock.slept_s == []


def test_what_the_queue_holds_when_a_line_is_taken_up_again_is_not_lost() -> None:
    """An urgent command that was refused must still show, though the line was cleared before the queue is read."""
    met = Met()
    met.peer.next_replies.append("late")
    with pytest.raises(TimedOut):
        met.messages.ask("Q1?")
    met.messages.begin(":INIT")
    met.messages.tell_urgently(":OUTP:STAT 0")
    met.peer.queue = [b'-410,"Query INTERRUPTED"', b'-222,"Data out of range"']

    assert met.messages.drain_errors() == (QueueEntry(-222, "Data out of range"),)


# --- Urgent


def test_an_urgent_command_over_a_line_that_is_known_to_be_lost_is_sent_once_it_is_open() -> None:
    """A socket takes one message after the peer has closed, without an error; it would never arrive."""
    met = Met()
    met.peer.closed = True
    with pytest.raises(LinkLost):
        met.messages.ask("Q1?")
    met.peer.swallows = True
    met.messages.tell_urgently(":OUTP:STAT 0")

    assert met.peer.received == [":OUTP:STAT 0"]
    assert met.messages.ask_boolean(":OUTP:STAT?", repeatable=True) is False


def test_an_urgent_command_that_went_nowhere_is_told_again_when_the_line_turns_out_to_be_lost() -> None:
    """The connection had broken while nobody spoke: only the question for the output's state tells."""
    met = Met()
    met.peer.closed = met.peer.swallows = True
    met.messages.tell_urgently(":OUTP:STAT 0")
    assert met.peer.output_on

    assert met.messages.ask_boolean(":OUTP:STAT?", repeatable=True) is False
    assert met.peer.received == [":OUTP:STAT 0", "*IDN?", "*ESR?", ":SYST:ERR?", ":OUTP:STAT?"]


def test_an_urgent_command_that_went_nowhere_is_told_again_before_the_queue_is_read() -> None:
    """An instrument without an output is confirmed by its error queue."""
    met = Met()
    met.peer.closed = met.peer.swallows = True
    met.messages.tell_urgently(":OUTP:STAT 0")

    assert met.messages.drain_errors() == ()
    assert met.peer.received[0] == ":OUTP:STAT 0"


def test_a_line_that_breaks_again_and_again_is_given_up() -> None:
    """Nothing is repeated for ever."""
    met = Met()
    met.messages.tell_urgently(":OUTP:STAT 0")
    send = met.peer.send

    def breaks_at_status(data: bytes) -> None:
        if data == b"*ESR?":
            raise LinkLost("reset", resource="peer")
        send(data)

    met.messages._send = met.peer.send = breaks_at_status  # type: ignore[method-assign]  # a peer that hates *ESR?
    with pytest.raises(LinkLost):
        met.messages.check_running()

    assert len(met.peer.received) < 20


def test_an_instrument_that_restarted_on_the_way_to_safety_is_safe_and_says_so() -> None:
    """Its output is off and reads back as off; that its settings are gone matters to nobody any more."""
    met = Met()
    met.peer.restart()
    with pytest.raises(LinkLost):
        met.messages.ask("Q1?")
    met.messages.tell_urgently(":OUTP:STAT 0")

    assert met.messages.ask_boolean(":OUTP:STAT?", repeatable=True) is False
    met.messages.check_running()


def test_one_that_has_let_its_time_out_pass_is_not_waited_for_as_long_again_before_the_error_is_told() -> None:
    """Until then all outputs are on. What is asked on the way to the safe state has its full time."""
    peer = Peer()
    messages = Messages(peer, "analyzer", WaitingClock(), why_within_s=2.0)
    messages.meet()
    peer.silent, peer.patiences_s = True, []
    with pytest.raises(TimedOut):
        messages.ask("Q1?", timeout_s=30.0)
    asked_why = peer.patiences_s
    peer.patiences_s = []
    with pytest.raises(TimedOut):
        messages.ask("Q2?")

    assert asked_why == [30.0, 2.0]
    assert set(peer.patiences_s) == {None}


# --- Late replies


@given(
    faults=st.lists(st.sampled_from(["", "", "late"]), max_size=12),
    asked=st.lists(st.booleans(), min_size=1, max_size=12),
)
def test_a_late_reply_never_shifts_the_readings_after_it(faults: list[str], asked: list[bool]) -> None:
    """On a serial line clearing throws nothing away that is still to come; the identity is what tells.

    Every question gets its own answer or an error, and after the last fault every question is answered.
    """
    met = Met()
    met.peer.next_replies.extend(faults)
    for number, repeatable in enumerate(asked):
        try:
            assert met.messages.ask_number(f"Q{number}?", repeatable=repeatable) == number
        except InstrumentError:
            continue
    met.peer.next_replies.clear()
    for number in range(100, 103):
        _settled(lambda number=number: met.messages.ask_number(f"Q{number}?", repeatable=True), number)  # type: ignore[misc]  # bound per turn

    assert met.messages.ask_number("Q200?") == 200


def _settled(ask: Callable[[], float], expected: float) -> None:
    """What was held back when the faults ended may still spoil one exchange, but never its number."""
    try:
        assert ask() == expected
    except InstrumentError:
        return


def test_an_opening_that_fails_is_noted_with_its_reason_and_one_that_succeeds_is_not() -> None:
    """What is no message and decides all the same: whoever repeats the recording must meet it at the same place."""
    peer, noted = Peer(), list[Exchange]()
    messages = Messages(peer, "supply", WaitingClock(), noted.append)
    messages.meet()
    peer.closed, peer.refuses = True, 1
    with pytest.raises(LinkLost):
        messages.tell(":SET 1")
    noted.clear()
    messages.ask(":SYST:ERR?", repeatable=True)

    assert (noted[0].sent, noted[0].error) == (OPENING, "NotThere: the connection was refused")
    assert [one.sent for one in noted[1:3]] == [b"*IDN?", b"*ESR?"]
    assert [one.number for one in noted] == list(range(noted[0].number, noted[0].number + len(noted)))
