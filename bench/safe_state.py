"""The way to the safe state: RF off, then bias off, then chamber to its idle setting.

Each step is tried whatever the one before did; each is confirmed by reading back. Doing it twice is harmless.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

from bench.places import Places
from drivers.errors import InstrumentError
from drivers.roles import Chamber, Instrument

#: Numbers of query errors (SCPI-1999, volume 2, 21.8, from a quotation).
QUERY_ERRORS = (-499, -400)


#: A set point that is read back may differ by half of a whole kelvin, the coarsest step of a controller. Ours.
IDLE_WITHIN_K = 0.5


BIAS_OFF = "bias off"
STILL_ON = "it reads back as still on"

#: Between telling RF to be off and telling bias. Each instrument has a line of its own and acknowledges nothing, so
#: without a pause the later word may arrive first. Ours: far longer than a message is under way on a bench's network,
#: and short against what an over-current does.
RF_BEFORE_BIAS_S = 0.05

Sleep = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class SafeStep:
    """One step of the way: what was done, and why it could not be confirmed (empty if it was)."""

    name: str
    problem: str = ""

    @property
    def confirmed(self) -> bool:
        """Whether the instrument read back as safe."""
        return not self.problem


def make_safe(places: Places, idle_c: float | None = None, *, sleep: Sleep) -> tuple[SafeStep, ...]:
    """Take all energy away, in order, then confirm it; returns every step. Raises for no instrument.

    A chamber is safe when it has stopped or, where ``idle_c`` is given, conditions towards that. ``sleep`` waits on the
    run's clock.

    Nothing is asked before everything has been told: an instrument that does not answer must not keep the rest on.
    """
    todo: list[tuple[str, Callable[[], None], Callable[[], str]]] = []
    for name, _, output in _outputs(places):
        todo.append((name, output.make_safe, partial(_still_on, output)))
    if places.chamber is not None:
        todo.append(("chamber to idle", places.chamber.make_safe, partial(_not_idle, places.chamber, idle_c)))
    if places.analyzer is not None:
        name = "analyzer to its highest attenuation"
        todo.append((name, places.analyzer.make_safe, partial(_refused, places.analyzer)))
    problems: list[str] = []
    for name, act, _ in todo:
        if name == BIAS_OFF and problems:
            _tried(partial(sleep, RF_BEFORE_BIAS_S))  # a clock that fails must not keep the bias on
        problems.append(_tried(act))
    return tuple(
        SafeStep(name, problem or _tried(confirm)) for (name, _, confirm), problem in zip(todo, problems, strict=True)
    )


def outputs_of(places: Places) -> dict[str, str]:
    """Places that give energy to the unit, by the step that switches them off, in that order."""
    return {name: place for name, place, _ in _outputs(places)}


def found_on(places: Places, failures: list[InstrumentError] | None = None) -> tuple[str, ...]:
    """Places whose output is on, for the record before the first safe state of a run; raises for no instrument.

    For after all have said who they are: one that does not answer is left off the list, and its error is added to
    ``failures``, to be acted on when all has been told to be off.
    """
    found = []
    for _, place, output in _outputs(places):
        try:
            if output.output_is_on():
                found.append(place)
        except InstrumentError as error:
            if failures is not None:
                failures.append(error)
    return tuple(found)


def unconfirmed(steps: tuple[SafeStep, ...]) -> tuple[str, ...]:
    """The steps that could not be confirmed, each with its reason."""
    return tuple(f"{step.name}: {step.problem}" for step in steps if not step.confirmed)


def _outputs(places: Places) -> list[tuple[str, str, Any]]:
    """What gives energy to the unit, in the order in which it is switched off: step, place, driver."""
    outputs: list[tuple[str, str, Any]] = [(f"RF of {place} off", place, source) for place, source in places.sources()]
    outputs.append(("noise source off", "noise_source", places.noise_source))
    outputs.append(("RF of network_analyzer off", "network_analyzer", places.network_analyzer))
    outputs.append((BIAS_OFF, "supply", places.supply))
    return [named for named in outputs if named[2] is not None]


def _still_on(output: Any) -> str:
    return STILL_ON if output.output_is_on() else ""


def _not_idle(chamber: Chamber, idle_c: float | None) -> str:
    """What a chamber still does: one that ignores a set point without a word heats on towards the last one."""
    refused = _refused(chamber)
    if refused or not chamber.conditioning_is_on():
        return refused
    target_c = chamber.target_c()
    if idle_c is None:
        return f"it still conditions, towards {target_c:g} °C"
    if not abs(target_c - idle_c) <= IDLE_WITHIN_K:
        return f"it conditions towards {target_c:g} °C instead of its idle {idle_c:g} °C"
    return ""


def _refused(instrument: Instrument) -> str:
    """What the instrument would not do. Query errors are not counted: breaking off a sweep leaves one, and is meant."""
    entries = instrument.drain_errors()
    return "; ".join(
        f"{entry.number}, {entry.text}" for entry in entries if not QUERY_ERRORS[0] <= entry.number <= QUERY_ERRORS[1]
    )


def _tried(act: Callable[[], str | None]) -> str:
    """What went wrong; empty if nothing did."""
    try:
        return act() or ""
    except InstrumentError as error:
        return str(error)
    except Exception as error:  # noqa: BLE001 - a mistake in one driver must not keep the bias on behind it
        return f"{type(error).__name__}: {error}"
