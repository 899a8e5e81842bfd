"""The order in which conditions are run: what is dear to change changes seldom.

Axes are nested by the cost of one change, the dearest outermost. Inside each group the inner axes start with what is
set already, so that a sweep runs forth and back instead of jumping to its start. Two laws hold and are tested: the
result is a permutation, and it never costs more than the plain nested order.
"""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from typing import Any

from sequences.conditions import NAMED_AXES, Condition
from sequences.transitions import SETTLING_AXES, TransitionCosts, total_cost_s

#: Order of the axes whose change costs the same, outermost first: the more there is to move, the further out.
_BY_HABIT = ("supply_mode", "load_ohm", "frequency_hz", "tone_level_dbm", "channel", "gain_code")

#: Place of each value of each axis in a plain sweep.
_Ranks = dict[str, dict[Any, int]]


def nesting(costs: TransitionCosts) -> tuple[str, ...]:
    """Axes from the outermost to the innermost: temperature, then by falling cost of one change."""
    inner = sorted(SETTLING_AXES, key=lambda axis: (-costs.settle_s[axis], _BY_HABIT.index(axis)))
    return ("temperature_c", *inner)


def plain_order(conditions: SequenceOf[Condition], costs: TransitionCosts) -> tuple[Condition, ...]:
    """Conditions nested by the cost of a change, every axis rising, each sweep from its start.

    Names rank in the order of their first appearance.
    """
    ranks = _ranks(conditions)
    axes = nesting(costs)
    return tuple(sorted(conditions, key=lambda condition: [ranks[axis][getattr(condition, axis)] for axis in axes]))


def order(conditions: SequenceOf[Condition], costs: TransitionCosts) -> tuple[Condition, ...]:
    """Conditions in the cheapest order found: temperatures rising or falling, inner sweeps forth and back.

    The plain order is among the candidates, so the result never costs more than it.
    """
    rising = plain_order(conditions, costs)
    axes = nesting(costs)
    ranks = _ranks(conditions)
    candidates = [_forth_and_back(rising, axes, ranks, falling=falling) for falling in (False, True)]
    return min((*candidates, rising), key=lambda candidate: total_cost_s(candidate, costs))


def _ranks(conditions: SequenceOf[Condition]) -> _Ranks:
    ranks: _Ranks = {}
    for axis in ("temperature_c", *SETTLING_AXES):
        values = dict.fromkeys(getattr(condition, axis) for condition in conditions)
        ranks[axis] = {value: rank for rank, value in enumerate(values if axis in NAMED_AXES else sorted(values))}
    return ranks


def _forth_and_back(
    conditions: SequenceOf[Condition], axes: tuple[str, ...], ranks: _Ranks, *, falling: bool
) -> tuple[Condition, ...]:
    """Nested sweeps that each start at the end nearer to what is set; ``conditions`` come in plain order."""
    arranged: list[Condition] = []

    def arrange(group: SequenceOf[Condition], depth: int) -> None:
        if depth == len(axes):
            arranged.extend(group)
            return
        axis = axes[depth]
        by_value: dict[Any, list[Condition]] = {}
        for condition in group:
            by_value.setdefault(getattr(condition, axis), []).append(condition)
        values = list(by_value)
        if depth == 0:
            values = values[::-1] if falling else values
        elif arranged:
            values = _starting_near(values, getattr(arranged[-1], axis), ranks[axis])
        for value in values:
            arrange(by_value[value], depth + 1)

    arrange(conditions, 0)
    return tuple(arranged)


def _starting_near(rising: list[Any], standing: Any, ranks: dict[Any, int]) -> list[Any]:
    """``rising`` values from the end that is nearer to ``standing``; with it first, if an exclusion left it inside."""
    here = ranks[standing]
    if here - ranks[rising[0]] > ranks[rising[-1]] - here:
        rising = rising[::-1]
    if standing in rising:
        rising = [standing, *(value for value in rising if value != standing)]
    return rising
