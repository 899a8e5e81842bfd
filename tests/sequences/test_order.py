"""The order of conditions: a permutation, never dearer than a plain sweep."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise, product

from hypothesis import given, settings
from hypothesis import strategies as st

from sequences.conditions import Condition, expand
from sequences.order import nesting, order, plain_order
from sequences.read_files import demo_file, read_setup
from sequences.transitions import SoakModel, TransitionCosts, total_cost_s

SETUP = read_setup(demo_file("overnight.sequence.toml"))
COSTS = TransitionCosts.of(SETUP.bench.model, SETUP.sequence.model)

CONDITIONS = st.builds(
    Condition,
    channel=st.sampled_from("AB"),
    gain_code=st.integers(0, 4),
    temperature_c=st.sampled_from([-40.0, 0.0, 25.0, 85.0]),
    supply_mode=st.sampled_from(["nominal", "low power"]),
    load_ohm=st.sampled_from([100.0, 200.0]),
    tone_level_dbm=st.sampled_from([0.0, 3.0, 6.0]),
    frequency_hz=st.sampled_from([45e6, 60e6]),
)
SETTLE = st.fixed_dictionaries({axis: st.sampled_from([0.0, 0.01, 0.1, 1.0]) for axis in COSTS.settle_s})
SOAK = SETUP.sequence.model.soak


@st.composite
def _costs(draw: st.DrawFn) -> TransitionCosts:
    soak = st.builds(SoakModel, st.floats(0.01, 0.5), st.floats(1.0, 1000.0), st.just(SOAK))
    return TransitionCosts(
        draw(SETTLE), draw(st.one_of(st.none(), soak)), draw(st.floats(-20, 60)), draw(st.floats(-20, 60))
    )


@settings(deadline=None)
@given(conditions=st.lists(CONDITIONS, max_size=60, unique=True), costs=_costs())
def test_an_order_is_a_permutation_that_costs_no_more_than_the_plain_one(
    conditions: list[Condition], costs: TransitionCosts
) -> None:
    """Both laws, whatever the conditions, the settle times and the chamber."""
    ordered = order(conditions, costs)

    assert Counter(ordered) == Counter(conditions)
    assert total_cost_s(ordered, costs) <= total_cost_s(plain_order(conditions, costs), costs)


@settings(deadline=None)
@given(conditions=st.lists(CONDITIONS, max_size=40, unique=True), seed=st.integers(0, 9))
def test_each_temperature_is_visited_once_and_in_one_direction(conditions: list[Condition], seed: int) -> None:
    """However the conditions come, temperatures rise or fall over the whole run."""
    random.Random(seed).shuffle(conditions)

    visited = list(dict.fromkeys(condition.temperature_c for condition in order(conditions, COSTS)))
    changes = sum(a.temperature_c != b.temperature_c for a, b in pairwise(order(conditions, COSTS)))

    assert visited in (sorted(visited), sorted(visited, reverse=True))
    assert changes == max(0, len(visited) - 1)


def test_axes_are_nested_by_the_cost_of_a_change() -> None:
    """Temperature outermost, then falling cost; equal costs keep frequency, level and code in this order."""
    axes = nesting(COSTS)
    inner = [COSTS.settle_s[axis] for axis in axes[1:]]

    assert axes[:3] == ("temperature_c", "supply_mode", "load_ohm")
    assert inner == sorted(inner, reverse=True)
    assert axes[-3:] == ("frequency_hz", "tone_level_dbm", "gain_code")


def test_a_full_grid_is_swept_forth_and_back() -> None:
    """Without exclusions each step changes one axis only: the fewest changes there can be."""
    grid = [
        Condition(channel, code, 25.0, mode, 200.0, level, 60e6)
        for channel, code, mode, level in product("AB", range(4), ("nominal", "low power"), (0.0, 3.0, 6.0))
    ]

    ordered = order(grid, COSTS)

    rows = [tuple(condition.as_dict().values()) for condition in ordered]
    changes = [sum(a != b for a, b in zip(row, after, strict=True)) for row, after in pairwise(rows)]
    assert set(changes) == {1}


def test_a_sweep_begins_with_what_an_exclusion_left_standing_inside_it() -> None:
    """Only 3 dBm into 100 Ω, three levels into 200 Ω: the second load begins at 3 dBm, which is set already."""
    into_100 = Condition("A", 0, 25.0, "nominal", 100.0, 3.0, 60e6)
    into_200 = [Condition("A", 0, 25.0, "nominal", 200.0, level, 60e6) for level in (0.0, 3.0, 6.0)]

    ordered = order([into_100, *into_200], COSTS)

    assert [condition.tone_level_dbm for condition in ordered] == [3.0, 3.0, 0.0, 6.0]


def test_temperatures_take_the_shorter_way_from_the_room_and_back_to_idle() -> None:
    """From 23 to 25 °C the way by −40 and then +85 is 248 K long, the other 252 K; idle in the heat turns it round.

    The night of the demo therefore ends warm, with a dry board.
    """
    conditions = [Condition("A", 0, temperature, "nominal", 200.0, 3.0, 60e6) for temperature in (-40.0, 25.0, 85.0)]
    cold_idle = TransitionCosts(COSTS.settle_s, COSTS.soak, 60.0, -30.0)

    assert [condition.temperature_c for condition in order(conditions, COSTS)] == [-40.0, 25.0, 85.0]
    assert [condition.temperature_c for condition in order(conditions, cold_idle)] == [85.0, 25.0, -40.0]


def test_the_reference_night_needs_no_more_mode_changes_than_temperatures() -> None:
    """With two modes at each of seven temperatures, reversing leaves one change inside each temperature."""
    conditions = order(expand(SETUP.sequence.model, SETUP.part.model, SETUP.bench.model), COSTS)

    assert sum(a.supply_mode != b.supply_mode for a, b in pairwise(conditions)) == 7


def test_the_order_of_nothing_is_nothing() -> None:
    """No condition at all is no error here."""
    assert order((), COSTS) == ()
