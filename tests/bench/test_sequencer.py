"""The table of a run's states: row by row, and as a graph."""

from __future__ import annotations

import itertools

import pytest

from bench.sequencer import FINAL, HOMEWARD, NEXT, TO_SAFETY, ImpossibleStep, Outcome, State, next_state

WORKING = frozenset(State) - FINAL - TO_SAFETY - HOMEWARD
WORKING_BY_NAME = sorted(WORKING, key=lambda state: state.value)
TO_SAFETY_BY_NAME = sorted(TO_SAFETY, key=lambda state: state.value)
HOMEWARD_BY_NAME = sorted(HOMEWARD, key=lambda state: state.value)

#: What must happen when all goes well; written here by hand, apart from the table.
EXPECTED = [
    (State.BRINGING_UP, Outcome.MORE, State.CHANGING),
    (State.BRINGING_UP, Outcome.LAST, State.SHUTTING_DOWN),
    (State.CHANGING, Outcome.SOAK_NEEDED, State.SOAKING),
    (State.CHANGING, Outcome.READY, State.SETTLING),
    (State.SOAKING, Outcome.WAITING, State.SOAKING),
    (State.SOAKING, Outcome.READY, State.SETTLING),
    (State.SETTLING, Outcome.READY, State.MEASURING),
    (State.MEASURING, Outcome.READY, State.COMMITTING),
    (State.COMMITTING, Outcome.MORE, State.CHANGING),
    (State.COMMITTING, Outcome.LAST, State.SHUTTING_DOWN),
    (State.BRINGING_UP, Outcome.FAULT, State.RETREATING),
    (State.CHANGING, Outcome.FAULT, State.RETREATING),
    (State.SOAKING, Outcome.FAULT, State.RETREATING),
    (State.SETTLING, Outcome.FAULT, State.RETREATING),
    (State.MEASURING, Outcome.FAULT, State.RETREATING),
    (State.RETREATING, Outcome.READY, State.PAUSING),
    (State.PAUSING, Outcome.READY, State.BRINGING_UP),
    (State.CHANGING, Outcome.GIVEN_UP, State.RETREATING),
    (State.SETTLING, Outcome.GIVEN_UP, State.RETREATING),
    (State.MEASURING, Outcome.GIVEN_UP, State.RETREATING),
    (State.BRINGING_UP, Outcome.HOLD_ASKED, State.HOLDING),
    (State.CHANGING, Outcome.HOLD_ASKED, State.HOLDING),
    (State.SOAKING, Outcome.HOLD_ASKED, State.HOLDING),
    (State.SETTLING, Outcome.HOLD_ASKED, State.HOLDING),
    (State.MEASURING, Outcome.HOLD_ASKED, State.HOLDING),
    (State.PAUSING, Outcome.HOLD_ASKED, State.HOLDING),
    (State.HOLDING, Outcome.READY, State.HELD),
    (State.HELD, Outcome.HOLD_ASKED, State.HELD),
    (State.HELD, Outcome.WAITING, State.HELD),
    (State.HELD, Outcome.READY, State.BRINGING_UP),
    (State.HELD, Outcome.STILL_BIASED, State.CHANGING),
    (State.BRINGING_UP, Outcome.CLOSED, State.CLOSING),
    (State.CHANGING, Outcome.CLOSED, State.CLOSING),
    (State.SOAKING, Outcome.CLOSED, State.CLOSING),
    (State.PAUSING, Outcome.CLOSED, State.CLOSING),
    (State.HELD, Outcome.CLOSED, State.CLOSING),
    (State.CLOSING, Outcome.READY, State.AWAITING),
    (State.AWAITING, Outcome.WAITING, State.AWAITING),
    (State.AWAITING, Outcome.READY, State.BRINGING_UP),
    (State.SHUTTING_DOWN, Outcome.READY, State.RETURNING),
    (State.STOPPING, Outcome.READY, State.RETURNING_STOPPED),
    (State.TRIPPING, Outcome.READY, State.RETURNING_TRIPPED),
    (State.RETURNING, Outcome.READY, State.DONE),
    (State.RETURNING_STOPPED, Outcome.READY, State.STOPPED),
    (State.RETURNING_TRIPPED, Outcome.READY, State.TRIPPED),
    (State.RETURNING, Outcome.BROKEN, State.TRIPPING),
    (State.RETURNING_STOPPED, Outcome.BROKEN, State.TRIPPING),
    *((state, Outcome.BROKEN, State.TRIPPING) for state in WORKING_BY_NAME),
    *((state, Outcome.STOP_ASKED, State.STOPPING) for state in WORKING_BY_NAME),
]


def reach(begin: State, without: frozenset[State] = frozenset()) -> set[State]:
    """States that can follow from ``begin``, itself included, on ways that enter none of ``without``."""
    seen, todo = {begin}, [begin]
    while todo:
        here = todo.pop()
        for (state, _), following in NEXT.items():
            if state is here and following not in seen | without:
                seen.add(following)
                todo.append(following)
    return seen


@pytest.mark.parametrize(
    ("state", "outcome", "following"), EXPECTED, ids=lambda one: one.value if hasattr(one, "value") else None
)
def test_each_row_leads_where_it_should(state: State, outcome: Outcome, following: State) -> None:
    """One row, one step."""
    assert next_state(state, outcome) is following


