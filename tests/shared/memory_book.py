"""A RunBook that keeps everything in memory: shared by the tests of the loop."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from bench.events import Event
from bench.job import RunState
from bench.store.curves import Curve
from drivers.messages import Exchange
from drivers.roles import Identity


class Committed(NamedTuple):
    """One condition as it was committed."""

    number: int
    readings: tuple[Mapping[str, float], ...]
    exchanges: tuple[Exchange, ...]
    flag: str


@dataclass
class MemoryBook:
    """A RunBook that keeps everything; ``failing`` is asked before each entry and may raise."""

    conditions: list[Committed] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    loose: list[Exchange] = field(default_factory=list)
    known: dict[str, Identity] = field(default_factory=dict)
    states: list[RunState] = field(default_factory=list)
    curves: dict[int, tuple[Curve, ...]] = field(default_factory=dict)
    skipped: dict[int, str] = field(default_factory=dict)
    failing: Callable[[str], None] = lambda what: None

    def instruments(self, identities: Mapping[str, Identity]) -> None:
        self.failing("instruments")
        self.known.update(identities)

    def complete_condition(
        self,
        number: int,
        readings: Sequence[Mapping[str, float]],
        exchanges: Sequence[Exchange],
        flag: str,
        curves: Sequence[Curve] = (),
    ) -> None:
        self.failing("condition")
        self.curves[number] = tuple(curves)
        self.conditions.append(Committed(number, tuple(readings), tuple(exchanges), flag))

    def skip_condition(self, number: int, reason: str) -> None:
        self.failing("skip")
        self.skipped[number] = reason

    def event(self, event: Event) -> None:
        self.failing(f"event {event.kind}")
        self.events.append(event)

    def exchanges(self, exchanges: Sequence[Exchange]) -> None:
        self.failing("exchanges")
        self.loose.extend(exchanges)

    def finish(self, state: RunState, exchanges: Sequence[Exchange]) -> None:
        self.failing("finish")
        self.states.append(state)
        self.loose.extend(exchanges)

    def numbers(self) -> list[int]:
        return [one.number for one in self.conditions]

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]
