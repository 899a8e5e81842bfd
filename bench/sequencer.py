"""What comes next in a run: a table, and nothing else.

A run is always in one state; acting in it has one outcome; the pair names the next state. Whatever is not in the table
cannot happen. Resume is the same table, started with the conditions that are left. So is a retry after a fault: the
bench is made safe, the run pauses, and the bench is brought up again for the same conditions.
"""

from __future__ import annotations

from enum import Enum


class State(Enum):
    """Where a run stands."""

    BRINGING_UP = "bringing up"
    CHANGING = "changing"
    SOAKING = "soaking"
    SETTLING = "settling"
    MEASURING = "measuring"
    COMMITTING = "committing"
    SHUTTING_DOWN = "shutting down"
    RETREATING = "retreating"
    PAUSING = "pausing"
    STOPPING = "stopping"
    TRIPPING = "tripping"
    DONE = "done"
    STOPPED = "stopped"
    TRIPPED = "tripped"


class Outcome(Enum):
    """What acting in a state led to."""

    READY = "ready"
    SOAK_NEEDED = "soak needed"
    WAITING = "waiting"
    MORE = "more conditions"
    LAST = "last condition"
    FAULT = "instrument failed, to be tried again"
    BROKEN = "interlock broken, or instrument failed for good"
    STOP_ASKED = "stop asked"


#: Where a run comes to rest.
FINAL = frozenset({State.DONE, State.STOPPED, State.TRIPPED})

#: Ways to the safe state. On them a stop or a fault changes nothing: each step to safety is tried in any case.
TO_SAFETY = frozenset({State.SHUTTING_DOWN, State.STOPPING, State.TRIPPING})

_AT_WORK = frozenset(State) - FINAL - TO_SAFETY

#: Where instruments are spoken to, and a fault of one may be tried again. Retreating is not among them: what cannot be
#: made safe is not switched on again.
MAY_RETRY = _AT_WORK - {State.COMMITTING, State.RETREATING, State.PAUSING}

NEXT: dict[tuple[State, Outcome], State] = {
    (State.BRINGING_UP, Outcome.MORE): State.CHANGING,
    (State.BRINGING_UP, Outcome.LAST): State.SHUTTING_DOWN,
    (State.CHANGING, Outcome.SOAK_NEEDED): State.SOAKING,
    (State.CHANGING, Outcome.READY): State.SETTLING,
    (State.SOAKING, Outcome.WAITING): State.SOAKING,
    (State.SOAKING, Outcome.READY): State.SETTLING,
    (State.SETTLING, Outcome.READY): State.MEASURING,
    (State.MEASURING, Outcome.READY): State.COMMITTING,
    (State.COMMITTING, Outcome.MORE): State.CHANGING,
    (State.COMMITTING, Outcome.LAST): State.SHUTTING_DOWN,
    (State.RETREATING, Outcome.READY): State.PAUSING,
    (State.PAUSING, Outcome.READY): State.BRINGING_UP,
    (State.SHUTTING_DOWN, Outcome.READY): State.DONE,
    (State.STOPPING, Outcome.READY): State.STOPPED,
    (State.TRIPPING, Outcome.READY): State.TRIPPED,
    **{(state, Outcome.FAULT): State.RETREATING for state in MAY_RETRY},
    **{(state, Outcome.BROKEN): State.TRIPPING for state in _AT_WORK},
    **{(state, Outcome.STOP_ASKED): State.STOPPING for state in _AT_WORK},
}


class ImpossibleStep(RuntimeError):
    """A state was left in a way that the table does not know: a mistake of ours, please report it."""


def next_state(state: State, outcome: Outcome) -> State:
    """The state that follows; raises ImpossibleStep and changes nothing if the table has no such row."""
    try:
        return NEXT[state, outcome]
    except KeyError:
        raise ImpossibleStep(f"no step from {state.value!r} on {outcome.value!r}") from None
