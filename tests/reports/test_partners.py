"""Joins on integer keys against plain look-up."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.errors import ShapeFault
from reports.frames import AXES
from reports.partners import Grid

POINT = tuple[str, int, float, str, float, float, float]
POINTS = list(itertools.product("AB", (0, 1, 5), (-40.0, 25.0), ("nominal",), (100.0, 200.0), (3.0,), (6e7,)))


def _frame(points: list[POINT]) -> pd.DataFrame:
    return pd.DataFrame(points, columns=list(AXES)).astype({"gain_code": "int64"})


@given(st.lists(st.sampled_from(POINTS), unique=True), st.dictionaries(st.sampled_from([0, 1, 5]), st.integers(0, 6)))
def test_pairs_are_those_that_a_plain_look_up_finds(points: list[POINT], partner_of: dict[int, int]) -> None:
    """Any conditions in any order, any partner: the same pairs as with a dictionary."""
    rows, partners = Grid.of(_frame(points)).pairs("gain_code", partner_of)
    place = {point: number for number, point in enumerate(points)}
    expected = {
        (row, place[partner])
        for row, point in enumerate(points)
        if point[1] in partner_of and (partner := (point[0], partner_of[point[1]], *point[2:])) in place
    }

    assert set(zip(rows.tolist(), partners.tolist(), strict=True)) == expected
    assert len(rows) == len(expected)


@given(st.lists(st.sampled_from(POINTS), unique=True))
def test_a_group_is_what_is_equal_on_all_other_axes(points: list[POINT]) -> None:
    """Two conditions share a group exactly if they differ in temperature alone."""
    group, count = Grid.of(_frame(points)).groups("temperature_c")
    others = [point[:2] + point[3:] for point in points]

    assert count == len(set(others))
    for one, other in itertools.combinations(range(len(points)), 2):
        assert (group[one] == group[other]) == (others[one] == others[other])


def test_a_condition_that_stands_twice_is_refused() -> None:
    """With two equal conditions a partner would be a matter of chance."""
    with pytest.raises(ShapeFault):
        Grid.of(_frame([POINTS[0], POINTS[0]]))


def test_no_condition_has_no_partners() -> None:
    """An empty run gives empty pairs and no group."""
    grid = Grid.of(_frame([]))

    assert [len(side) for side in grid.pairs("channel", {"B": "A"})] == [0, 0]
    assert grid.groups("temperature_c")[1] == 0
    assert np.array(grid.key).size == 0
