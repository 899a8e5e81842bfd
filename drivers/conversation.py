"""The conversation with one instrument over a Link: what is in flight, what went wrong, how it is taken up again.

Three rules that must not be broken here:

1. Never two messages in flight. A reply that nobody waits for any more would be taken for the answer to the next
   question, and every reading after it would be off by one, silently. So whatever leaves a reply outstanding (a
   time-out, an interrupt, an urgent message) marks the line as stale, and a stale line is cleared before its next use;
   whoever was met on it must then prove to be the same, and not to have restarted (``drivers.reunion``).
2. Only a question that changes nothing is asked twice, and only once more.
3. Every message and reply goes to the exchange hook, also the ones that failed.

Not for several threads: one thread speaks to one instrument.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import NamedTuple, TypeVar

from drivers import scpi_text
from drivers.deviating_link import DeviatingLink, Note
from drivers.deviations import Deviations
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, OutOfTurn, Refused, TimedOut
from drivers.link import Link
from drivers.reunion import Reunion
from drivers.roles import QueueEntry
from drivers.scpi_status import StandardEvent, is_query_error
from drivers.timing import Clock

MOST_QUEUE_ENTRIES = 100
"""Reads before the error queue is given up as endless; depths of 10 to 30 are usual (common practice, no source)."""

RESTARTED = "it has restarted: its settings are gone"

OPENING = b"(opening the line again)"
"""What stands as sent where a line could not be opened again; no message of an instrument begins so."""

Parsed = TypeVar("Parsed")
Reply = TypeVar("Reply", str, bytes)
Failure = TypeVar("Failure", bound=InstrumentError)


class Exchange(NamedTuple):
    """One message and its reply.

    A command has no reply: ``received`` is None and so is ``error``. What is begun and finished later makes two
    exchanges: the message without a reply, then the reply with an empty ``sent``. A line that cannot be opened again
    makes one that has sent ``OPENING``.
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


class LineState(Enum):
    """What the line is waiting for; a free line is None."""

    BEGUN = "the reply to a begun operation"
    STALE = "a clear, as a reply may still come that nobody waits for"
    LOST = "to be opened again, as what is sent may go nowhere"


