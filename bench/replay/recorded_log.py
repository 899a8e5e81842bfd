"""What a replayed run hears besides its instruments: time, people, the disk and its guard, each from the recording.

Rule: these stand where ``bench.hearing`` expects the true clock, the wishes of people, the disk and the guard; what the
run decides by then comes out of ``bench.hearing`` as it did.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from bench.errors import Tripped
from bench.events import Event, Listener
from bench.hearing import Wished, facts_of_voice, wished_in
from bench.recording import VOICES, ExchangeLog, Voice
from drivers.conversation import Exchange
from drivers.score import Score, TolerantScore, ends_us
from drivers.timing import Clock

if TYPE_CHECKING:
    from bench.store.store import Store
    from sequences.read_files import Setup

#: What a disk has left where the recording is silent of it. Ours: above what any rule asks for, and a number.
ENOUGH_MB = 1e12

#: A wait, and a wall clock that was found set, as the voice "clock" says them.
_SLEEP, _SET = b"sleep ", b"set "


class RecordedLog(ExchangeLog):
    """A run's log that keeps what the recording has, and its times.

    Attributes:
        score: The recording.
        wished: What people wish, as far as the recording has come.
        set_by_s: How far the wall clock was found set until now, in seconds.
        is_silent: Whether the recording is of before voices were kept: then waits last as long as they should.
    """

    def __init__(self, score: Score, *, is_silent: bool = False) -> None:
        super().__init__()
        self.score = score
        self.wished = Wished()
        self.set_by_s = 0.0
        self.is_silent = is_silent
        self._due_facts: Mapping[str, Any] | None = None

    def look(self, voice: Voice) -> int:
        """As the run's own log; what the voice said at this look is known afterwards."""
        count = super().look(voice)
        self._due_facts = self.due_facts(voice, count)
        if voice == "person" and self._due_facts is not None:
            due = self.score.due(voice)
            assert due is not None
            self.wished = wished_in(due)
        return count

    def due_facts(self, voice: Voice, count: float) -> Mapping[str, Any] | None:
        """What a voice says now, at its look ``count``; None for nothing."""
        due = self.score.due(voice)
        if due is None:
            return None
        facts = facts_of_voice(due)
        is_now = facts["look"] <= count if isinstance(self.score, TolerantScore) else facts["look"] == count
        return facts if is_now else None

    @property
    def said_now(self) -> Mapping[str, Any] | None:
        """What the voice that was looked out for last says at that look; None for nothing."""
        return self._due_facts

    def set_ahead_s(self) -> float:
        """How far ahead the wall clock stands of where it should, with what the recording says next."""
        due = self.score.due("clock")
        next_s = float(due.sent.removeprefix(_SET)) if due is not None and due.sent.startswith(_SET) else 0.0
        return self.set_by_s + next_s

    def _keep(
        self,
        number: int,
        instrument: str,
        began_s: float,
        sent: bytes,
        received: bytes | None,
        ended_s: float,
        error: str | None,
    ) -> None:
        if instrument not in VOICES:
            if self.score.stopped_at is None:  # what is on its way up then is no exchange
                self._kept(self.score.newest[instrument])
            return
        if self.is_silent and sent.startswith(_SLEEP):
            self._passed(float(sent.removeprefix(_SLEEP)))
            return
        taken = self.score.take(instrument, sent)
        if taken.number == 0 and sent.startswith(_SLEEP):
            self._passed(float(sent.removeprefix(_SLEEP)))
            return
        if not isinstance(self.score, TolerantScore) and _without_look(received) != _without_look(taken.received):
            raise self.score.differs("another", instrument, sent + b" " + (received or b""), taken)
        if sent.startswith(_SET):
            self.set_by_s += float(sent.removeprefix(_SET))
        self._kept(taken)

    def _kept(self, exchange: Exchange) -> None:
        self._ended_us = max(self._ended_us, ends_us(exchange))
        self._looks.clear()
        self._exchanges.append(exchange)

    def _passed(self, duration_s: float) -> None:
        """A wait of which the recording says nothing has lasted as long as was asked for."""
        self._ended_us += round(duration_s * 1e6)
        self._looks.clear()


