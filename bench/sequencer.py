"""What comes next in a run: a table, and nothing else.

A run is always in one state; acting in it has one outcome; the pair names the next state. Whatever is not in the table
cannot happen. Resume is the same table, started with the conditions that are left. So is a retry after a fault: the
bench is made safe, the run pauses, and the bench is brought up again for the same conditions. A run that is held has RF
off, and goes on when somebody says so; one whose window is closed is safe until it opens.
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
    HOLDING = "holding"
    HELD = "held"
    CLOSING = "closing"
    AWAITING = "awaiting its window"
    STOPPING = "stopping"
    TRIPPING = "tripping"
    RETURNING = "returning to room temperature"
    RETURNING_STOPPED = "returning to room temperature, stopped"
    RETURNING_TRIPPED = "returning to room temperature, tripped"
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
    HOLD_ASKED = "hold asked, or an interlock says so"
    STILL_BIASED = "to go on, with the bias still on"
    CLOSED = "window closed"
    GIVEN_UP = "condition fails again and again, to be skipped"


#: Where a run comes to rest.
FINAL = frozenset({State.DONE, State.STOPPED, State.TRIPPED})

#: Ways to the safe state. On them a stop or a fault changes nothing: each step to safety is tried in any case.
TO_SAFETY = frozenset({State.SHUTTING_DOWN, State.STOPPING, State.TRIPPING})

#: RF and bias are off, and the chamber goes where it may be opened. How the run has ended is settled, unless an
#: interlock is broken; a wish to stop ends only the wait.
HOMEWARD = frozenset({State.RETURNING, State.RETURNING_STOPPED, State.RETURNING_TRIPPED})

_AT_WORK = frozenset(State) - FINAL - TO_SAFETY - HOMEWARD

#: Where instruments are spoken to, and a fault of one may be tried again. Retreating is not among them: what cannot be
#: made safe is not switched on again.
MAY_RETRY = _AT_WORK - {
    State.COMMITTING,
    State.RETREATING,
    State.PAUSING,
    State.HOLDING,
    State.HELD,
    State.CLOSING,
    State.AWAITING,
}

#: From where a run can be held. What has been read of a condition is either committed first or measured anew.
MAY_HOLD = frozenset(
    {State.BRINGING_UP, State.CHANGING, State.SOAKING, State.SETTLING, State.MEASURING, State.PAUSING, State.HELD}
)

#: Where no reading of a condition is in progress, so that a window that closes need not wait for one.
MAY_CLOSE = frozenset({State.BRINGING_UP, State.CHANGING, State.SOAKING, State.PAUSING, State.HELD})

#: Where no condition is in progress: here a wish to stop after one is due.
BETWEEN_CONDITIONS = frozenset({State.BRINGING_UP, State.CHANGING, State.PAUSING, State.HELD, State.AWAITING})

#: Where what fails may be the condition's own fault.
OF_THE_CONDITION = frozenset({State.CHANGING, State.SETTLING, State.MEASURING})

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
    (State.HOLDING, Outcome.READY): State.HELD,
    (State.HELD, Outcome.WAITING): State.HELD,
    (State.HELD, Outcome.READY): State.BRINGING_UP,
    (State.HELD, Outcome.STILL_BIASED): State.CHANGING,
    (State.CLOSING, Outcome.READY): State.AWAITING,
    (State.AWAITING, Outcome.WAITING): State.AWAITING,
    (State.AWAITING, Outcome.READY): State.BRINGING_UP,
    (State.SHUTTING_DOWN, Outcome.READY): State.RETURNING,
    (State.STOPPING, Outcome.READY): State.RETURNING_STOPPED,
    (State.TRIPPING, Outcome.READY): State.RETURNING_TRIPPED,
    (State.RETURNING, Outcome.READY): State.DONE,
    (State.RETURNING_STOPPED, Outcome.READY): State.STOPPED,
    (State.RETURNING_TRIPPED, Outcome.READY): State.TRIPPED,
    (State.RETURNING, Outcome.BROKEN): State.TRIPPING,
    (State.RETURNING_STOPPED, Outcome.BROKEN): State.TRIPPING,
    **{(state, Outcome.FAULT): State.RETREATING for state in MAY_RETRY},
    **{(state, Outcome.GIVEN_UP): State.RETREATING for state in OF_THE_CONDITION},
    **{(state, Outcome.CLOSED): State.CLOSING for state in MAY_CLOSE},
    # Another cause while it is held changes nothing.
    **{(state, Outcome.HOLD_ASKED): State.HOLDING for state in MAY_HOLD - {State.HELD}},
    (State.HELD, Outcome.HOLD_ASKED): State.HELD,
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
