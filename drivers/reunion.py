"""Meeting an instrument again whose line had to be cleared or opened anew.

A reopened line may lead to another instrument, to one that has been switched off and on meanwhile, or to a late reply
of the conversation before. So whoever was met by name is asked for it before anything else is said, and the reply must
be the one it gave then. Nobody is waited for who has not been met: an address that never answered is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from drivers.errors import LinkLost, NotThere, TimedOut
from drivers.timing import Clock

PAUSES_S: Final = (0.2, 1.0)
"""Waits before a line that could not be opened is tried again. Ours: an instrument that serves one connection at a time
needs a moment to see that the one before is gone; one that restarts needs far longer, and is a matter for the run."""

MOST_STRAYS: Final = 3
"""Late replies that are read and thrown away before the identity must have come. Ours: a line holds one or two."""


class Reunion:
    """Opens one instrument's line again and says whether the one who answers was met before.

    Args:
        clear: Clears the line, or opens it again.
        clock: Waits between attempts.
        first: Called as soon as a line has been opened, before anybody is asked anything.
        transfer: Sends a query and returns its reply.
        collect: Returns one more reply to a query that has been sent.
    """

    def __init__(
        self,
        clear: Callable[[], None],
        clock: Clock,
        first: Callable[[], None],
        transfer: Callable[[str, float | None], bytes],
        collect: Callable[[str, float | None], bytes],
    ) -> None:
        self._clear = clear
        self._clock = clock
        self._first = first
        self._transfer = transfer
        self._collect = collect
        self._query = ""
        self._identity = ""

    @property
    def knows_somebody(self) -> bool:
        """Whether the instrument has been met."""
        return bool(self._query)

    def remember(self, query: str, identity: str) -> None:
        """Note who has been met, and by which question."""
        self._query, self._identity = query, identity

    def open_again(self, patience_s: float | None = None) -> str:
        """Clear the line and return what speaks against its being the one that was met; empty if nothing does.

        Raises InstrumentError if the line cannot be opened, or nobody answers in ``patience_s``, the line's own
        time-out if that is less or None.
        """
        if not self.knows_somebody:
            self._clear()
            self._first()
            return ""
        for pause_s in PAUSES_S:
            try:
                return self._answering(patience_s)
            except (LinkLost, NotThere):
                self._clock.sleep(pause_s)
        return self._answering(patience_s)

    def _answering(self, patience_s: float | None) -> str:
        self._clear()
        self._first()
        found = answered = _text(self._transfer(self._query, patience_s))
        for _ in range(MOST_STRAYS):
            if found == self._identity:
                return ""
            try:
                found = _text(self._collect(self._query, patience_s))
            except TimedOut:
                break
        return f"{answered!r} answers where {self._identity!r} did"


def _text(reply: bytes) -> str:
    return reply.decode("ascii", errors="replace").strip()
