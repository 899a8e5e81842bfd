"""A line to an instrument whose words differ from our driver's: the table of deviations put to use.

Above it everything is as with any Link. Below it goes what the instrument understands, and that is what is noted as
exchanges. It answers by itself where the table says that the instrument has no such query.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.deviations import Completion, Deviations, Outgoing, incoming
from drivers.errors import InstrumentError, NotUnderstood, TimedOut
from drivers.link import Link
from drivers.scpi_text import RealBits, Unreadable, parse_integer
from drivers.timing import Clock

Note = Callable[[bytes, float, bytes | None, str | None], None]
"""Takes what was sent, when by the clock, what came, and what went wrong."""

LONGEST_WAIT_S = 60.0
"""An operation whose end is asked for in turns may take this long if the caller does not say. Ours."""


class DeviatingLink:
    """A Link that translates; see ``drivers.deviations``.

    Args:
        link: Line to the instrument.
        table: Its deviations.
        clock: Dates what went over the line.
        note: Told of it.
        waits: Waits where the table says so, and decides what has lasted too long; None for ``clock``.
    """

    def __init__(self, link: Link, table: Deviations, clock: Clock, note: Note, waits: Clock | None = None) -> None:
        self._link = link
        self._table = table
        self._dates = clock
        self._clock = waits or clock
        self._note = note
        self._told: dict[str, str] = {}
        self._awaited: Outgoing | None = None
        self._unanswered: tuple[bytes, float] | None = None
        self._begun_s = 0.0
        self._free_from_s = 0.0

    @property
    def resource(self) -> str:
        """Resource string of the line."""
        return self._link.resource

    def send(self, data: bytes) -> None:
        """Send what the instrument has instead of a message of the driver's."""
        going = self._table.outgoing(data.decode("ascii"))
        self._awaited = going if going.is_query or going.completes else None
        for text in going.messages:
            self._put(text.encode("ascii"), answered=going.is_query)
        self._begun_s = self._clock.elapsed_s()
        if not going.is_query:
            self._told[going.name] = going.value
        if going.deviation is not None and going.deviation.settle_s and not going.is_query:
            self._clock.sleep(going.deviation.settle_s)

    def receive(self, timeout_s: float | None = None) -> bytes:
        """Receive a reply in the words that the driver expects."""
        awaited, self._awaited = self._awaited, None
        if awaited is None:
            return self._take(timeout_s)
        if awaited.completes:
            return self._completed(awaited, timeout_s)
        deviation = awaited.deviation
        if deviation is None:
            return self._take(timeout_s)
        if not awaited.messages:
            return self._assumed(awaited)
        reply = self._take(timeout_s)
        if not deviation.changes_reply:
            return reply
        try:
            return incoming(deviation, reply, self._expected_bits())
        except Unreadable as error:
            problem = f"not as its table of deviations says: {error}"
            raise NotUnderstood(problem, resource=self.resource, message=awaited.messages[0]) from error

    def clear(self) -> None:
        """Throw away what is pending on both sides."""
        self._awaited = None
        self._unanswered = None
        self._link.clear()

    def close(self) -> None:
        """Close the line."""
        self._link.close()

    def _expected_bits(self) -> RealBits:
        """As the driver asked for, whether or not the instrument has such a command."""
        return 64 if self._told.get(":FORM:DATA", "").endswith("64") else 32

    def _assumed(self, awaited: Outgoing) -> bytes:
        """The value last sent; before that, what the table says."""
        told = self._told.get(awaited.name)
        if told is None and awaited.deviation is not None:
            told = awaited.deviation.assume
        if told is None:
            raise NotUnderstood(
                f"the instrument has no query for {awaited.name}, nothing has been sent yet, and its table of "
                "deviations does not say what to assume",
                resource=self.resource,
            )
        return told.encode("ascii")

    def _completed(self, awaited: Outgoing, timeout_s: float | None) -> bytes:
        how = self._table.completion
        if not awaited.messages:
            return b"1"
        if how.wait_s is not None:
            self._clock.sleep(self._begun_s + how.wait_s - self._clock.elapsed_s())
            return b"1"
        if how.joined:
            return self._take(timeout_s)
        return self._polled(how, LONGEST_WAIT_S if timeout_s is None else timeout_s)

    def _polled(self, how: Completion, longest_s: float) -> bytes:
        ends_s = self._clock.elapsed_s() + longest_s
        while True:
            self._put(how.ask.encode("ascii"), answered=True)
            reply = self._take(max(ends_s - self._clock.elapsed_s(), 0.001))
            if how.mask is None or _bits(reply, self.resource, how.ask) & how.mask == how.done:
                return b"1"
            if self._clock.elapsed_s() + how.every_s > ends_s:
                raise TimedOut(f"{how.ask} still answers {reply!r}", resource=self.resource)
            self._clock.sleep(how.every_s)

    def _put(self, data: bytes, *, answered: bool) -> None:
        if self._table.gap_s:
            self._clock.sleep(self._free_from_s - self._clock.elapsed_s())
        at_s = self._dates.elapsed_s()
        self._unanswered = None
        try:
            self._link.send(data)
        except BaseException as error:
            self._note(data, at_s, None, _text_of(error))
            raise
        if answered:
            self._unanswered = data, at_s
        else:
            self._note(data, at_s, None, None)
        self._free_from_s = self._clock.elapsed_s() + self._table.gap_s

    def _take(self, timeout_s: float | None) -> bytes:
        sent, at_s = self._unanswered or (b"", self._dates.elapsed_s())
        self._unanswered = None
        try:
            reply = self._link.receive(timeout_s)
        except BaseException as error:
            self._note(sent, at_s, None, _text_of(error))
            raise
        self._note(sent, at_s, reply, None)
        self._free_from_s = self._clock.elapsed_s() + self._table.gap_s
        return reply


def _bits(reply: bytes, resource: str, message: str) -> int:
    try:
        return parse_integer(reply.decode("ascii", errors="replace"))
    except Unreadable as error:
        raise NotUnderstood(str(error), resource=resource, message=message) from error


def _text_of(error: BaseException) -> str:
    problem = error.problem if isinstance(error, InstrumentError) else error
    return f"{type(error).__name__}: {problem}"