def test_the_table_has_no_other_rows() -> None:
    """What is not wanted cannot happen."""
    assert {(state, outcome): following for state, outcome, following in EXPECTED} == NEXT


def test_every_step_that_the_table_lacks_raises() -> None:
    """An impossible step names where it began and on what, and the table is as it was."""
    before = dict(NEXT)
    missing = [pair for pair in itertools.product(State, Outcome) if pair not in NEXT]
    for state, outcome in missing:
        with pytest.raises(ImpossibleStep, match=f"'{state.value}' on '{outcome.value}'"):
            next_state(state, outcome)

    assert missing
    assert before == NEXT


@pytest.mark.parametrize("state", WORKING_BY_NAME, ids=str)
def test_every_working_state_can_trip_and_can_stop(state: State) -> None:
    """There is no moment at which a broken interlock or a wish to stop has no way to go."""
    assert next_state(state, Outcome.BROKEN) is State.TRIPPING
    assert next_state(state, Outcome.STOP_ASKED) is State.STOPPING


@pytest.mark.parametrize("state", TO_SAFETY_BY_NAME, ids=str)
def test_a_way_to_safety_has_one_end_and_cannot_be_left(state: State) -> None:
    """A second stop or fault on the way changes nothing: the only row is the one that ends it."""
    rows = {outcome: following for (here, outcome), following in NEXT.items() if here is state}

    assert set(rows) == {Outcome.READY}
    assert rows[Outcome.READY] in HOMEWARD


@pytest.mark.parametrize("state", HOMEWARD_BY_NAME, ids=str)
def test_a_return_to_room_temperature_never_leads_back_to_work(state: State) -> None:
    """It is left for the end that was settled before it, or to the trip; after a trip only for that end."""
    rows = {outcome: following for (here, outcome), following in NEXT.items() if here is state}

    assert reach(state) <= HOMEWARD | TO_SAFETY | FINAL
    assert rows.pop(Outcome.READY) in FINAL
    assert rows == ({} if state is State.RETURNING_TRIPPED else {Outcome.BROKEN: State.TRIPPING})


def test_every_state_is_reached_from_bringing_up() -> None:
    """The table has no dead rows."""
    assert reach(State.BRINGING_UP) == set(State)


@pytest.mark.parametrize("state", WORKING_BY_NAME, ids=str)
def test_no_run_comes_to_rest_without_passing_a_way_to_safety(state: State) -> None:
    """With the three ways to safety taken out of the graph, no final state can be reached from any working one."""
    assert reach(state, without=TO_SAFETY).isdisjoint(FINAL)
    assert reach(state) & FINAL


def test_final_states_have_no_step_out() -> None:
    """A run that is over stays over; going on is a new run of the same table."""
    assert [state for state, _ in NEXT if state in FINAL] == []


def test_measuring_is_followed_only_by_committing_or_safety() -> None:
    """Readings are either committed or dropped with the condition; none goes on to the next condition."""
    assert {following for (state, _), following in NEXT.items() if state is State.MEASURING} == {
        State.COMMITTING,
        State.RETREATING,
        State.HOLDING,
        State.TRIPPING,
        State.STOPPING,
    }


def test_a_hold_has_switched_off_before_it_waits_and_nothing_is_measured_without_settling_after_it() -> None:
    """The way into the wait leads through switching off; the ways out of it through bring-up, or settings anew."""
    into = {state for (state, _), following in NEXT.items() if following is State.HELD} - {State.HELD}
    out = {following for (state, _), following in NEXT.items() if state is State.HELD} - {State.HELD}

    assert into == {State.HOLDING}
    assert out == {State.BRINGING_UP, State.CHANGING, State.CLOSING, State.TRIPPING, State.STOPPING}
    assert (State.COMMITTING, Outcome.HOLD_ASKED) not in NEXT


def test_while_the_window_is_closed_the_only_way_back_to_work_is_bring_up() -> None:
    """And into the wait for it leads only what makes the whole bench safe."""
    into = {state for (state, _), following in NEXT.items() if following is State.AWAITING} - {State.AWAITING}
    out = {following for (state, _), following in NEXT.items() if state is State.AWAITING} - {State.AWAITING}

    assert into == {State.CLOSING}
    assert out == {State.BRINGING_UP, State.TRIPPING, State.STOPPING}


def test_a_retry_passes_the_safe_state_and_a_pause_and_begins_at_bring_up() -> None:
    """Between a fault and the next attempt the bench is safe; nothing leads from a fault straight back to work."""
    ways = {(state, following) for (state, outcome), following in NEXT.items() if outcome is Outcome.FAULT}
    out_of_pause = {following for (state, _), following in NEXT.items() if state is State.PAUSING}

    assert {following for _, following in ways} == {State.RETREATING}
    assert next_state(State.RETREATING, Outcome.READY) is State.PAUSING
    assert out_of_pause == {State.BRINGING_UP, State.TRIPPING, State.STOPPING, State.HOLDING, State.CLOSING}


def test_what_cannot_be_made_safe_is_not_tried_again() -> None:
    """From the retreat a failure leads to the trip, and none of its ways leads straight back to bring-up."""
    assert next_state(State.RETREATING, Outcome.BROKEN) is State.TRIPPING
    assert (State.RETREATING, Outcome.FAULT) not in NEXT
    assert (State.PAUSING, Outcome.FAULT) not in NEXT
