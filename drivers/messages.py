"""Messages to one instrument and its replies: what the drivers say and ask.

What is in flight and how a broken line is taken up again is in ``drivers.conversation``, with the rules that hold for
it.
"""

from __future__ import annotations

from drivers import scpi_text
from drivers.conversation import MOST_QUEUE_ENTRIES, Conversation, Exchange, LineState
from drivers.errors import InstrumentError, NotUnderstood, OutOfTurn, Refused, TimedOut

__all__ = ["MOST_QUEUE_ENTRIES", "Exchange", "Messages"]


class Messages(Conversation):
    """Speaks to one instrument over a Link."""

    # --- Who is there

    def meet(self, query: str = "*IDN?") -> str:
        """Ask who is there, remember it, and read the event register, so that an exchange or a restart shows later.

        For before anything is set: what the instrument may have forgotten up to here does not matter, and what it had
        begun is given up.

        Raises:
            NotThere: Another instrument than before answers on a line that was opened again.
        """
        self._events_read = False
        if self._line is LineState.BEGUN:
            self._line = LineState.STALE
        identity = self.ask(query, repeatable=True)
        self._reunion.remember(query, identity)
        self.event_status()
        return identity

    # --- Commands and questions

    def tell(self, command: str) -> None:
        """Send a command that has no reply."""
        if self._line is not None:
            self._free_line(command)
        self._urgent = ()
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

    # --- Operations that take time

    def begin(self, command: str) -> None:
        """Start an operation and return at once: ``command;*OPC?``. Only ``finish`` may follow."""
        if self._line is not None:
            self._free_line(command)
        self._urgent = ()
        self._begun = f"{command};*OPC?"
        self._line = LineState.BEGUN  # before sending, so that an interrupt does not leave a reply that nobody knows of
        self._transmit(self._begun)

    def finish(self, timeout_s: float | None = None) -> None:
        """Wait until the begun operation is complete: ``*OPC?`` answers 1 (IEEE 488.2, 10.19).

        Raises:
            OutOfTurn: Nothing was begun, or what was begun has been given up by an urgent message.
        """
        if self._line is not LineState.BEGUN:
            raise OutOfTurn(f"{self.instrument}: finish without begin")
        try:
            reply = self._collect(self._begun, timeout_s)
        except TimedOut as error:
            self._learn_cause(error)
            raise
        self._line = None
        if reply.strip() not in (b"1", b"+1"):
            raise self._not_understood(self._begun, reply, "is not the 1 of a completed operation")

    def tell_urgently(self, command: str) -> None:
        """Send a command that removes energy, whatever the line is waiting for; reads nothing.

        A begun operation is given up: its late reply is cleared away before the next question. If the line is
        broken it is opened again and the command sent once more, as switching off twice does no harm.
        """
        self._urgent = (*(told for told in self._urgent if told != command), command)
        if self._line is LineState.BEGUN:
            self._line = LineState.STALE
        # Into a connection that the peer has closed a message goes without an error, and nowhere.
        if self._line is not LineState.LOST:
            try:
                self._transmit(command)
            except InstrumentError:
                self._line = LineState.LOST
            else:
                return
        self._tell_lost(command)

    # --- Refusals

    def check(self, message: str = "") -> None:
        """Drain the error queue and raise Refused for its oldest entry; the others are named in its text.

        Args:
            message: What had been sent, for the error's text.
        """
        entries = self.drain_errors()
        if entries:
            raise self.refused(entries, message)

    def not_taken(self, text: str, message: str) -> Refused:
        """Make the error for a setting that the instrument does not hold though its queue is silent."""
        return self._named(Refused(0, text, message=message))

    def wrong(self, text: str, message: str) -> NotUnderstood:
        """Make the error for a reply that is well formed but cannot be true."""
        return self._named(NotUnderstood(text, message=message))
