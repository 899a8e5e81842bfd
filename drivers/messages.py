"""Messages to one instrument and its replies: the layer between the drivers and a Link.

Three rules that must not be broken here:

1. Never two messages in flight. A reply that nobody waits for any more would be taken for the answer to the next
   question, and every reading after it would be off by one, silently. So whatever leaves a reply outstanding (a
   time-out, an interrupt, an urgent message) marks the line as stale, and a stale line is cleared before its next use.
2. Only a question that changes nothing is asked twice, and only once more.
3. Every message and reply goes to the exchange hook, also the ones that failed.

Not for several threads: one thread speaks to one instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import NamedTuple, TypeVar

from drivers import scpi_text
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, OutOfTurn, Refused, TimedOut
from drivers.link import Link
from drivers.roles import QueueEntry
from drivers.scpi_status import StandardEvent, event_of
from drivers.timing import Clock

MOST_QUEUE_ENTRIES = 100
"""Reads before the error queue is given up as endless; depths of 10 to 30 are usual (common practice, no source)."""

Parsed = TypeVar("Parsed")
Reply = TypeVar("Reply", str, bytes)
Failure = TypeVar("Failure", bound=InstrumentError)


class Exchange(NamedTuple):
    """One message and its reply.

    A command has no reply: ``received`` is None and so is ``error``. What is begun and finished later makes two
    exchanges: the message without a reply, then the reply with an empty ``sent``.
    """

    number: int
    """Counts from 1 for each instrument."""
    instrument: str
    at_s: float
    """When sending began, by the clock's ``elapsed_s``."""
    sent: bytes
    received: bytes | None
    duration_s: float
    error: str | None
    """Class and sentence of the failure."""


class _Line(Enum):
    """What the line is waiting for; a free line is None."""

    BEGUN = "the reply to a begun operation"
    STALE = "a clear, as a reply may still come that nobody waits for"


