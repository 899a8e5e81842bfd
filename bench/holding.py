"""A run that is held: RF off, bias as the sequence says, watched, until somebody lets it go on.

The chamber is left as it is, so that a unit that has soaked need not do so again; a person who wants to open it stops
the run instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

from bench.events import EventKind, Facts
from bench.flow import Flow
from bench.hearing import Wishes
from bench.places import Places
from bench.safe_state import SafeStep, make_safe
from bench.sequencer import Outcome
from bench.watchkeeping import Situation, Watchkeeper
from drivers.timing import Clock
from sequences.conditions import Condition
from sequences.units import duration_text

#: How long a hold waits between two looks at what people wish. Ours: short against a person's patience.
HOLD_LOOK_S = 0.5


class Say(Protocol):
    """Says an event."""

    def __call__(self, kind: EventKind, text: str, facts: Facts | None = None) -> None:
        """Say it."""
        ...


@dataclass
class Holding:
    """What a held run does; its loop asks it.

    Attributes:
        is_biased: Whether the hold in progress has left the bias on.
    """

    places: Places
    clock: Clock
    stop: Wishes
    flow: Flow
    watchkeeper: Watchkeeper
    say: Say
    wait: Callable[[float], None]
    is_biased: bool = False

    def quieten(self, *, keeps_bias: bool) -> tuple[SafeStep, ...]:
        """Take RF away, and bias too unless it is to stay; returns the steps, confirmed or not."""
        self.is_biased = keeps_bias
        kept = {"chamber": None} | ({"supply": None} if keeps_bias else {})
        return make_safe(replace(self.places, **kept), sleep=self.clock.sleep)

    def begin(self, standing: Condition | None) -> None:
        """RF is off: the hold begins, because of an interlock or because a person asked."""
        cause = "; ".join(map(str, self.watchkeeper.clearing.breaches))
        self.flow.begins_to_hold()
        bias = "bias stays on" if self.is_biased else "bias off"
        chamber = ""
        if self.places.chamber is not None and standing is not None:
            chamber = f", the chamber stays at {standing.temperature_c:g} °C"
        why = f"interlock: {cause}" if cause else self._asked
        self.say("paused", f"{why}; RF off, {bias}{chamber}", {"bias": self.is_biased, "by": cause or self.stop.by})

    def hold(self, at: Situation) -> Outcome:
        """Watch, and wait a little. Raises what a look raises."""
        if self.flow.has_held_too_long():
            return Outcome.STOP_ASKED
        self.watchkeeper.look_if_due(at)
        clearing = self.watchkeeper.clearing
        broken = bool(clearing.broken)
        if self.flow.refuses(broken=broken):
            left = "; ".join(map(str, clearing.broken))
            self.say("interlock", f"cannot go on yet, this does not hold again: {left}", {"by": self.stop.by})
        if self.flow.is_over(asked_by_interlock=bool(clearing), broken=broken, unseen=bool(clearing.unseen)):
            self._go_on()
            return Outcome.STILL_BIASED if self.is_biased else Outcome.READY
        if self.stop.hold and self.stop.patience is not None:
            self.stop.patience.sleep(HOLD_LOOK_S)
        self.wait(HOLD_LOOK_S)
        return Outcome.WAITING

    def _go_on(self) -> None:
        lasted_s = self.flow.held_s()
        by_itself = bool(self.watchkeeper.clearing) and not self.flow.was_told_to_go_on
        why = "the interlock holds again" if by_itself else self._asked
        self.say("going on", f"{why}, after {duration_text(lasted_s)}", {"held_s": round(lasted_s, 1)})
        self.watchkeeper.clearing.forget()
        self.watchkeeper.forget()
        self.watchkeeper.rested(lasted_s)

    @property
    def _asked(self) -> str:
        return f"asked {self.stop.by}" if self.stop.by else "asked by the user"
