"""Whether a chamber may be opened, and what it takes until then: decided on temperatures, apart from acting.

Pure. A surface below the dew point of the room's air gets wet as soon as the door is open, and metal that is hot or
cold hurts. What has been cold may be wet even with the door shut, from the air that was shut in; so it is first held
above room temperature until it must be dry. The dew point is that of the room as the bench file states it: nobody
measures the room here, so there is a margin.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, replace
from typing import Final

from bench.dew_point import dew_point_c
from bench.events import Event
from bench.hazard_numbers import CHILL_C, WARM_C
from bench.soak import Sample, Sensors
from sequences.bench_file import Bench
from sequences.dry_out_entry import DRY_OUT_C
from sequences.part_file import Part
from sequences.transitions import SoakModel

#: Kinds of events that say how it stands with the door.
SAFE: Final = "safe to open"
NOT_SAFE: Final = "not safe to open"

#: After these events what was said of the door before is no longer so.
_ANEW = frozenset({"run began", "run resumed"})

#: The air has arrived when it is so close to its target. Ours: above a chamber's control error and its overshoot.
ARRIVED_K = 2.0

#: What must hold for a door to be opened holds so long at least, so that one reading does not decide. Ours.
SETTLED_S = 60.0

#: Without a thermometer on the board this many of its time constants must pass: it then lags by less than 1 % of the
#: step (first-order lag: exp(-5) = 0.7 %).
LAGS = 5.0

#: The dry-out stays so far below every rating, for the overshoot. Ours.
BELOW_RATING_K = 5.0


@dataclass(frozen=True, slots=True)
class OpeningRule:
    """What must hold before the door may be opened.

    Attributes:
        dew_c: Dew point of the room; None if its air holds no water.
        coldest_c, warmest_c: Air, board and second sensor must lie between these.
        idle_c: Where the chamber is left.
        dry_out_c: Where it is held before, if something has been cold; None where that cannot be above the room.
        dry_from_c: What has been colder than this is dried out.
        hold_s: How long it is held there.
        lag_s: How long air must have been right before a board without a thermometer counts as right.
    """

    dew_c: float | None
    coldest_c: float
    warmest_c: float
    idle_c: float
    dry_out_c: float | None
    dry_from_c: float
    hold_s: float
    lag_s: float

    @classmethod
    def of(cls, bench: Bench, part: Part) -> OpeningRule | None:
        """The rule of a bench; None for one without a chamber, or whose file says that nobody opens it."""
        chamber, entry, room = bench.instrument.chamber, bench.dry_out, bench.fixture
        if chamber is None or not entry.wanted:
            return None
        dew_c = dew_point_c(room.room_c, room.room_humidity_percent) if room.room_humidity_percent > 0 else None
        dry_c = -math.inf if dew_c is None else dew_c + entry.margin_k
        wanted_c = entry.temperature_c
        if wanted_c is None:
            highest_c = highest_dry_out_c(bench, part)
            wanted_c = min(DRY_OUT_C, highest_c)
        return cls(
            dew_c=dew_c,
            coldest_c=max(CHILL_C, dry_c),
            warmest_c=WARM_C,
            idle_c=chamber.idle_c,
            dry_out_c=wanted_c if wanted_c > room.room_c else None,
            dry_from_c=dry_c,
            hold_s=entry.hold_s,
            lag_s=LAGS * room.time_constant_s if bench.instrument.board_thermometer is None else 0.0,
        )

    def dries_out(self, temperatures_c: Iterable[float]) -> bool:
        """Whether a dry-out is due after these temperatures, in order: what is warm enough after the cold dries too."""
        damp = False
        for temperature_c in temperatures_c:
            if self.dry_out_c is None or temperature_c >= self.dry_out_c:
                damp = False
            else:
                damp = damp or temperature_c < self.dry_from_c
        return damp

    def return_s(self, model: SoakModel, last_c: float, *, dries_out: bool) -> float:
        """Seconds from the last condition until the chamber may be opened, foretold with a soak's model."""
        ramp, from_c, total_s = model.ramp_k_per_s, last_c, 0.0
        if self.dry_out_c is not None and dries_out:
            ramp_s = abs(self.dry_out_c - from_c) / ramp
            total_s += max(ramp_s - ARRIVED_K / ramp, self._board_s(model, from_c, self.dry_out_c)) + self.hold_s
            total_s += self.lag_s
            from_c = self.dry_out_c
        ramp_s = abs(self.idle_c - from_c) / ramp
        arrived_s = max(0.0, ramp_s - ARRIVED_K / ramp, self._board_s(model, from_c, self.idle_c))
        return total_s + arrived_s + max(SETTLED_S, self.lag_s)

    def _board_s(self, model: SoakModel, from_c: float, to_c: float) -> float:
        """Seconds until a board on its way between two temperatures is between the coldest and the warmest."""
        bound_c = self.coldest_c if from_c < self.coldest_c else self.warmest_c
        if from_c == to_c or self.coldest_c <= from_c <= self.warmest_c:
            return 0.0
        ramp_s, lag_s = abs(to_c - from_c) / model.ramp_k_per_s, model.lag_s
        # Behind a ramp a first-order board lags by r·τ at most; past its end the rest decays with τ.
        to_bound_k, lag_k = abs(bound_c - to_c), model.ramp_k_per_s * lag_s * -math.expm1(-ramp_s / lag_s)
        if lag_k <= to_bound_k:
            return max(0.0, ramp_s - (to_bound_k - lag_k) / model.ramp_k_per_s)
        return ramp_s + lag_s * math.log(lag_k / to_bound_k) if to_bound_k > 0 else math.inf


