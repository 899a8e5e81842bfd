"""Rules that are watched all the time: newest values in, broken rules out.

Pure. Limits come from the part, the bench and the sequence; a bench file may make them stricter. A value that is not
finite is itself a broken rule, since a sensor that says nothing must not look like one that says all is well.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from sequences.bench_file import Bench
from sequences.interlock_entry import Action, InterlockName
from sequences.part_file import Part, SupplyMode
from sequences.units import duration_text, split_key

#: A supply that limits the current lets its voltage fall. Ours: lead drop stays below this part of it.
SAG = 0.05


@dataclass(frozen=True, slots=True)
class Watch:
    """One watched quantity and the range that it must stay in, ends included."""

    quantity: str
    unit: str
    lowest: float
    highest: float
    reason: str

    def holds(self, value: float) -> bool:
        """Whether ``value`` is a number within the range."""
        # A small allowance below zero: a meter's offset around no current is not a fault.
        slack = 1e-3 if self.lowest == 0.0 else 0.0
        return math.isfinite(value) and self.lowest - slack <= value <= self.highest

    @property
    def allowed(self) -> str:
        """The range in words."""
        if self.lowest == -math.inf:
            return f"at most {self.highest:.4g} {self.unit}"
        if self.highest == math.inf:
            return f"at least {self.lowest:.4g} {self.unit}"
        return f"{self.lowest:.4g} … {self.highest:.4g} {self.unit}"


@dataclass(frozen=True, slots=True)
class Broken:
    """A broken rule: what, found, allowed, why."""

    watch: Watch
    found: float

    def __str__(self) -> str:
        watch = self.watch
        name = split_key(watch.quantity)[0].removesuffix("_mb").replace("_", " ")
        return f"{name}: found {self.found:.4g} {watch.unit}, allowed {watch.allowed} ({watch.reason})"


@dataclass(frozen=True, slots=True)
class Interlock:
    """A rule with what follows when it is broken.

    Attributes:
        name: How a bench file calls it.
        watch: Its range; of a rule that follows the supply mode, that of no mode.
        polls: How many looks in a row must have found it broken.
        persistence_s: How long it must have been broken, from the first of these looks to the last.
        action: What then happens.
        absolute: Whether beyond it something is damaged, so that no file may make it milder.
        own: The rule as it is by itself, where a file has put a pause before it: it goes on holding as well.
    """

    name: InterlockName
    watch: Watch
    polls: int = 1
    persistence_s: float = 0.0
    action: Action = "trip"
    absolute: bool = False
    own: Interlock | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """What a look has found for one rule.

    Attributes:
        name: The rule.
        value: The value, in the rule's unit; of what is so or is not, 1 or 0.
        said: What to tell if it is broken, where the range does not tell it.
        place: Where, of a rule that holds at several places.
        watch: The range, where it is not always the same.
    """

    name: InterlockName
    value: float
    said: str = ""
    place: str = ""
    watch: Watch | None = None


@dataclass(frozen=True, slots=True)
class Breach:
    """A rule that has been broken for as long as it takes to act."""

    interlock: Interlock
    watch: Watch
    found: Found
    since_s: float
    lasted_s: float

    def __str__(self) -> str:
        text = self.found.said or str(Broken(self.watch, self.found.value))
        return f"{text}, for {duration_text(self.lasted_s)}" if self.lasted_s > 0 else text


@dataclass(slots=True)
class _Streak:
    """Looks in a row that found one rule broken."""

    began_s: float
    polls: int = 0
    is_told: bool = False


class Judge:
    """Tells which rules have been broken for as long as each must be; keeps how long that is.

    Args:
        rules: The rules by name; what is found for others is passed over.
    """

    def __init__(self, rules: dict[InterlockName, Interlock]) -> None:
        self._rules = rules
        self._streaks: dict[tuple[Interlock, str], _Streak] = {}

    def look(self, now_s: float, found: Iterable[Found]) -> tuple[Breach, ...]:
        """Take what a look has found, and return what is due now: each breach once, until its rule holds again."""
        pairs = [(rule, one) for one in found for rule in self._of(one.name)]
        return tuple(breach for rule, one in pairs if (breach := self._due(now_s, rule, one)) is not None)

    def forget(self) -> None:
        """The bench has been made safe: what was broken before begins anew."""
        self._streaks.clear()

    def _of(self, name: InterlockName) -> tuple[Interlock, ...]:
        rule = self._rules.get(name)
        return () if rule is None else (rule,) if rule.own is None else (rule, rule.own)

    def _due(self, now_s: float, rule: Interlock, one: Found) -> Breach | None:
        watch = one.watch or rule.watch
        key = (rule, one.place)
        if watch.holds(one.value):
            self._streaks.pop(key, None)
            return None
        streak = self._streaks.setdefault(key, _Streak(now_s))
        streak.polls += 1
        lasted_s = now_s - streak.began_s
        if streak.is_told or streak.polls < rule.polls or lasted_s < rule.persistence_s:
            return None
        streak.is_told = True
        return Breach(rule, watch, one, streak.began_s, lasted_s)


@dataclass(slots=True)
class _Fine:
    """Looks in a row that found a rule kept, the first and the last of them."""

    since_s: float
    until_s: float
    polls: int = 1


@dataclass(slots=True)
class Clearing:
    """The broken rules that a run is held for: which of them hold again, each for as long as it had to be broken."""

    _breaches: dict[tuple[str, str], Breach] = field(default_factory=dict)
    _fine: dict[tuple[str, str], _Fine | None] = field(default_factory=dict)

    def add(self, breach: Breach) -> None:
        """Hold for a broken rule; whether it holds again nobody knows until it has been looked at anew."""
        key = (breach.interlock.name, breach.found.place)
        self._breaches[key] = breach
        self._fine.pop(key, None)

    def look(self, now_s: float, found: Iterable[Found]) -> None:
        """Take what a look has found."""
        for one in found:
            key = (one.name, one.place)
            breach = self._breaches.get(key)
            if breach is None:
                continue
            before = self._fine.get(key)
            if not (one.watch or breach.interlock.watch).holds(one.value):
                self._fine[key] = None
            elif before is None:
                self._fine[key] = _Fine(now_s, now_s)
            else:
                before.until_s, before.polls = now_s, before.polls + 1

    def forget(self) -> None:
        """The run goes on."""
        self._breaches.clear()
        self._fine.clear()

    @property
    def breaches(self) -> tuple[Breach, ...]:
        """All that the run is held for."""
        return tuple(self._breaches.values())

    @property
    def broken(self) -> tuple[Breach, ...]:
        """What has been looked at since, and does not hold yet or not for long enough."""
        return tuple(breach for key, breach in self._breaches.items() if key in self._fine and not self._holds(key))

    @property
    def unseen(self) -> tuple[Breach, ...]:
        """What cannot be looked at while RF, or bias, is off, so that only a person can judge it."""
        return tuple(breach for key, breach in self._breaches.items() if key not in self._fine)

    def __bool__(self) -> bool:
        return bool(self._breaches)

    def _holds(self, key: tuple[str, str]) -> bool:
        rule, fine = self._breaches[key].interlock, self._fine[key]
        return fine is not None and fine.polls >= rule.polls and fine.until_s - fine.since_s >= rule.persistence_s


def watches(part: Part, bench: Bench) -> dict[str, Watch]:
    """Ratings of a part at a bench, by the name of the reading that they hold for."""
    ratings = part.absolute_maximum
    fixture = bench.fixture.temperature_c
    lowest_c = max(ratings.temperature_c.min, fixture.min)
    highest_c = min(ratings.temperature_c.max, fixture.max)
    rules = [
        Watch("supply_current_a", "A", 0.0, ratings.supply_current_a, "absolute maximum of the part"),
        Watch("supply_voltage_v", "V", 0.0, ratings.supply_v, "absolute maximum of the part"),
        Watch("board_temperature_c", "°C", lowest_c, highest_c, "ratings of part and fixture"),
    ]
    if bench.instrument.chamber is not None:
        span = bench.instrument.chamber.temperature_c
        rules.append(
            Watch(
                "air_temperature_c",
                "°C",
                max(span.min, fixture.min),
                min(span.max, fixture.max),
                "ratings of chamber and fixture",
            )
        )
        rules.append(Watch("sensor_temperature_c", "°C", lowest_c, highest_c, "ratings of part and fixture"))
    return {rule.quantity: rule for rule in rules}


def watches_of_mode(mode: SupplyMode) -> dict[str, Watch]:
    """Rules that hold while the unit is in a supply mode."""
    span, why = mode.plausible_current_a, f"supply mode {mode.name}"
    rules = (
        Watch("supply_voltage_v", "V", (1 - SAG) * mode.supply_v, (1 + SAG) * mode.supply_v, f"{why}; current limit?"),
        Watch("supply_current_a", "A", span.min, span.max, f"plausible in {why}"),
    )
    return {rule.quantity: rule for rule in rules}


def broken(rules: dict[str, Watch], values: dict[str, float]) -> tuple[Broken, ...]:
    """Ratings that ``values`` break; quantities that none holds for are passed over."""
    watched = ((rules[quantity], value) for quantity, value in values.items() if quantity in rules)
    return tuple(Broken(rule, value) for rule, value in watched if not rule.holds(value))