class Messages:
    """Speaks to one instrument over a Link.

    Args:
        link: Line to the instrument.
        instrument: Name of the instrument in the bench file.
        clock: Clock that dates the exchanges.
        on_exchange: Called after every exchange; None for nobody.
    """

    def __init__(
        self, link: Link, instrument: str, clock: Clock, on_exchange: Callable[[Exchange], None] | None = None
    ) -> None:
        self.instrument = instrument
        self._link = link
        self._send = link.send
        self._receive = link.receive
        self._elapsed_s = clock.elapsed_s
        self._on_exchange = on_exchange
        self._count = 0
        self._line: _Line | None = None
        self._begun = ""
        self._events_read = False

    # --- Commands and questions

    def tell(self, command: str) -> None:
        """Send a command that has no reply."""
        if self._line is not None:
            self._free_line(command)
        self._transmit(command)

    def ask(self, query: str, timeout_s: float | None = None, *, repeatable: bool = False) -> str:
        """Send a query and return its reply without blanks around it.

        Args:
            query: One query.
            timeout_s: Time to wait for this reply instead of the link's own.
            repeatable: Asking changes nothing, so it may be asked once more when no reply came.

        Raises:
            NotUnderstood: The reply is no ASCII text.
            InstrumentError: Whatever the link raises.
        """
        reply = self._exchange(query, timeout_s, repeatable)
        try:
            return reply.decode("ascii").strip()
        except UnicodeDecodeError:
            raise self._not_understood(query, reply, "is not ASCII text") from None

    def ask_number(self, query: str, timeout_s: float | None = None, *, repeatable: bool = False) -> float:
        """Ask for one number; overload and not-a-number raise NotUnderstood."""
        return self.read(query, scpi_text.parse_number, self.ask(query, timeout_s, repeatable=repeatable))

    def ask_numbers(self, query: str, timeout_s: float | None = None, *, repeatable: bool = False) -> tuple[float, ...]:
        """Ask for numbers separated by commas."""
        return self.read(query, scpi_text.parse_numbers, self.ask(query, timeout_s, repeatable=repeatable))

    def ask_boolean(self, query: str, timeout_s: float | None = None, *, repeatable: bool = False) -> bool:
        """Ask for one boolean."""
        return self.read(query, scpi_text.parse_boolean, self.ask(query, timeout_s, repeatable=repeatable))

    def ask_block(
        self,
        query: str,
        bits: scpi_text.RealBits = 32,
        order: scpi_text.ByteOrder = "normal",
        timeout_s: float | None = None,
    ) -> tuple[float, ...]:
        """Ask for a definite-length block of binary numbers (IEEE 488.2, 8.7.9)."""
        reply = self._exchange(query, timeout_s, repeatable=False)
        return self.read(query, lambda data: scpi_text.parse_reals(scpi_text.parse_block(data), bits, order), reply)

    def read(self, query: str, parse: Callable[[Reply], Parsed], reply: Reply) -> Parsed:
        """Read a reply by one of the parsers of ``scpi_text``; what it cannot read raises NotUnderstood."""
        try:
            return parse(reply)
        except scpi_text.NotMeasured as error:  # well formed, so the line is in step
            raise self._named(NotUnderstood(f"no number: {error}", message=query)) from error
        except scpi_text.Unreadable as error:
            raise self._not_understood(query, reply, str(error)) from error

    # --- Operations that take time

    def begin(self, command: str) -> None:
        """Start an operation and return at once: ``command;*OPC?``. Only ``finish`` may follow."""
        if self._line is not None:
            self._free_line(command)
        self._begun = f"{command};*OPC?"
        self._line = _Line.BEGUN  # before sending, so that an interrupt does not leave a reply that nobody knows of
        self._transmit(self._begun)

    def finish(self, timeout_s: float | None = None) -> None:
        """Wait until the begun operation is complete: ``*OPC?`` answers 1 (IEEE 488.2, 10.19).

        Raises:
            OutOfTurn: Nothing was begun, or what was begun has been given up by an urgent message.
        """
        if self._line is not _Line.BEGUN:
            raise OutOfTurn(f"{self.instrument}: finish without begin")
        at_s = self._elapsed_s()
        try:
            reply = self._receive(timeout_s)
        except BaseException as error:
            self._failed(error, b"", at_s, self._begun)
            if isinstance(error, TimedOut):
                self._learn_cause(error)
            raise
        self._line = None
        self._note(b"", at_s, reply, None)
        if reply.strip() not in (b"1", b"+1"):
            raise self._not_understood(self._begun, reply, "is not the 1 of a completed operation")

    def tell_urgently(self, command: str) -> None:
        """Send a command that removes energy, whatever the line is waiting for; reads nothing.

        A begun operation is given up: its late reply is cleared away before the next question. If the line is
        broken it is opened again and the command sent once more, as switching off twice does no harm.
        """
        if self._line is _Line.BEGUN:
            self._line = _Line.STALE
        try:
            self._transmit(command)
        except InstrumentError:
            self._link.clear()
            self._transmit(command)

    # --- Error queue

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Read the error queue until it is empty (SCPI-1999 Vol 2, 21.8): first in, first out.

        Raises:
            NotUnderstood: The queue does not end within 100 entries.
        """
        if self._line is not None:
            self._free_line(":SYST:ERR?")
        entries: list[QueueEntry] = []
        for _ in range(MOST_QUEUE_ENTRIES):
            reply = self._transfer(":SYST:ERR?", None)
            number, text = self.read(":SYST:ERR?", _error_entry, reply)
            if number == 0:
                return tuple(entries)
            entries.append(QueueEntry(number, text))
        problem = f"the error queue does not end after {MOST_QUEUE_ENTRIES} entries, the first is {entries[0]}"
        raise self._named(NotUnderstood(problem, message=":SYST:ERR?"))

    def event_status(self) -> StandardEvent:
        """Read and clear the standard event register (IEEE 488.2, 10.12).

        Once it has been read, a later POWER_ON means that the instrument has restarted and forgotten its settings.
        """
        if self._line is not None:
            self._free_line("*ESR?")
        register = self.read("*ESR?", _integer, self._transfer("*ESR?", None))
        self._events_read = True
        return StandardEvent(register & 0xFF)

    def check(self, message: str = "") -> None:
        """Drain the error queue and raise Refused for its oldest entry; the others are named in its text.

        Args:
            message: What had been sent, for the error's text.
        """
        entries = self.drain_errors()
        if entries:
            raise self.refused(entries, message)

    def refused(self, entries: tuple[QueueEntry, ...], message: str) -> Refused:
        """Make the error for entries of the queue, oldest first, one or more."""
        oldest = entries[0]
        return self._named(Refused(oldest.number, oldest.text, later=entries[1:], message=message))

    def not_taken(self, text: str, message: str) -> Refused:
        """Make the error for a setting that the instrument does not hold though its queue is silent."""
        return self._named(Refused(0, text, message=message))

    def wrong(self, text: str, message: str) -> NotUnderstood:
        """Make the error for a reply that is well formed but cannot be true."""
        return self._named(NotUnderstood(text, message=message))

    # --- Below: the line

    def _exchange(self, query: str, timeout_s: float | None, repeatable: bool) -> bytes:
        if self._line is not None:
            self._free_line(query)
        try:
            return self._transfer(query, timeout_s)
        except TimedOut as error:
            self._learn_cause(error)
            if not repeatable:
                raise
        return self._transfer(query, timeout_s)

    def _transfer(self, query: str, timeout_s: float | None) -> bytes:
        """Send a query and receive its reply; any failure leaves the line stale."""
        sent = query.encode("ascii")
        at_s = self._elapsed_s()
        try:
            self._send(sent)
            received = self._receive(timeout_s)
        except BaseException as error:
            self._failed(error, sent, at_s, query)
            raise
        if self._on_exchange is not None:
            self._count += 1
            duration_s = self._elapsed_s() - at_s
            self._on_exchange(Exchange(self._count, self.instrument, at_s, sent, received, duration_s, None))
        return received

    def _transmit(self, command: str) -> None:
        """Send without waiting for a reply."""
        sent = command.encode("ascii")
        at_s = self._elapsed_s()
        try:
            self._send(sent)
        except BaseException as error:
            self._failed(error, sent, at_s, command)
            raise
        self._note(sent, at_s, None, None)

    def _note(self, sent: bytes, at_s: float, received: bytes | None, error: str | None) -> None:
        if self._on_exchange is not None:
            self._count += 1
            duration_s = self._elapsed_s() - at_s
            self._on_exchange(Exchange(self._count, self.instrument, at_s, sent, received, duration_s, error))

    def _failed(self, error: BaseException, sent: bytes, at_s: float, message: str) -> None:
        """Note a failed exchange and mark the line; also for an interrupt, which leaves a reply outstanding too."""
        self._line = _Line.STALE
        self._note(sent, at_s, None, f"{type(error).__name__}: {getattr(error, 'problem', error)}")
        if isinstance(error, InstrumentError):
            error.message = message
            self._named(error)

    def _free_line(self, message: str) -> None:
        """Make the line ready for a message, or refuse it."""
        if self._line is _Line.BEGUN:
            raise OutOfTurn(f"{self.instrument}: {message!r} while {self._begun!r} is not finished")
        try:
            self._link.clear()
        except InstrumentError as error:
            error.message = message
            self._named(error)
            raise
        self._line = None

    def _learn_cause(self, timed_out: TimedOut) -> None:
        """Clear the line after a time-out and ask the instrument why; return if it does not know.

        Raises:
            LinkLost: The line cannot be opened again, or the instrument has restarted.
            TimedOut: The instrument is silent, or its error queue names the cause, then attached as a Refused.
        """
        try:
            self._free_line(timed_out.message)
            restart_shows = self._events_read
            events = self.event_status()
            entries = self.drain_errors()
        except (LinkLost, NotThere) as error:
            self._line = _Line.STALE
            lost = LinkLost("no reply, and the line cannot be opened again", message=timed_out.message)
            raise self._named(lost) from error
        except InstrumentError as error:
            self._line = _Line.STALE
            raise timed_out from error
        # Query errors (-4xx) only repeat that the reply was not read; the others say why there was none.
        causes = tuple(entry for entry in entries if not _is_query_error(entry.number))
        if causes:
            cause = self.refused(causes, timed_out.message)
            timed_out.problem += f"; the instrument says: {cause.problem}"
            raise timed_out from cause
        if restart_shows and StandardEvent.POWER_ON in events:
            raise self._named(LinkLost("no reply, and the instrument has restarted", message=timed_out.message))

    def _not_understood(self, query: str, reply: object, problem: str) -> NotUnderstood:
        """Make the error for a malformed reply. The line may be out of step, so it is cleared before its next use."""
        self._line = _Line.STALE
        return self._named(NotUnderstood(f"reply {_shortened(reply)}: {problem}", message=query))

    def _named(self, error: Failure) -> Failure:
        error.instrument = self.instrument
        error.resource = self._link.resource
        return error


def _error_entry(reply: bytes) -> tuple[int, str]:
    return scpi_text.parse_error_entry(reply.decode("ascii", errors="replace"))


def _integer(reply: bytes) -> int:
    return scpi_text.parse_integer(reply.decode("ascii", errors="replace"))


def _is_query_error(number: int) -> bool:
    return event_of(number) is StandardEvent.QUERY_ERROR


def _shortened(reply: object) -> str:
    text = repr(reply)
    return text if len(text) <= 60 else f"{text[:60]}…"
