"""Law of the message layer: whatever goes wrong with the line, no answer is ever taken for another question's."""

from __future__ import annotations

from collections import deque
from datetime import UTC, datetime

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from drivers.errors import InstrumentError, LinkLost, OutOfTurn, TimedOut
from drivers.messages import Exchange, Messages

FAULTS = st.sampled_from(["late", "late twice", "lost", "broken", "interrupt", "garbage"])


class StillClock:
    """Time stands still."""

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        raise AssertionError("the message layer never sleeps")


class EchoSocket:
    """Answers ``Q<n>?`` with n, in order, as a socket does: a late reply stays until it is read or cleared away."""

    resource = "echo"

    def __init__(self) -> None:
        self.replies: deque[bytes] = deque()
        self.faults: deque[str] = deque()
        self.sent: list[bytes] = []

    def send(self, data: bytes) -> None:
        fault = self.faults[0] if self.faults else ""
        if fault == "broken":
            self.faults.popleft()
            raise LinkLost("not sent", resource=self.resource)
        self.sent.append(data)
        text = data.decode()
        if text.endswith("*OPC?"):
            self.replies.append(b"1")
        elif text == ":SYST:ERR?":
            self.replies.append(b'0,"No error"')
        elif text == "*ESR?":
            self.replies.append(b"0")
        elif text.endswith("?"):
            self.replies.append(text[1:-1].encode())

    def receive(self, timeout_s: float | None = None) -> bytes:
        fault = self.faults.popleft() if self.faults else ""
        if fault in ("late", "late twice"):
            if fault == "late twice":
                self.faults.appendleft("late")
            raise TimedOut("no reply", resource=self.resource)
        if fault == "lost":
            self.replies.clear()
            raise LinkLost("reset", resource=self.resource)
        if fault == "interrupt":
            raise KeyboardInterrupt
        if fault == "garbage":
            return b"\xfe\xff"
        if not self.replies:
            raise TimedOut("no reply", resource=self.resource)
        return self.replies.popleft()

    def clear(self) -> None:
        self.replies.clear()

    def close(self) -> None:
        self.replies.clear()


class LineInTrouble(RuleBasedStateMachine):
    """Questions, commands and operations in any order, with any faults between them."""

    def __init__(self) -> None:
        super().__init__()
        self.link = EchoSocket()
        self.noted: list[Exchange] = []
        self.messages = Messages(self.link, "echo", StillClock(), self.noted.append)
        self.number = 0
        self.begun = False

    @rule(fault=FAULTS)
    def something_goes_wrong_next(self, fault: str) -> None:
        self.link.faults.append(fault)

    @precondition(lambda self: not self.begun)
    @rule(repeatable=st.booleans())
    def a_question_gets_its_own_answer_or_an_error(self, repeatable: bool) -> None:
        self.number += 1
        try:
            answer = self.messages.ask_number(f"Q{self.number}?", repeatable=repeatable)
        except (InstrumentError, KeyboardInterrupt):
            return
        assert answer == self.number

    @precondition(lambda self: not self.begun)
    @rule()
    def an_operation_is_begun(self) -> None:
        try:
            self.messages.begin(":INIT:IMM")
        except InstrumentError:
            return
        self.begun = True

    @precondition(lambda self: self.begun)
    @rule()
    def an_operation_is_finished(self) -> None:
        self.begun = False
        try:
            self.messages.finish()
        except (InstrumentError, KeyboardInterrupt):
            return

    @precondition(lambda self: self.begun)
    @rule()
    def a_question_out_of_turn_sends_nothing(self) -> None:
        before = len(self.link.sent)
        try:
            self.messages.ask("Q0?")
        except OutOfTurn:
            assert len(self.link.sent) == before
        else:
            raise AssertionError("a question went out while an operation was begun")

    @rule()
    def an_urgent_command_goes_out(self) -> None:
        self.begun = False
        before = len(self.link.sent)
        try:
            self.messages.tell_urgently(":OUTP:STAT 0")
        except InstrumentError:
            return
        assert self.link.sent[before:] == [b":OUTP:STAT 0"]

    @precondition(lambda self: not self.begun)
    @rule()
    def a_command_goes_out(self) -> None:
        try:
            self.messages.tell(":OUTP:STAT 1")
        except InstrumentError:
            return
        assert self.link.sent[-1] == b":OUTP:STAT 1"

    @invariant()
    def every_message_that_left_was_noted_in_order(self) -> None:
        noted = [exchange.sent for exchange in self.noted if exchange.sent and exchange.error != "LinkLost: not sent"]
        assert noted == self.link.sent
        assert [exchange.number for exchange in self.noted] == list(range(1, len(self.noted) + 1))


LineInTrouble.TestCase.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
test_no_answer_is_ever_taken_for_another_questions = LineInTrouble.TestCase
