"""Propagation draw by draw, against an independent path and as laws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import FrozenInstanceError
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from uncertainties import UFloat, nominal_value, std_dev, ufloat

from reports.errors import ShapeFault
from reports.uncertainty import (
    EMPTY,
    Cause,
    Uncertain,
    choose,
    coverage_factor,
    difference,
    linear,
    product,
    ratio,
    standard,
    truncated_dof,
)

FloatArray = NDArray[np.float64]

ROWS = 3
NUMBERS = st.floats(-100.0, 100.0).map(lambda number: round(number, 3))
VALUES = st.floats(1.0, 100.0).map(lambda number: round(number, 3))


@st.composite
def uncertain_columns(draw: st.DrawFn) -> Uncertain:
    """Three rows with up to two causes, each with one to three draws per row out of five."""
    causes = {}
    for name in draw(st.lists(st.sampled_from(["level", "setting"]), unique=True)):
        slots = draw(st.integers(1, 3))
        rows = [draw(st.lists(st.integers(0, 4), min_size=slots, max_size=slots, unique=True)) for _ in range(ROWS)]
        contribution = draw(st.lists(NUMBERS, min_size=ROWS * slots, max_size=ROWS * slots))
        causes[name] = Cause(np.array(contribution).reshape(ROWS, slots), np.array(rows, dtype=np.int64))
    return Uncertain.of(np.array(draw(st.lists(VALUES, min_size=ROWS, max_size=ROWS))), causes)


class _Oracle:
    """The same quantities as correlated variables of the uncertainties library: one variable per draw."""

    def __init__(self) -> None:
        self._draws: dict[tuple[str, int], UFloat] = {}

    def of(self, quantity: Uncertain, row: int) -> Any:
        total: Any = float(quantity.value[row])
        for name, cause in quantity.causes.items():
            for contribution, instance in zip(cause.contribution[row], cause.instance[row], strict=True):
                if instance != EMPTY:
                    total += float(contribution) * self._draws.setdefault((name, int(instance)), ufloat(0.0, 1.0))
        return total


def _agrees(result: Uncertain, row: int, oracle: Any) -> None:
    # 1e-9 of the largest input contribution (100) is what float arithmetic in another order may leave.
    assert result.value[row] == pytest.approx(nominal_value(oracle), rel=1e-9, abs=1e-7)
    assert result.standard[row] == pytest.approx(std_dev(oracle), rel=1e-9, abs=1e-6)


@given(uncertain_columns(), uncertain_columns(), NUMBERS, NUMBERS)
def test_a_linear_combination_agrees_with_correlated_variables(
    first: Uncertain, second: Uncertain, a: float, b: float
) -> None:
    """a·x + b·y with shared and unshared draws, against the uncertainties library."""
    result, oracle = linear([(a, first), (b, second)]), _Oracle()

    for row in range(ROWS):
        _agrees(result, row, a * oracle.of(first, row) + b * oracle.of(second, row))


@given(
    uncertain_columns(),
    st.lists(st.integers(0, ROWS - 1), min_size=1, max_size=5),
    st.lists(st.integers(0, ROWS - 1), min_size=5, max_size=5),
)
def test_a_difference_between_rows_agrees_with_correlated_variables(
    column: Uncertain, rows: list[int], others: list[int]
) -> None:
    """x[i] − x[j] keeps only what the two rows do not owe to the same draw."""
    others = others[: len(rows)]
    result, oracle = difference(column, np.array(rows), column, np.array(others)), _Oracle()

    for place, (row, other) in enumerate(zip(rows, others, strict=True)):
        _agrees(result, place, oracle.of(column, row) - oracle.of(column, other))


@given(uncertain_columns(), uncertain_columns())
def test_products_and_ratios_agree_with_correlated_variables(first: Uncertain, second: Uncertain) -> None:
    """First order on both sides, so the agreement is exact but for float noise."""
    both, quotient, oracle = product(first, second), ratio(first, second), _Oracle()

    for row in range(ROWS):
        x, y = oracle.of(first, row), oracle.of(second, row)
        assert both.standard[row] == pytest.approx(std_dev(x * y), rel=1e-9, abs=1e-6)
        assert quotient.standard[row] == pytest.approx(std_dev(x / y), rel=1e-9, abs=1e-6)
        assert quotient.value[row] == pytest.approx(float(first.value[row] / second.value[row]))


@given(uncertain_columns())
def test_a_column_less_itself_is_exactly_zero(column: Uncertain) -> None:
    """x − x = 0 ± 0, with not even float noise left."""
    nothing = column - column

    assert not nothing.value.any()
    assert not nothing.standard.any()


@given(uncertain_columns(), uncertain_columns(), uncertain_columns())
def test_the_order_of_adding_does_not_matter(x: Uncertain, y: Uncertain, z: Uncertain) -> None:
    """(x + y) − z and x − (z − y) are the same quantity draw by draw: they differ by 0 ± 0 but for float noise."""
    rest = ((x + y) - z) - (x - (z - y))

    np.testing.assert_allclose(rest.value, 0.0, atol=1e-9)
    np.testing.assert_allclose(rest.standard, 0.0, atol=1e-9)


@given(uncertain_columns(), uncertain_columns())
def test_the_root_sum_of_squares_of_a_budget_is_the_standard_uncertainty(x: Uncertain, y: Uncertain) -> None:
    """No part of the uncertainty is outside the budget, and its lines fall in size."""
    result = x + y

    for row in range(ROWS):
        lines = [line.contribution for line in result.budget(row)]
        assert lines == sorted(lines, reverse=True)
        assert np.sqrt(np.sum(np.square(lines))) == pytest.approx(result.standard[row], abs=1e-12)


def test_a_draw_shared_by_both_tones_stays_whole_in_their_mean_and_others_shrink() -> None:
    """Mean of two levels: a common 0.3 dB stays 0.3, two separate ones of 0.3 dB give 0.3/√2."""
    shared = [Uncertain.of(np.zeros(1), {"level": Cause.of(0.3, 0, rows=1)}) for _ in range(2)]
    apart = [Uncertain.of(np.zeros(1), {"level": Cause.of(0.3, number, rows=1)}) for number in range(2)]

    assert (shared[0] + shared[1]).scaled(0.5).standard[0] == pytest.approx(0.3)
    assert (apart[0] + apart[1]).scaled(0.5).standard[0] == pytest.approx(0.3 / np.sqrt(2))


def test_a_mean_of_two_draws_still_cancels_against_the_same_mean() -> None:
    """Both draws are kept apart after averaging, so that a later difference with the same two is 0 ± 0."""
    tones = [Uncertain.of(np.zeros(2), {"response": Cause.of(0.07, number, rows=2)}) for number in (5, 6)]
    mean = (tones[0] + tones[1]).scaled(0.5)

    assert difference(mean, np.array([0]), mean, np.array([1])).standard[0] == 0.0
    assert mean.causes["response"].instance.shape == (2, 2)


def test_a_bound_turns_with_the_sign() -> None:
    """A product that is at most −80 dBm makes an intercept that is at least what it gives."""
    most = Uncertain(np.array([-80.0]), {}, np.array([-1], dtype=np.int8))
    tone = Uncertain.of(np.array([3.0]))

    assert linear([(1.5, tone), (-0.5, most)]).bound[0] == 1
    assert (most - tone).bound[0] == -1
    assert (tone + tone).bound[0] == 0


def test_from_below_and_from_above_together_bound_nothing() -> None:
    """At least x plus at most y says nothing on the sum; it is refused and not passed off as a value."""
    least = Uncertain(np.ones(1), {}, np.array([1], dtype=np.int8))

    with pytest.raises(ShapeFault, match="known only from below"):
        least - least


def test_one_name_cannot_stand_for_two_kinds_of_cause() -> None:
    """Degrees of freedom belong to the cause; two different ones under a name would get lost in the sum."""
    first = Uncertain.of(np.ones(1), {"noise": Cause.of(1.0, rows=1, kind="A", dof=9)})
    second = Uncertain.of(np.ones(1), {"noise": Cause.of(1.0, rows=1, kind="A", dof=4)})

    with pytest.raises(ShapeFault, match="two descriptions of one cause"):
        first + second


def test_columns_of_different_length_are_refused() -> None:
    """Broadcasting one value over a column would hide a lost row."""
    with pytest.raises(ShapeFault, match="columns of 3, 1 rows"):
        Uncertain.of(np.ones(3)) + Uncertain.of(np.ones(1))
    with pytest.raises(ShapeFault, match="for 2 values"):
        Uncertain.of(np.ones(2), {"level": Cause.of(1.0, rows=3)})


def test_choosing_takes_value_causes_and_bound_from_the_same_side() -> None:
    """Row 0 from the first, row 1 from the second, and nothing of the other."""
    bound = np.array([1, 1], dtype=np.int8)
    first = Uncertain(np.array([1.0, 9.0]), {"a": Cause.of(0.1, rows=2)}, bound)
    second = Uncertain.of(np.array([5.0, 5.0]), {"b": Cause.of(0.2, rows=2)})
    chosen = choose(np.array([True, False]), first, second)

    np.testing.assert_array_equal(chosen.value, [1.0, 5.0])
    np.testing.assert_allclose(chosen.standard, [0.1, 0.2])
    np.testing.assert_array_equal(chosen.bound, [1, 0])


def test_degrees_of_freedom_are_truncated_after_float_noise_is_gone() -> None:
    """16.656 becomes 16 (JCGM 100:2008, G.4.2), 15.9999999999 is 16, and below 1 there is nothing to go to."""
    found = truncated_dof(np.array([16.656, 15.9999999999, 16.0, 0.4]))

    np.testing.assert_array_equal(found, [16.0, 16.0, 16.0, 1.0])


def test_type_b_alone_has_no_limit_to_its_degrees_of_freedom_and_k_of_2() -> None:
    """What was not estimated from a sample is taken as exactly known, so that U = 2·u."""
    column = Uncertain.of(np.zeros(2), {"level": Cause.of(np.array([0.1, 0.0]), rows=2)})

    assert np.isinf(column.dof).all()
    np.testing.assert_array_equal(column.expanded(), [0.2, 0.0])


def test_fewer_degrees_of_freedom_never_make_the_factor_smaller() -> None:
    """Student's factor falls with the degrees of freedom, towards 2."""
    factor = coverage_factor(np.array([1.0, 2.0, 5.0, 50.0, 1e6, np.inf]))

    assert np.all(np.diff(factor) <= 0)
    assert factor[-1] == 2.0


@pytest.mark.parametrize("coverage", [0.0, 1.0, 95.45])
def test_a_coverage_is_a_probability(coverage: float) -> None:
    """A percentage given for a probability is refused."""
    with pytest.raises(ShapeFault):
        coverage_factor(np.ones(1), coverage)


def test_a_negative_half_width_is_refused() -> None:
    """± of something negative is a slip of the file, not an uncertainty."""
    with pytest.raises(ShapeFault):
        standard(-0.1, "rectangular")


def test_a_division_by_zero_is_refused() -> None:
    """A ratio to 0 is neither infinity nor NaN."""
    with pytest.raises(ShapeFault):
        ratio(Uncertain.of(np.ones(1)), Uncertain.of(np.zeros(1)))


def test_uncertain_columns_cannot_be_changed() -> None:
    """A value that crosses a layer is frozen."""
    causes: Mapping[str, Cause] = {}

    with pytest.raises(FrozenInstanceError):
        Uncertain.of(np.ones(1), causes).value = np.zeros(1)  # type: ignore[misc]  # the assignment is what must fail
