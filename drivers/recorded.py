"""A line whose instrument is a recording: it answers what was answered then, and fails as it failed then."""

from __future__ import annotations

import builtins
from typing import Final

from drivers.conversation import OPENING, Exchange
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, Refused, TimedOut
from drivers.score import Score

_FAILURES: Final = {kind.__name__: kind for kind in (NotThere, TimedOut, LinkLost, NotUnderstood)}


def failure_of(error: str) -> BaseException:
    """The failure that an exchange's ``error`` tells of, as it was raised then."""
    name, _, problem = error.partition(": ")
    if name in _FAILURES:
        return _FAILURES[name](problem)
    if name == Refused.__name__:
        return Refused(0, problem)
    kind = getattr(builtins, name, None)
    if isinstance(kind, type) and issubclass(kind, BaseException):
        made: BaseException = kind(problem)
        return made
    return InstrumentError(error)


class RecordedLink:
    """A Link to one instrument of a recording; every message must be the next one there.

    Args:
        score: The recording.
        instrument: Its name there.
        resource: What messages for people call the line.
    """

    def __init__(self, score: Score, instrument: str, resource: str = "") -> None:
        self._score = score
        self._instrument = instrument
        self._resource = resource or f"recording of {instrument}"
        self._reply: bytes | None = None

    @property
    def resource(self) -> str:
        """What messages for people call the line."""
        return self._resource

    def send(self, data: bytes) -> None:
        """Send what was sent then. Raises RecordingDiffers, or what was raised then."""
        self._reply = self._taken(data).received
        self._speak(data)

    def receive(self, timeout_s: float | None = None) -> bytes:
        """Receive what came then; nothing is waited for."""
        if self._reply is None:
            self._reply = self._taken(b"").received
        if self._reply is None:
            raise TimedOut("the recording has no reply to this", resource=self._resource)
        reply = self._hear(timeout_s)
        self._reply = None
        return reply

    def clear(self) -> None:
        """Throw away what is pending; a line that could not be opened again then cannot be now."""
        due = self._score.due(self._instrument)
        if due is not None and due.sent == OPENING:
            self._taken(OPENING)
        self._reply = None

    def close(self) -> None:
        """Nothing is open."""

    def _speak(self, data: bytes) -> None:
        """Let the message go where it went; here, nowhere."""

    def _hear(self, timeout_s: float | None) -> bytes:
        """The reply, from where it came."""
        assert self._reply is not None
        return self._reply

    def _taken(self, sent: bytes) -> Exchange:
        taken = self._score.take(self._instrument, sent)
        if taken.error is not None:
            raise failure_of(taken.error)
        return taken
