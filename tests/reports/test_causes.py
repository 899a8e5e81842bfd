"""Draws of a cause when columns are summed, stacked and summed up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports import grouped
from reports.causes import EMPTY, Cause, stacked
from reports.grouped import Groups, combined
from reports.uncertainty import Uncertain

ROWS = 12


@st.composite
def noisy_columns(draw: st.DrawFn) -> Uncertain:
    """Twelve rows with a noise of their own, of few degrees of freedom, and a level that all of them share."""
    sizes = draw(st.lists(st.floats(0.01, 1.0), min_size=ROWS, max_size=ROWS))
    dof = np.array(draw(st.lists(st.integers(1, 40), min_size=ROWS, max_size=ROWS)), dtype=np.float64)
    noise = Cause.of(
        np.array(sizes), np.arange(ROWS), rows=ROWS, kind="A", distribution="normal", dof=dof, standard=np.array(sizes)
    )
    return Uncertain.of(
        np.arange(ROWS, dtype=np.float64), {"noise": noise, "level": Cause.of(0.3, rows=ROWS, standard=0.3)}
    )


@pytest.fixture
def three_groups() -> Groups:
    return Groups(np.arange(ROWS).reshape(3, 4), np.ones((3, 4), dtype=np.bool_))


@given(noisy_columns(), st.lists(st.floats(-1.0, 1.0), min_size=16, max_size=16), st.integers(1, 4))
def test_summing_draws_at_the_end_changes_neither_uncertainty_nor_degrees_of_freedom(
    column: Uncertain, weights: list[float], block: int
) -> None:
    """In blocks or at once, draw by draw or in quadrature: the same u and the same effective degrees of freedom."""
    groups = Groups(np.arange(ROWS).reshape(3, 4), np.ones((3, 4), dtype=np.bool_))
    each = np.broadcast_to(np.array(weights).reshape(1, 4, 4), (3, 4, 4))
    apart = combined(column, groups, each)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grouped, "BLOCK", block)
        patch.setattr(grouped, "MANY_DRAWS", 2)
        summed = combined(column, groups, each, last=True)

    np.testing.assert_allclose(summed.value, apart.value)
    np.testing.assert_allclose(summed.standard, apart.standard, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(summed.dof, apart.dof, rtol=1e-6)
    assert summed.causes["noise"].instance.shape[1] == 1


def test_a_line_of_summed_draws_keeps_type_and_degrees_of_freedom(three_groups: Groups) -> None:
    """Four noises of 0.1 with 9 degrees of freedom, weights 1/4: one line of 0.05 with 36, type A (JCGM 100, G.4.1)."""
    noise = Cause.of(0.1, np.arange(ROWS), rows=ROWS, kind="A", distribution="normal", dof=np.full(ROWS, 9.0))
    column = Uncertain.of(np.zeros(ROWS), {"noise": noise})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grouped, "MANY_DRAWS", 2)
        (line,) = combined(column, three_groups, np.full((3, 1, 4), 0.25), last=True).budget(1)

    assert (line.kind, line.draw) == ("A", "noise")
    assert line.contribution == pytest.approx(0.05)
    assert line.dof == pytest.approx(36.0)


def test_stacked_causes_keep_their_draws() -> None:
    """One slot over two: the first gets an empty one, which adds nothing."""
    narrow = Cause.of(np.array([0.1, 0.2]), np.array([4, 5]), rows=2, dof=np.array([9.0, 9.0]), standard=0.1)
    wide = Cause(np.array([[0.3, 0.4]]), np.array([[5, 6]]), dof=7.0, standard=0.1)
    both = stacked([narrow, wide])

    np.testing.assert_array_equal(both.instance, [[4, EMPTY], [5, EMPTY], [5, 6]])
    np.testing.assert_allclose(both.variance, [0.01, 0.04, 0.25])
    np.testing.assert_allclose(both.quartic, [1e-4 / 9, 16e-4 / 9, (0.3**4 + 0.4**4) / 7])
    assert both.standard == 0.1


def test_a_line_says_by_how_much_the_result_moves() -> None:
    """0.12 dB as half-width, with a sensitivity of −0.5 of the result to it."""
    cause = Cause.of(0.12 / 3**0.5, rows=1, standard=0.12 / 3**0.5, unit="dB", name_of=lambda _: "response").scaled(
        -0.5
    )
    (line,) = cause.lines("analyzer response", 0)

    assert (line.draw, line.unit) == ("response", "dB")
    assert line.half_width == pytest.approx(0.12)
    assert line.sensitivity == pytest.approx(-0.5)
    assert line.contribution == pytest.approx(0.06 / 3**0.5)
