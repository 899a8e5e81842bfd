"""Groups along an axis and what is combined from them, against plain loops."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reports.errors import ShapeFault
from reports.frames import AXES
from reports.grouped import Groups, combined, covariance
from reports.partners import Grid
from reports.uncertainty import EMPTY, Cause, Uncertain, linear

CHANNELS, CODES = 3, 4
ROWS = CHANNELS * CODES


def _grid() -> Grid:
    every: dict[str, tuple[object, ...]] = dict.fromkeys(AXES, (0.0,))
    every |= {"channel": tuple("ABC"), "gain_code": tuple(range(CODES))}
    return Grid.of(pd.DataFrame(list(itertools.product(*(every[axis] for axis in AXES))), columns=list(AXES)))


GRID = _grid()
KEY = GRID.axis("gain_code")


@st.composite
def columns(draw: st.DrawFn) -> Uncertain:
    """Twelve rows with two causes of one or two draws each, out of five, and numbered as the rows are."""
    numbers = st.floats(-10.0, 10.0)
    causes = {}
    for name, slots in (("one", 1), ("two", 2)):
        contribution = np.array(draw(st.lists(numbers, min_size=ROWS * slots, max_size=ROWS * slots)))
        instance = [draw(st.lists(st.integers(0, 4), min_size=slots, max_size=slots, unique=True)) for _ in range(ROWS)]
        known = np.arange(1.0, ROWS * slots + 1).reshape(ROWS, slots)
        causes[name] = Cause(contribution.reshape(ROWS, slots), np.array(instance), standard=known)
    return Uncertain.of(np.array(draw(st.lists(numbers, min_size=ROWS, max_size=ROWS))), causes)


def _groups(there: list[bool], least: int = 1) -> Groups:
    return Groups.along(GRID, "gain_code", KEY, np.array(there), least=least)


@settings(deadline=None)
@given(st.lists(st.booleans(), min_size=ROWS, max_size=ROWS), st.integers(1, 4))
def test_groups_hold_what_is_there_and_nothing_else(there: list[bool], least: int) -> None:
    """Each channel with at least so many codes is a group, its rows by rising code, filled places first."""
    groups = _groups(there, least)
    plain = [[row for row in range(ROWS) if there[row] and row // CODES == channel] for channel in range(CHANNELS)]
    expected = [rows for rows in plain if len(rows) >= least]

    assert [list(rows[filled]) for rows, filled in zip(groups.rows, groups.filled, strict=True)] == expected
    assert groups.first.tolist() == [rows[0] for rows in expected]
    assert groups.last.tolist() == [rows[-1] for rows in expected]
    assert np.all(np.diff(groups.filled.astype(int), axis=1) <= 0)
    pairs = [pair for rows in expected for pair in itertools.pairwise(rows)]
    if expected:
        assert list(zip(*(side.tolist() for side in groups.neighbours()), strict=True)) == pairs


@settings(deadline=None)
@given(
    st.lists(st.floats(-5.0, 5.0), min_size=ROWS, max_size=ROWS), st.lists(st.booleans(), min_size=ROWS, max_size=ROWS)
)
def test_extremes_are_those_of_the_members(values: list[float], there: list[bool]) -> None:
    """Unfilled places never win."""
    groups, value = _groups(there), np.array(values)

    for rows, filled, high, low in zip(
        groups.rows, groups.filled, groups.highest(value), groups.lowest(value), strict=True
    ):
        assert value[high] == value[rows[filled]].max()
        assert value[low] == value[rows[filled]].min()


@settings(deadline=None)
@given(
    columns(),
    st.lists(st.booleans(), min_size=ROWS, max_size=ROWS),
    st.lists(st.floats(-3.0, 3.0), min_size=8, max_size=8),
)
def test_a_combination_is_the_sum_of_its_terms_draw_by_draw(
    quantity: Uncertain, there: list[bool], numbers: list[float]
) -> None:
    """Against ``linear`` on single rows, in value and uncertainty; two results per group share their draws."""
    groups = _groups(there)
    longest = groups.rows.shape[1]
    weights = np.zeros((len(groups), 2, longest))
    for number, place in itertools.product(range(len(groups)), range(longest)):
        if groups.filled[number, place]:
            weights[number, :, place] = numbers[place], numbers[4 + place]
    result = combined(quantity, groups, weights)

    assert len(result) == 2 * len(groups)
    for number, which in itertools.product(range(len(groups)), range(2)):
        rows = groups.rows[number][groups.filled[number]]
        terms = [(weights[number, which, place], quantity.take(np.array([row]))) for place, row in enumerate(rows)]
        expected = linear(terms)
        assert result.value[2 * number + which] == pytest.approx(expected.value[0], abs=1e-9)
        assert result.standard[2 * number + which] == pytest.approx(expected.standard[0], abs=1e-9)
    if len(groups):
        both = result.take(np.array([0])) - result.take(np.array([1]))
        apart = combined(quantity, groups, weights[:, :1] - weights[:, 1:])
        assert both.standard[0] == pytest.approx(apart.standard[0], abs=1e-9)


@settings(deadline=None, max_examples=40)
@given(columns())
def test_the_covariance_holds_the_squares_of_the_uncertainties_and_of_those_of_differences(quantity: Uncertain) -> None:
    """var(a − b) = var a + var b − 2 cov(a, b), for every pair of a group (JCGM 100:2008, 5.2.2)."""
    groups = _groups([True] * ROWS)
    matrix = covariance(quantity, groups)

    for number, (one, two) in itertools.product(range(len(groups)), itertools.product(range(CODES), repeat=2)):
        rows = groups.rows[number]
        apart = quantity.take(rows[[one]]) - quantity.take(rows[[two]])
        expected = matrix[number, one, one] + matrix[number, two, two] - 2 * matrix[number, one, two]
        assert apart.standard[0] ** 2 == pytest.approx(expected, abs=1e-8)


def test_what_describes_a_draw_follows_it() -> None:
    """Standard uncertainties and degrees of freedom of each draw, given per row, end with that draw."""
    number = np.arange(ROWS).reshape(-1, 1) % 5
    dof, known = number.astype(np.float64) + 1.0, number.astype(np.float64) + 10.0
    cause = Cause(np.ones((ROWS, 1)), number, dof=dof, standard=known)
    groups = _groups([True] * ROWS)
    result = combined(Uncertain.of(np.zeros(ROWS), {"draw": cause}), groups, np.ones((CHANNELS, 1, CODES))).causes[
        "draw"
    ]
    used = result.instance != EMPTY

    np.testing.assert_array_equal(np.broadcast_to(result.dof, used.shape)[used], result.instance[used] + 1.0)
    np.testing.assert_array_equal(np.broadcast_to(result.standard, used.shape)[used], result.instance[used] + 10.0)


def test_bounds_follow_their_sign_and_never_meet() -> None:
    """Minus "at most" is "at least"; "at most" and "at least" together leave nothing."""
    bound = np.zeros(ROWS, dtype=np.int8)
    bound[0] = -1
    quantity = Uncertain(np.zeros(ROWS), {}, bound)
    groups = _groups([True] * ROWS)
    weights = np.zeros((CHANNELS, 1, CODES))
    weights[:, :, 0] = -1.0

    assert combined(quantity, groups, weights).bound.tolist() == [1, 0, 0]
    bound[1] = -1
    weights[:, :, 1] = 1.0
    with pytest.raises(ShapeFault, match="only from below"):
        combined(quantity, groups, weights)


def test_weights_of_another_shape_are_refused() -> None:
    """One weight per member of each group."""
    with pytest.raises(ShapeFault, match="weights of shape"):
        combined(Uncertain.of(np.zeros(ROWS)), _groups([True] * ROWS), np.zeros((CHANNELS, 1, CODES + 1)))
