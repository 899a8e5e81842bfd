"""Every exchange of a run, and whatever else it heard, kept until the next commit takes it to the store.

A recording is one sequence of ``Exchange``. Most are messages to instruments; what a run hears besides comes from four
voices, each an "instrument" of this name:

- "clock": a wait that the run asked for (``sleep 2.5``, in seconds; its time as measured), or that the machine's wall
  clock was found set (``set 3600``: seconds ahead of before).
- "person": what people wish, when the run took notice.
- "disk": the space that is left, when it was too little.
- "guard": its end or its deed, when the run took notice.

What a voice says is a word in ``sent``; ``received`` holds the facts as JSON, with ``look``: how often the run has
looked out for this voice since whatever stands before in the recording. So whoever repeats the run can let it hear the
same at the same look.

Times are whole microseconds, in seconds as the double next to them, so that every form of a recording keeps them as
they are. They never go back: each begins where the one before has ended, or later.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Final, Literal

from drivers.conversation import Exchange

#: A named tuple of a tuple: half the time of its own constructor, for each exchange of a run.
_made = tuple.__new__

#: How much of a recording is kept; ``[sequence] recording`` of a sequence file.
Level = Literal["whole", "failures", "none"]

Voice = Literal["clock", "person", "disk", "guard"]

#: Who speaks in a recording besides instruments.
VOICES: Final[tuple[Voice, ...]] = ("clock", "person", "disk", "guard")


def kept(exchanges: Sequence[Exchange], level: Level, *, of_condition: bool = False) -> Sequence[Exchange]:
    """What is kept of exchanges that are committed together: all, or none.

    At the level "failures" those of a complete condition are left out unless one of them has failed. All else is kept,
    such as what was said in an attempt at a condition that was given up: it goes to the store at the retreat.
    """
    if level == "failures" and of_condition and not any(one.error for one in exchanges):
        return ()
    return () if level == "none" else exchanges


class ExchangeLog:
    """Hook for the message layer and the voices: notes exchanges in order and hands them over once."""

    def __init__(self) -> None:
        self._exchanges: list[Exchange] = []
        self._heard: Callable[[], None] | None = None
        self._ended_us = 0
        self._said: dict[Voice, int] = {}
        self._looks: dict[Voice, int] = {}

    @property
    def ended_us(self) -> int:
        """When the newest of the recording ended, in whole microseconds of the clock that dates it; 0 before."""
        return self._ended_us

    def heard_by(self, hear: Callable[[], None]) -> None:
        """Have ``hear`` called after each exchange with an instrument; what it raises goes through the driver."""
        self._heard = hear

    def note(self, exchange: Exchange) -> None:
        """Keep one exchange with an instrument, its times in whole microseconds."""
        self._keep(*exchange)
        if self._heard is not None:
            self._heard()

    def say(self, voice: Voice, word: str, facts: Mapping[str, object] | None = None, error: str | None = None) -> None:
        """Keep what a voice has said just now; ``look`` is added to its facts."""
        told = json.dumps({"look": self._looks.get(voice, 0), **(facts or {})}).encode()
        now_s = self._ended_us / 1e6
        self._keep(self._number_of(voice), voice, now_s, word.encode(), told, 0.0, error)

    def slept(self, wanted_s: float, began_s: float, ended_s: float) -> None:
        """Keep a wait that the run asked for, as the clock that dates the exchanges has measured it."""
        lasted_s = ended_s - began_s
        self._keep(self._number_of("clock"), "clock", began_s, f"sleep {wanted_s!r}".encode(), None, lasted_s, None)

    def look(self, voice: Voice) -> int:
        """The run looks out for a voice; returns how often it has, since whatever was noted last."""
        count = self._looks[voice] = self._looks.get(voice, 0) + 1
        return count

    def take(self) -> list[Exchange]:
        """What was noted since the last call, oldest first."""
        taken = self._exchanges[:]
        self._exchanges.clear()
        return taken

    def _number_of(self, voice: Voice) -> int:
        number = self._said[voice] = self._said.get(voice, 0) + 1
        return number

    def _keep(
        self,
        number: int,
        instrument: str,
        began_s: float,
        sent: bytes,
        received: bytes | None,
        lasted_s: float,
        error: str | None,
    ) -> None:
        began_us, ended_us = round(began_s * 1e6), round((began_s + lasted_s) * 1e6)
        # The end of one and the beginning of the next may be the same double and still differ when rounded: what came
        # as beginning and duration has been subtracted and added again.
        if began_us < self._ended_us:
            began_us = self._ended_us
        if ended_us < began_us:
            ended_us = began_us
        self._ended_us = ended_us
        if self._looks:
            self._looks.clear()
        began_s, lasted_s = began_us / 1e6, (ended_us - began_us) / 1e6
        self._exchanges.append(_made(Exchange, (number, instrument, began_s, sent, received, lasted_s, error)))
