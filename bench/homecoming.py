"""The way back to room temperature after a run, until the door may be opened: steps as data, each watched.

RF and bias are off before it begins. What has been colder than the room's dew point is first dried out, then the
chamber goes to its idle temperature, and when air and board have been right for a while it is said that it is safe to
open. Whatever cannot be known is said as not known. Should anything go wrong, the bench is as safe as it was before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from bench.errors import Paused, Tripped
from bench.events import EventKind, Facts
from bench.hearing import Wishes
from bench.interlocks import Breach
from bench.opening import (
    LAGS,
    NOT_SAFE,
    SAFE,
    SETTLED_S,
    Dampness,
    DryOutWatch,
    OpeningRule,
    OpeningWatch,
    temperatures_facts,
    temperatures_text,
)
from bench.places import Places
from bench.safe_state import SafeStep, make_safe
from bench.soak import SLOWER_FACTOR, Sample
from bench.watchkeeping import Watchkeeper
from drivers.errors import InstrumentError
from drivers.timing import Clock, left_s
from sequences.interlock_entry import InterlockName
from sequences.read_files import Setup

#: Between two looks. Ours: short against a board's time constant.
LOOK_S = 10.0

#: Longest that a wait goes without looking for a wish to leave. Ours: short against a person's patience.
WISH_LOOK_S = 0.5

#: What cannot be trusted after a trip by one of these is the chamber, or the sensors that would say how it stands.
OF_THE_CHAMBER: frozenset[InterlockName] = frozenset(
    {
        "board temperature",
        "air temperature",
        "sensor temperature",
        "air stray",
        "board stray",
        "board to air",
        "air rate",
        "board rate",
        "air stuck",
        "board stuck",
        "chamber alarm",
    }
)

#: Places whose failure leaves nobody who could say when it is safe.
_NEEDED = ("chamber", "board_thermometer")

#: How a word on the door begins that nobody can be sure of.
NOT_KNOWN = "it is not known whether the chamber is safe to open"

Say = Callable[[EventKind, str, Facts], None]


class Unknown(Exception):
    """It cannot be known whether the door may be opened; the text says why."""


class Left(Exception):
    """Somebody does not want to wait for the return."""


def why_not_to_go_on(cause: str, broken: tuple[Breach, ...], error: InstrumentError | None) -> str:
    """Why the chamber must be sent nowhere but to idle after a run has tripped by ``cause``; empty if it may be."""
    if error is not None:
        return f"{error.instrument.replace('_', ' ')} has failed" if error.instrument in _NEEDED else ""
    names = [breach.interlock.name for breach in broken]
    of_chamber = [name for name in names if name in OF_THE_CHAMBER]
    if of_chamber:
        return f'the interlock "{of_chamber[0]}" has tripped'
    return "" if names else f"nothing shows that the chamber is not the cause ({cause})"


class WayHome:
    """What a run keeps for its return: whether something may be wet, and whether the chamber was brought up at all.

    Args:
        places, setup, clock, watchkeeper, stop, say: As for ``Homecoming``.
    """

    def __init__(
        self, places: Places, setup: Setup, clock: Clock, watchkeeper: Watchkeeper, stop: Wishes, say: Say
    ) -> None:
        self._clock = clock
        self._say = say
        self._has_begun = self._was_brought_up = False
        rule = OpeningRule.of(setup.bench.model, setup.part.model)
        self._way = None
        if rule is not None and places.chamber is not None:
            self._way = Homecoming(rule, Dampness(rule), places, setup, clock, watchkeeper, stop, say)

    def brought_up(self) -> None:
        """The chamber has been told its limits, and where its idle is."""
        self._was_brought_up = True

    def sample(self, temperatures: Mapping[str, float]) -> Sample:
        """Temperatures as evidence of the soak; whether something may be wet is kept."""
        sample = _sample(self._clock, temperatures)
        if self._way is not None:
            self._way.dampness.saw(sample)
        return sample

    def go(self, why_not: str, *, tripped: bool) -> tuple[SafeStep, ...]:
        """Return, unless there is a reason why not; the steps of a safe state sought anew.

        Raises Tripped if an interlock is broken on the way and the run has not ``tripped`` already.
        """
        way = self._way
        if way is None or not self._was_brought_up:
            return ()
        again, self._has_begun = self._has_begun, True
        why_not = why_not or ("the return has been tried" if again else "")
        if why_not:
            self._say(NOT_SAFE, f"{NOT_KNOWN}: {why_not}", {})
            return ()
        try:
            return way.go()
        except Tripped as trip:
            if not tripped:
                raise
            # The run keeps the cause that it tripped by.
            steps = way.to_idle()
            self._say(NOT_SAFE, f"{NOT_KNOWN}: {trip.cause}", {})
            return steps


@dataclass(slots=True)
class Homecoming:
    """One return; ``go`` does it.

    Args:
        rule: What must hold before the door is opened.
        dampness: Whether something may be wet.
        places: Drivers.
        setup: The files.
        clock: Time and waiting.
        watchkeeper: Asks chamber and sensors, and judges the interlocks.
        stop: One more wish to stop ends the return.
        say: Takes events.
    """

    rule: OpeningRule
    dampness: Dampness
    places: Places
    setup: Setup
    clock: Clock
    watchkeeper: Watchkeeper
    stop: Wishes
    say: Say

    def go(self) -> tuple[SafeStep, ...]:
        """Return to room temperature and say whether the door may be opened; the steps of a safe state sought anew.

        Raises Tripped if an interlock is broken on the way: the chamber has not been sent to idle then.
        """
        wishes = self.stop.times
        steps: tuple[SafeStep, ...] = ()
        try:
            self._wake_thermometer()
            for step in STEPS:
                steps += step(self, wishes)
        except (Unknown, InstrumentError) as reason:
            steps += self.to_idle()
            self.say(NOT_SAFE, f"{NOT_KNOWN}: {reason}", {})
        except Left:
            steps += self.to_idle()
            self._say_left()
        return steps

    def _wake_thermometer(self) -> None:
        """A meter may have begun a reading when the run ended; it gives that up."""
        if self.places.board_thermometer is not None:
            self.places.board_thermometer.identify()

    def dry_out(self, wishes: int) -> tuple[SafeStep, ...]:
        """Hold what has been cold above room temperature until it must be dry."""
        rule, chamber = self.rule, self.places.chamber
        if chamber is None or rule.dry_out_c is None or not self.dampness.is_there:
            return ()
        text = (
            f"dry-out at {rule.dry_out_c:g} °C for {(rule.hold_s + rule.lag_s) / 60:.0f} min: something has been below "
            f"{rule.dry_from_c:.1f} °C, the room's dew point and a margin"
        )
        self.say("returning", text, {"target_c": rule.dry_out_c, "hold_s": rule.hold_s})
        chamber.set_target_c(rule.dry_out_c)
        if not chamber.conditioning_is_on():
            chamber.switch_conditioning(on=True)
        hold_s = rule.hold_s + rule.lag_s
        self._wait(DryOutWatch(rule, rule.dry_out_c, hold_s), rule.dry_out_c, hold_s, wishes)
        return self.to_idle()

    def to_room(self, wishes: int) -> tuple[SafeStep, ...]:
        """Wait at idle until air and board may be touched."""
        rule = self.rule
        self.say("returning", f"to {rule.idle_c:g} °C", {"target_c": rule.idle_c})
        hold_s = max(SETTLED_S, rule.lag_s)
        sample = self._wait(OpeningWatch(rule, rule.idle_c, hold_s), rule.idle_c, hold_s, wishes)
        self.say(SAFE, temperatures_text(rule, sample), temperatures_facts(rule, sample))
        return ()

    def _wait(self, watch: OpeningWatch, target_c: float, hold_s: float, wishes: int) -> Sample:
        """Wait until all holds. Raises Unknown if it does not in its time, Left, Tripped, InstrumentError."""
        began_s, limit_s = self.clock.elapsed_s(), math.inf
        while True:
            sample = self._look(target_c)
            if watch.holds(sample):
                return sample
            if limit_s == math.inf:
                limit_s = self._limit_s(abs(sample.air_c - target_c)) + hold_s
            if self.clock.elapsed_s() - began_s >= limit_s:
                raise Unknown(f"{watch.lacks} after {limit_s / 60:.0f} min; {temperatures_text(self.rule, sample)}")
            self._sleep(wishes)

    def _limit_s(self, distance_k: float) -> float:
        """Longest that air and board may take, without the time that they are held."""
        bench, soak = self.setup.bench.model, self.setup.sequence.model.soak
        chamber = bench.instrument.chamber
        ramp_s = 0.0 if chamber is None or math.isnan(distance_k) else distance_k / chamber.ramp_k_per_min * 60
        return SLOWER_FACTOR * ramp_s + LAGS * bench.fixture.time_constant_s + soak.arrival_s

    def _look(self, target_c: float) -> Sample:
        try:
            return _sample(self.clock, self.watchkeeper.look_at_return(target_c))
        except Paused as pause:  # nothing is on that could be held
            raise Unknown(str(pause)) from pause

    def _sleep(self, wishes: int) -> None:
        """Wait until the next look. Raises Left as soon as somebody wishes to leave."""
        ends_s = self.clock.elapsed_s() + LOOK_S
        while (rest_s := left_s(self.clock, ends_s)) > 0:
            if self.stop.times > wishes:
                raise Left
            self.clock.sleep(min(rest_s, WISH_LOOK_S))

    def to_idle(self) -> tuple[SafeStep, ...]:
        """Send the chamber to idle, and everything else to where it is already, confirmed by reading back."""
        return make_safe(self.places, self.rule.idle_c, sleep=self.clock.sleep)

    def _say_left(self) -> None:
        rule = self.rule
        until = (
            f"not safe to open until air and board have been between {rule.coldest_c:.1f} and {rule.warmest_c:g} °C"
            + (f", after {rule.hold_s / 60:.0f} min above that to dry" if self.dampness.is_there else "")
        )
        try:
            sample = self._look(rule.idle_c)
        except (Tripped, Unknown, InstrumentError):
            self.say(NOT_SAFE, f"{until}; the return was left by the user", {})
            return
        text = f"{until}; the return was left by the user with {temperatures_text(rule, sample)}"
        self.say(NOT_SAFE, text, temperatures_facts(rule, sample))


def _sample(clock: Clock, temperatures: Mapping[str, float]) -> Sample:
    board_c, sensor_c = (temperatures.get(f"{name}_temperature_c") for name in ("board", "sensor"))
    return Sample(clock.elapsed_s(), temperatures["air_temperature_c"], board_c, sensor_c)


#: The return in order: each is done when what it waits for has come.
STEPS: tuple[Callable[[Homecoming, int], tuple[SafeStep, ...]], ...] = (Homecoming.dry_out, Homecoming.to_room)