def highest_dry_out_c(bench: Bench, part: Part) -> float:
    """Highest temperature of a dry-out: below the ratings of part, fixture with cables, chamber and its limiter."""
    ends = [part.absolute_maximum.temperature_c.max, bench.fixture.temperature_c.max]
    chamber = bench.instrument.chamber
    if chamber is not None:
        ends += [chamber.temperature_c.max] + ([] if chamber.limiter_c is None else [chamber.limiter_c])
    return min(ends) - BELOW_RATING_K


class Dampness:
    """Whether something may be wet: it has been cold, and not been held warm for a dry-out's time since."""

    def __init__(self, rule: OpeningRule) -> None:
        self._rule = rule
        self._warm_since_s: float | None = None
        self.is_there = False

    def saw(self, sample: Sample) -> None:
        """Take what air, board and second sensor were at one moment of the run."""
        rule = self._rule
        known = [value for value in (sample.air_c, sample.board_c, sample.sensor_c) if value is not None]
        # What is not a number is neither warm nor known not to be cold.
        if rule.dry_out_c is None or not min(known) >= rule.dry_out_c - ARRIVED_K:
            self._warm_since_s = None
            self.is_there = self.is_there or any(not value >= rule.dry_from_c for value in known)
            return
        if self._warm_since_s is None:
            self._warm_since_s = sample.elapsed_s
        if sample.elapsed_s - self._warm_since_s >= rule.hold_s + rule.lag_s:
            self.is_there = False


class OpeningWatch:
    """Judges one wait for the door.

    Args:
        rule: What must hold.
        target_c: Where the air is to be.
        hold_s: How long all must hold.
    """

    def __init__(self, rule: OpeningRule, target_c: float, hold_s: float) -> None:
        self._rule = rule
        self._target_c = target_c
        self._hold_s = hold_s
        self._sensors = Sensors()
        self._good_since_s: float | None = None
        self.lacks = ""

    def holds(self, sample: Sample) -> bool:
        """Take one more sample and say whether all has held for long enough; ``lacks`` says what has not."""
        # Asked whether it is within, never whether it is beyond: what is not a number is not within.
        arrived = abs(sample.air_c - self._target_c) <= ARRIVED_K
        away = "" if arrived else f"the air has not come to {self._target_c:g} °C"
        self.lacks = self._sensors.dead(sample) or missing(self._rule, self._counted(sample)) or away
        if self.lacks:
            self._good_since_s = None
            return False
        if self._good_since_s is None:
            self._good_since_s = sample.elapsed_s
        return sample.elapsed_s - self._good_since_s >= self._hold_s

    def _counted(self, sample: Sample) -> Sample:
        return sample


