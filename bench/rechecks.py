"""A few conditions measured once more as a run is resumed: has anything drifted across the break?

What they read is kept apart from the run's readings and never derived from. The differences between before and after
are what is told, each with its uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean, stdev

from bench.book import StoreBook
from bench.events import Event, Facts
from bench.job import RunState
from bench.store.curves import Curve
from drivers.messages import Exchange
from drivers.roles import Identity
from sequences.conditions import Condition

#: What a person or the acquisition has set, and what says how well something was read: no drift shows in these.
_SET = ("source_1_level_dbm", "source_2_level_dbm")
_ABOUT_READING = ("_scatter_db", "_attenuation_db", "_bandwidth_hz", "_points")

#: Probability that the interval of a difference covers it (JCGM 100:2008, G.1.3: of the order of 95 %).
_COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Drift:
    """How much a quantity reads higher after the break than before, in its unit, over all conditions.

    ``expanded`` is the half-width of the interval that covers 95 %; None where nothing tells it.
    """

    quantity: str
    difference: float
    expanded: float | None

    @property
    def is_clear(self) -> bool:
        """Whether the difference is more than its uncertainty."""
        return self.expanded is not None and abs(self.difference) > self.expanded

    def __str__(self) -> str:
        unit = _unit(self.quantity)
        bound = "its uncertainty is not known" if self.expanded is None else f"± {self.expanded:.2g}"
        return f"{self.quantity} by {self.difference:+.2g} {unit} ({bound})"


@dataclass(frozen=True, slots=True)
class Pair:
    """One condition's readings before and after, by quantity, one value for each repeat."""

    before: Mapping[str, Sequence[float]]
    after: Mapping[str, Sequence[float]]


def drifts(pairs: Sequence[Pair]) -> tuple[Drift, ...]:
    """Drift of every quantity that all conditions have before and after.

    From two conditions on, the differences' own spread is the uncertainty of their mean (type A, with Student's factor
    for one degree of freedom less than conditions: JCGM 100:2008, 4.2.3 and G.3). With one condition the spread of its
    repeats serves; without repeats nothing does.
    """
    if not pairs:
        return ()
    names = [
        name
        for name in pairs[0].before
        if name not in _SET
        and not name.endswith(_ABOUT_READING)
        and all(pair.before.get(name) and pair.after.get(name) for pair in pairs)
    ]
    return tuple(_drift(name, [(pair.before[name], pair.after[name]) for pair in pairs]) for name in names)


def _drift(name: str, values: Sequence[tuple[Sequence[float], Sequence[float]]]) -> Drift:
    differences = [fmean(after) - fmean(before) for before, after in values]
    if len(differences) > 1:
        standard, freedom = stdev(differences) / math.sqrt(len(differences)), len(differences) - 1
        return Drift(name, fmean(differences), _student(freedom) * standard)
    before, after = values[0]
    if min(len(before), len(after)) < 2:
        return Drift(name, differences[0], None)
    # The smaller number of repeats gives the degrees of freedom: never too many (JCGM 100:2008, G.4.1, its lower end).
    standard = math.hypot(stdev(before) / math.sqrt(len(before)), stdev(after) / math.sqrt(len(after)))
    return Drift(name, differences[0], _student(min(len(before), len(after)) - 1) * standard)


def _student(freedom: int) -> float:
    from scipy.stats import t  # heavy, and only a resumed run that rechecks needs it

    return float(t.ppf((1 + _COVERAGE) / 2, freedom))


def drift_text(found: Sequence[Drift], conditions: int) -> str:
    """One sentence for people: how many quantities have moved, and which the most."""
    noun = "condition" if conditions == 1 else "conditions"
    clear = [drift for drift in found if drift.is_clear]
    known = [drift for drift in found if drift.expanded is not None]
    told = f"{conditions} {noun} measured once more after the break; "
    if not known:
        largest = ", ".join(str(drift) for drift in found if drift.quantity.endswith("_level_dbm"))
        return told + (largest or "no quantity was read both times")
    if not clear:
        return told + f"none of {len(known)} quantities has moved by more than its uncertainty"
    clear.sort(key=lambda drift: abs(drift.difference) / (drift.expanded or math.inf), reverse=True)
    return told + f"{len(clear)} of {len(known)} quantities have moved: {', '.join(map(str, clear[:5]))}"


def chosen(
    conditions: Sequence[Condition], done: frozenset[int], left: Condition | None, wanted: int
) -> tuple[int, ...]:
    """Numbers of up to ``wanted`` conditions to measure once more, in run order; none if nothing is left to do.

    Those that were measured last at the temperature of the next condition, so that no soak is added; only if there are
    none, those that were measured last of all.
    """
    if left is None or wanted == 0:
        return ()
    alike = [number for number in sorted(done) if conditions[number].temperature_c == left.temperature_c]
    return tuple((alike or sorted(done))[-wanted:])


@dataclass
class RecheckBook:
    """A run's book that keeps what is measured once more apart, and tells the drift after the last of it.

    Attributes:
        book: Where everything else goes.
        numbers: Conditions that are measured once more, before the others.
        tell: Takes the event with the differences.
    """

    book: StoreBook
    numbers: frozenset[int]
    tell: Callable[[Event], None]
    _pairs: dict[int, Pair] = field(default_factory=dict)

    def complete_condition(
        self,
        number: int,
        readings: Sequence[Mapping[str, float]],
        exchanges: Sequence[Exchange],
        flag: str,
        curves: Sequence[Curve] = (),
    ) -> None:
        """Commit a condition, or what was read at it once more."""
        if number not in self.numbers:
            self.book.complete_condition(number, readings, exchanges, flag, curves)
            return
        before = self.book.recheck(number, readings, exchanges)
        after = {name: [values[name] for values in readings if name in values] for name in before}
        self._pairs[number] = Pair(before, after)
        self._tell_if_complete()

    def skip_condition(self, number: int, reason: str) -> None:
        """Commit that a condition was left out; one that is complete already stays so, and tells no drift."""
        if number not in self.numbers:
            self.book.skip_condition(number, reason)
            return
        self.numbers -= {number}
        self._tell_if_complete()

    def _tell_if_complete(self) -> None:
        if self._pairs and self._pairs.keys() == self.numbers:
            found = drifts(tuple(self._pairs.values()))
            at = self.book.now()
            self.tell(Event(at, "rechecked", drift_text(found, len(self._pairs)), _facts(found)))

    def instruments(self, identities: Mapping[str, Identity]) -> None:
        """As the book does."""
        self.book.instruments(identities)

    def event(self, event: Event) -> None:
        """As the book does."""
        self.book.event(event)

    def exchanges(self, exchanges: Sequence[Exchange]) -> None:
        """As the book does."""
        self.book.exchanges(exchanges)

    def finish(self, state: RunState, exchanges: Sequence[Exchange]) -> None:
        """As the book does."""
        self.book.finish(state, exchanges)


def _facts(found: Sequence[Drift]) -> Facts:
    """Every difference by its quantity, and its half-width where that is known."""
    facts: dict[str, float | int | str | bool] = {drift.quantity: drift.difference for drift in found}
    return facts | {f"{drift.quantity} U": drift.expanded for drift in found if drift.expanded is not None}


def _unit(quantity: str) -> str:
    from reports.frames import READINGS  # loads pandas

    unit = READINGS.get(quantity, "")
    return {"dBm": "dB", "°C": "K"}.get(unit, unit)  # differences