class Conversation:
    """What all messages to one instrument share; drivers use ``drivers.messages.Messages``.

    Args:
        link: Line to the instrument.
        instrument: Name of the instrument in the bench file.
        clock: Clock that dates the exchanges.
        on_exchange: Called after every exchange; None for nobody.
        deviations: Where the instrument's words differ from the drivers'; None for nowhere.
        why_within_s: Longest that an instrument is waited for that is asked why it did not reply; None for as long as
            for any reply.
        waits: Clock to wait on and to decide by; None for ``clock``. A run's ticks only with what is noted, so that
            whoever repeats a recording comes to the same decisions.
    """

    def __init__(
        self,
        link: Link,
        instrument: str,
        clock: Clock,
        on_exchange: Callable[[Exchange], None] | None = None,
        deviations: Deviations | None = None,
        why_within_s: float | None = None,
        waits: Clock | None = None,
    ) -> None:
        self.instrument = instrument
        self._why_within_s = why_within_s
        waits = waits or clock
        self._note_of_line = note = self._noting(on_exchange, clock)
        if deviations is not None:
            # Noted is what goes over the wire, so that a recording shows the instrument's own words.
            link, on_exchange = DeviatingLink(link, deviations, clock, note, waits), None
        self._link = link
        self._send = link.send
        self._receive = link.receive
        self._elapsed_s = clock.elapsed_s
        self._on_exchange = on_exchange
        self._count = 0
        self._line: LineState | None = None
        self._begun = ""
        self._events_read = False
        self._urgent: tuple[str, ...] = ()  # commands since the last ordinary one; with any, no setting is relied on
        self._repeating = False
        self._found: list[QueueEntry] = []  # entries of the queue that came to light while the line was opened again
        self._reunion = Reunion(self._clear, waits, self._tell_urgent_again, self._transfer, self._collect)

    def read(self, query: str, parse: Callable[[Reply], Parsed], reply: Reply) -> Parsed:
        """Read a reply by one of the parsers of ``scpi_text``; what it cannot read raises NotUnderstood."""
        try:
            return parse(reply)
        except scpi_text.NotMeasured as error:  # well formed, so the line is in step
            raise self._named(NotUnderstood(f"no number: {error}", message=query)) from error
        except scpi_text.Unreadable as error:
            raise self._not_understood(query, reply, str(error)) from error

    # --- Status and error queue

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Read the error queue until it is empty (SCPI-1999 Vol 2, 21.8): first in, first out.

        What came to light when the line was opened again stands before it.

        Raises:
            NotUnderstood: The queue does not end within 100 entries.
        """
        if self._line is not None:
            self._free_line(":SYST:ERR?")
        entries, self._found = self._found, []
        for _ in range(MOST_QUEUE_ENTRIES):
            reply = self._ask_status(":SYST:ERR?")
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
        register = self.read("*ESR?", _integer, self._ask_status("*ESR?"))
        self._events_read = True
        return StandardEvent(register & 0xFF)

    def check_running(self) -> None:
        """Ask whether the instrument has restarted since it was met.

        Raises:
            LinkLost: It has. Not after an urgent message: then nothing rests on its settings any more.
        """
        if self._has_restarted():
            raise self._named(LinkLost(RESTARTED, message="*ESR?"))

    def refused(self, entries: tuple[QueueEntry, ...], message: str) -> Refused:
        """Make the error for entries of the queue, oldest first, one or more."""
        oldest = entries[0]
        return self._named(Refused(oldest.number, oldest.text, later=entries[1:], message=message))

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
        except LinkLost:
            if not (repeatable and self._urgent) or self._repeating:
                raise
            self._repeat_urgent(query)
        return self._transfer(query, timeout_s)

    def _ask_status(self, query: str) -> bytes:
        try:
            return self._transfer(query, None)
        except LinkLost:
            if not self._urgent or self._repeating:
                raise
        self._repeat_urgent(query)
        return self._transfer(query, None)

    def _repeat_urgent(self, query: str) -> None:
        """Open a line that turns out to be lost once more, as what was urgent may have gone nowhere."""
        self._repeating = True
        try:
            self._free_line(query)
        finally:
            self._repeating = False

    def _tell_urgent_again(self) -> None:
        """Tell over a new line what was urgent: into one that the peer had closed it went without an error."""
        for command in self._urgent:
            self._transmit(command)

    def _tell_lost(self, command: str) -> None:
        """Send an urgent command over a line that is opened again if need be; who is there is asked later."""
        if self._line is LineState.LOST:
            try:
                self._clear()
            except InstrumentError as error:
                error.message = command
                self._named(error)
                raise
            self._line = LineState.STALE
        self._transmit(command)

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

    def _collect(self, message: str, timeout_s: float | None) -> bytes:
        """Receive a reply to what was sent before; any failure leaves the line stale."""
        at_s = self._elapsed_s()
        try:
            reply = self._receive(timeout_s)
        except BaseException as error:
            self._failed(error, b"", at_s, message)
            raise
        self._note(b"", at_s, reply, None)
        return reply

    def _note(self, sent: bytes, at_s: float, received: bytes | None, error: str | None) -> None:
        if self._on_exchange is not None:
            self._count += 1
            duration_s = self._elapsed_s() - at_s
            self._on_exchange(Exchange(self._count, self.instrument, at_s, sent, received, duration_s, error))

    def _clear(self) -> None:
        """Clear the line, or note why that cannot be."""
        at_s = self._elapsed_s()
        try:
            self._link.clear()
        except InstrumentError as error:
            self._note_of_line(OPENING, at_s, None, f"{type(error).__name__}: {error.problem}")
            raise

    def _noting(self, on_exchange: Callable[[Exchange], None] | None, clock: Clock) -> Note:
        def note(sent: bytes, at_s: float, received: bytes | None, error: str | None) -> None:
            if on_exchange is not None:
                self._count += 1
                duration_s = clock.elapsed_s() - at_s
                on_exchange(Exchange(self._count, self.instrument, at_s, sent, received, duration_s, error))

        return note

    def _failed(self, error: BaseException, sent: bytes, at_s: float, message: str) -> None:
        """Note a failed exchange and mark the line; also for an interrupt, which leaves a reply outstanding too."""
        self._line = LineState.LOST if isinstance(error, LinkLost | NotThere) else LineState.STALE
        self._note(sent, at_s, None, f"{type(error).__name__}: {getattr(error, 'problem', error)}")
        if isinstance(error, InstrumentError):
            error.message = message
            self._named(error)

    def _free_line(self, message: str) -> None:
        """Make the line ready for a message, or refuse it."""
        if self._line is LineState.BEGUN:
            raise OutOfTurn(f"{self.instrument}: {message!r} while {self._begun!r} is not finished")
        try:
            wrong = self._open_again()
        except InstrumentError as error:
            self._lost_again(error)
            error.message = message
            self._named(error)
            raise
        if wrong is not None:
            wrong.message = message
            raise wrong

    def _open_again(self, patience_s: float | None = None) -> InstrumentError | None:
        """Clear the line; if the instrument was met before, say what is wrong with the one who answers."""
        other = self._reunion.open_again(patience_s)
        if other:
            self._line = LineState.STALE
            return self._named(NotThere(other))
        self._line = None
        return self._looked_at() if self._reunion.knows_somebody else None

    def _looked_at(self) -> LinkLost | None:
        """Keep what the error queue holds, and say whether the instrument has restarted.

        Query errors (-4xx) only repeat that a reply was not read; the others say why there was none.
        """
        restarted = self._has_restarted()
        self._found = [entry for entry in self.drain_errors() if not is_query_error(entry.number)]
        return self._named(LinkLost(RESTARTED)) if restarted else None

    def _has_restarted(self) -> bool:
        relied_on = self._events_read and not self._urgent
        return StandardEvent.POWER_ON in self.event_status() and relied_on

    def _lost_again(self, error: InstrumentError) -> None:
        self._line = LineState.LOST if isinstance(error, LinkLost | NotThere) else LineState.STALE

    def _learn_cause(self, timed_out: TimedOut) -> None:
        """Clear the line after a time-out and ask the instrument why; return if it does not know.

        Raises:
            LinkLost: The line cannot be opened again, or the instrument has restarted.
            NotThere: Another instrument answers.
            TimedOut: The instrument is silent, or its error queue names the cause, then attached as a Refused.
        """
        try:
            wrong = self._open_again(self._why_within_s)
            if not self._reunion.knows_somebody:
                wrong = self._looked_at()
        except (LinkLost, NotThere) as error:
            self._lost_again(error)
            lost = LinkLost("no reply, and the line cannot be opened again", message=timed_out.message)
            raise self._named(lost) from error
        except InstrumentError as error:
            self._lost_again(error)
            raise timed_out from error
        if wrong is not None:
            wrong.problem = f"no reply, and {wrong.problem}"
            wrong.message = timed_out.message
            raise wrong
        causes, self._found = tuple(self._found), []
        if causes:
            cause = self.refused(causes, timed_out.message)
            timed_out.problem += f"; the instrument says: {cause.problem}"
            raise timed_out from cause

    def _not_understood(self, query: str, reply: object, problem: str) -> NotUnderstood:
        """Make the error for a malformed reply. The line may be out of step, so it is cleared before its next use."""
        self._line = LineState.STALE
        return self._named(NotUnderstood(f"reply {_shortened(reply)}: {problem}", message=query))

    def _named(self, error: Failure) -> Failure:
        error.instrument = self.instrument
        error.resource = self._link.resource
        return error


def _error_entry(reply: bytes) -> tuple[int, str]:
    return scpi_text.parse_error_entry(reply.decode("ascii", errors="replace"))


def _integer(reply: bytes) -> int:
    return scpi_text.parse_integer(reply.decode("ascii", errors="replace"))


def _shortened(reply: object) -> str:
    text = repr(reply)
    return text if len(text) <= 60 else f"{text[:60]}…"