def _without_look(received: bytes | None) -> Mapping[str, Any]:
    facts = dict(facts_of_voice(Exchange(0, "", 0.0, b"", received, 0.0, None)))
    # Looks in a wait on a real clock are as many as the machine had time for.
    facts.pop("look", None)
    return facts


class RecordedClock:
    """The true clock of a replayed run: it stands where the recording has come to."""

    def __init__(self, began: datetime, log: RecordedLog) -> None:
        self._began = began
        self._log = log

    def now(self) -> datetime:
        """The wall clock of then."""
        return self._began + timedelta(seconds=self._log.set_ahead_s()) + timedelta(microseconds=self._log.ended_us)

    def elapsed_s(self) -> float:
        """Seconds since the session began."""
        return self._log.ended_us / 1e6

    def sleep(self, duration_s: float) -> None:
        """Nothing: the log learns from the recording how long it lasted."""


class RecordedWishes:
    """What people wished, at the looks at which the run took notice."""

    def __init__(self, log: RecordedLog) -> None:
        self._log = log
        self.held = False
        self.patience: Clock | None = None

    @property
    def asked(self) -> bool:
        """Stop now."""
        return self._log.wished.asked

    @property
    def after_condition(self) -> bool:
        """Stop after the condition in progress."""
        return self._log.wished.after_condition

    @property
    def hold(self) -> bool:
        """Hold."""
        return self._log.wished.hold

    @property
    def gone_on(self) -> int:
        """How often somebody has said go on."""
        return self._log.wished.gone_on

    @property
    def times(self) -> int:
        """How often somebody has said stop."""
        return self._log.wished.times

    @property
    def by(self) -> str:
        """Who wished last."""
        return self._log.wished.by


@dataclass(frozen=True, slots=True)
class RecordedDisk:
    """The space that was left: enough, unless the recording says how little."""

    log: RecordedLog

    def free_mb(self) -> float:
        """As the disk answered at this look."""
        said = self.log.said_now
        return ENOUGH_MB if said is None else float(said["free_mb"])


class RecordedGuard:
    """The guard of then, as far as it tripped the run; stands where ``bench.guarding`` has the process."""

    def __init__(self, log: RecordedLog) -> None:
        self._log = log

    def watch(self, setup: Setup, run: str, store: Store | None, clock: Clock) -> None:
        """Nothing is guarded."""

    def noted_in(self, log: ExchangeLog) -> None:
        """It knows its log."""

    def exchanged(self) -> None:
        """The look of ``bench.hearing.heard_guard``. Raises Tripped where the run tripped."""
        self._look(self._log.look("guard"))

    def waited(self) -> None:
        """A wait goes on, in which a real clock looks more often."""
        self._look(math.inf)

    def clock(self, clock: Clock) -> Clock:
        """The clock, whose waits the guard sees."""
        return _GuardedClock(clock, self)

    def listener(self, listener: Listener) -> Listener:
        """The listener, whose events the guard sees."""

        def hear(event: Event) -> None:
            listener(event)
            self.exchanged()

        return hear

    def _look(self, count: float) -> None:
        facts = self._log.due_facts("guard", count)
        if count == math.inf and facts is None:
            due = self._log.score.due("guard")
            facts = None if due is None else facts_of_voice(due)
        if facts is not None:
            trip = Tripped(facts["cause"])
            self._log.say("guard", "trip", {"cause": trip.cause}, f"{type(trip).__name__}: {trip.cause}")
            raise trip


class _GuardedClock:
    """A clock whose waits the guard sees, before and meanwhile."""

    def __init__(self, clock: Clock, guard: RecordedGuard) -> None:
        self._clock = clock
        self._guard = guard

    def now(self) -> datetime:
        return self._clock.now()

    def elapsed_s(self) -> float:
        return self._clock.elapsed_s()

    def sleep(self, duration_s: float) -> None:
        self._guard.exchanged()
        self._clock.sleep(duration_s)
        self._guard.waited()
