"""What a run hears besides its instruments: time, people, the disk and its guard, each through the recording.

Rule: a run decides by nothing that its recording does not say. It takes time from ``NotedClock``, which stands still
between what is noted, and learns of everything else by a look whose answer is noted as soon as it changes something.
So the same recording leads the same program through the same run, on a real bench as on a simulated one.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, NamedTuple, Protocol

from bench.errors import Tripped
from bench.interlocks import Interlock
from bench.recording import ExchangeLog
from drivers.conversation import Exchange
from drivers.timing import Clock

#: The machine's wall clock counts as set when it is off by this from where it should be. Ours: no window of a sequence
#: is as fine as that, and a clock that runs a little fast or slow is told of from time to time.
SET_BY_S = 1.0


class NotedClock:
    """The clock that a run decides by: it ticks only where the recording says something.

    Attributes:
        true: The clock that dates the recording.
        began: What ``now`` said when ``elapsed_s`` was 0.

    Args:
        true: The clock that dates the recording.
        log: The recording.
    """

    def __init__(self, true: Clock, log: ExchangeLog) -> None:
        self.true = true
        self._sleeper = true
        self._log = log
        self.began = true.now() - timedelta(seconds=true.elapsed_s())
        self._set_by = timedelta(0)

    def now(self) -> datetime:
        """Wall-clock time at the end of the newest in the recording."""
        return self.began + self._set_by + timedelta(microseconds=self._log.ended_us)

    def elapsed_s(self) -> float:
        """End of the newest in the recording, in seconds of the true clock."""
        return self._log.ended_us / 1e6

    def sleep(self, duration_s: float) -> None:
        """Wait on the true clock, and note it; less than half a microsecond is no wait."""
        wanted_s = round(duration_s * 1e6) / 1e6
        if wanted_s <= 0:
            return
        began_s = self.true.elapsed_s()
        try:
            self._sleeper.sleep(wanted_s)
        finally:
            self._log.slept(wanted_s, began_s, self.true.elapsed_s())
        self._look_at_the_wall()

    def sleeps_on(self, clock: Clock) -> None:
        """Wait on ``clock`` from now on, which wraps the true one."""
        self._sleeper = clock

    def _look_at_the_wall(self) -> None:
        """Follow a wall clock that somebody has set, or that went on while the machine slept."""
        off = self.true.now() - self.now()
        if abs(off.total_seconds()) >= SET_BY_S:
            self._set_by += off
            self._log.say("clock", f"set {off.total_seconds()!r}")


class Wishes(Protocol):
    """What a run looks at of what people wish; ``bench.job.StopSwitch`` says what each is."""

    held: bool

    @property
    def asked(self) -> bool:
        """Stop now."""
        ...

    @property
    def after_condition(self) -> bool:
        """Stop as soon as no condition is in progress."""
        ...

    @property
    def hold(self) -> bool:
        """Hold."""
        ...

    @property
    def gone_on(self) -> int:
        """How often somebody has said go on."""
        ...

    @property
    def times(self) -> int:
        """How often somebody has said stop."""
        ...

    @property
    def by(self) -> str:
        """Who wished last."""
        ...

    @property
    def patience(self) -> Clock | None:
        """Real time, for what people hold on a simulated clock."""
        ...


class Wished(NamedTuple):
    """The wishes at one look."""

    asked: bool = False
    after_condition: bool = False
    hold: bool = False
    gone_on: int = 0
    times: int = 0
    by: str = ""


class HeardWishes:
    """What people wish, as the run takes notice of it: every question is a look, and what has changed is noted.

    Args:
        wishes: What people set, from another thread or a signal.
        log: The recording.
    """

    def __init__(self, wishes: Wishes, log: ExchangeLog) -> None:
        self._wishes = wishes
        self._log = log
        self._known = Wished()

    @property
    def held(self) -> bool:
        """Whether the run is held, as it says itself."""
        return self._wishes.held

    @held.setter
    def held(self, held: bool) -> None:
        self._wishes.held = held

    @property
    def asked(self) -> bool:
        """Stop now."""
        return self._look().asked

    @property
    def after_condition(self) -> bool:
        """Stop as soon as no condition is in progress."""
        return self._look().after_condition

    @property
    def hold(self) -> bool:
        """Hold."""
        return self._look().hold

    @property
    def gone_on(self) -> int:
        """How often somebody has said go on."""
        return self._look().gone_on

    @property
    def times(self) -> int:
        """How often somebody has said stop."""
        return self._look().times

    @property
    def by(self) -> str:
        """Who wished last."""
        return self._look().by

    @property
    def patience(self) -> Clock | None:
        """Real time, for what people hold on a simulated clock; nothing is decided by it."""
        return self._wishes.patience

    def _look(self) -> Wished:
        self._log.look("person")
        wishes, known = self._wishes, self._known
        found = (wishes.asked, wishes.after_condition, wishes.hold, wishes.gone_on, wishes.times, wishes.by)
        if found != known:
            self._known = Wished(*found)
            self._log.say("person", _word(known, self._known), self._known._asdict())
        return self._known


def _word(before: Wished, after: Wished) -> str:
    """The wish that is new, for who reads a recording."""
    if after.times > before.times or after.asked > before.asked:
        return "stop"
    if after.after_condition > before.after_condition:
        return "stop after condition"
    if after.hold > before.hold:
        return "hold"
    return "go on" if after.gone_on > before.gone_on else "somebody"


def heard_disk(
    free_mb: Callable[[], float | None], rule: Interlock | None, log: ExchangeLog
) -> Callable[[], float | None]:
    """A look at the space that is left, noted where it breaks the ``rule``: what is enough changes nothing."""
    rules = () if rule is None else (rule, rule.own or rule)
    least_mb = max((one.watch.lowest for one in rules), default=-math.inf)

    def look() -> float | None:
        log.look("disk")
        found_mb = free_mb()
        if found_mb is not None and found_mb < least_mb:
            log.say("disk", "free", {"free_mb": found_mb})
        return found_mb

    return look


def heard_guard(exchanged: Callable[[], None], log: ExchangeLog) -> Callable[[], None]:
    """A look at what the guard says, noted when it trips the run."""

    def look() -> None:
        log.look("guard")
        try:
            exchanged()
        except Tripped as trip:
            log.say("guard", "trip", {"cause": trip.cause}, f"{type(trip).__name__}: {trip.cause}")
            raise

    return look


def facts_of_voice(exchange: Exchange) -> dict[str, Any]:
    """The facts that a voice has told: at which ``look``, and what; empty for a wait."""
    # Any: JSON. Who asks knows the voice.
    told: dict[str, Any] = json.loads(exchange.received or b"{}")
    return told


def wished_in(exchange: Exchange) -> Wished:
    """What people wished as a "person" of a recording has it."""
    facts = facts_of_voice(exchange)
    return Wished(**{name: facts[name] for name in Wished._fields})