class DryOutWatch(OpeningWatch):
    """As for the door, but too warm is no matter: a dry-out may be hotter than what is touched."""

    def _counted(self, sample: Sample) -> Sample:
        most_c = self._rule.warmest_c
        air_c, board_c, sensor_c = (
            value if value is None else min(value, most_c) for value in (sample.air_c, sample.board_c, sample.sensor_c)
        )
        return replace(sample, air_c=sample.air_c if air_c is None else air_c, board_c=board_c, sensor_c=sensor_c)


def missing(rule: OpeningRule, sample: Sample) -> str:
    """Why a door may not be opened at these temperatures; empty if it may."""
    named = {"air": sample.air_c, "board": sample.board_c, "second sensor": sample.sensor_c}
    known = {name: value for name, value in named.items() if value is not None}
    unknown = [name for name, value in known.items() if not math.isfinite(value)]
    if unknown:
        return f"the temperature of {unknown[0]} is not known"
    cold = [name for name, value in known.items() if value < rule.coldest_c]
    if cold:
        return f"{' and '.join(cold)} below {rule.coldest_c:.1f} °C"
    warm = [name for name, value in known.items() if value > rule.warmest_c]
    return f"{' and '.join(warm)} above {rule.warmest_c:.0f} °C" if warm else ""


def temperatures_text(rule: OpeningRule, sample: Sample) -> str:
    """The evidence in one line."""
    board = "no board thermometer" if sample.board_c is None else f"board {sample.board_c:z.1f} °C"
    sensor = "" if sample.sensor_c is None else f", second sensor {sample.sensor_c:z.1f} °C"
    dew = "room without dew point" if rule.dew_c is None else f"dew point {rule.dew_c:z.1f} °C"
    return f"air {sample.air_c:z.1f} °C, {board}{sensor}, {dew}"


def temperatures_facts(rule: OpeningRule, sample: Sample) -> dict[str, float | int | str | bool]:
    """The evidence in numbers."""
    named = {
        "air_temperature_c": sample.air_c,
        "board_temperature_c": sample.board_c,
        "sensor_temperature_c": sample.sensor_c,
        "dew_point_c": rule.dew_c,
        "lowest_c": rule.coldest_c,
        "highest_c": rule.warmest_c,
    }
    return {name: round(value, 3) for name, value in named.items() if value is not None and math.isfinite(value)}


def is_of_the_door(event: Event) -> bool:
    """Whether an event says something of the door, or makes what was said before void."""
    return event.kind in (SAFE, NOT_SAFE) or event.kind in _ANEW


def said_of_the_door(events: SequenceOf[Event]) -> Event | None:
    """The last word on the door in a run's events; None if nobody has said any since the run went on."""
    for event in reversed(events):
        if event.kind in (SAFE, NOT_SAFE):
            return event
        if event.kind in _ANEW:
            return None
    return None


def door_text(events: SequenceOf[Event]) -> str:
    """The last word on the door for people, with its local time; empty if there is none."""
    said = said_of_the_door(events)
    if said is None:
        return ""
    if said.kind == SAFE:
        return f"Chamber safe to open since {said.at.astimezone():%a %H:%M}: {said.text}"
    return f"{said.text[0].upper()}{said.text[1:]}"


def door_json(events: SequenceOf[Event]) -> dict[str, float | int | str | bool] | None:
    """Since when, and on which evidence, the chamber is safe to open; None if it is not or nobody knows."""
    said = said_of_the_door(events)
    if said is None or said.kind != SAFE:
        return None
    return {"since": said.at.isoformat(timespec="seconds"), **said.facts}
