"""The four outcomes, their edges, and what a bound decides."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from reports.decisions import OUTCOMES, UNDECIDED, Decision, decide, margin, overall, worst
from reports.errors import ShapeFault

Bounds = NDArray[np.int8]
FINITE = st.floats(-1e3, 1e3)
WIDTH = st.floats(0.0, 10.0)


def _words(codes: NDArray[np.int8]) -> list[str]:
    return ["undecided" if code == UNDECIDED else OUTCOMES[code] for code in codes]


def _one(value: float, expanded: float, low: float | None, high: float | None, bound: int = 0) -> str:
    found = decide(np.array([value]), np.array([expanded]), low, high, "guard band", np.array([bound], dtype=np.int8))
    return _words(found)[0]


def test_a_value_exactly_at_a_limit_conforms_and_at_the_guard_band_passes() -> None:
    """Equality goes to the better side, at the limit and at both edges of the guard band."""
    value = np.array([39.0, 39.0 - 1e-6, 40.0, 40.0 - 1e-6, 41.0, 41.0 - 1e-6])
    found = decide(value, np.ones(6), 40.0, None)

    assert _words(found) == [
        "conditional fail", "fail", "conditional pass", "conditional fail", "pass", "conditional pass",
    ]  # fmt: skip


def test_float_noise_at_a_limit_does_not_fail() -> None:
    """0.1 + 0.2 is 0.30000000000000004 and conforms to a max of 0.3."""
    assert _one(0.1 + 0.2, 0.0, None, 0.3) == "pass"
    assert _one(0.3, 0.0, 0.1 + 0.2, None) == "pass"


def test_the_simple_rule_knows_pass_and_fail_only() -> None:
    """However large the uncertainty, ILAC-G8:09/2019, 4.2.1 asks only on which side the value lies."""
    found = decide(np.array([-1.0, 0.0, 1.0, 1.1]), np.full(4, 5.0), 0.0, 1.0, "simple")

    assert _words(found) == ["fail", "pass", "pass", "fail"]


@given(FINITE, WIDTH, FINITE, WIDTH)
def test_a_two_sided_limit_is_as_bad_as_its_worse_side(value: float, expanded: float, low: float, span: float) -> None:
    """Min and max together decide as the worse of each alone."""
    high = low + span
    both = decide(np.array([value]), np.array([expanded]), low, high)
    sides = [decide(np.array([value]), np.array([expanded]), *ends) for ends in ((low, None), (None, high))]

    # Both limits set the size of float noise, so values within a part in 10⁹ of an edge are left out.
    edges = [low, high, low + expanded, low - expanded, high + expanded, high - expanded]
    if min(abs(value - edge) for edge in edges) > 1e-6:
        assert both[0] == max(side[0] for side in sides)


@given(FINITE, FINITE, WIDTH, FINITE)
def test_a_better_value_never_has_a_worse_outcome(one: float, other: float, expanded: float, limit: float) -> None:
    """Outcomes fall with the distance to a min."""
    codes = decide(np.array(sorted([one, other])), np.full(2, expanded), limit, None)

    assert codes[0] >= codes[1]


@given(FINITE, WIDTH, FINITE, st.sampled_from([-1, 1]), st.booleans())
def test_a_bound_decides_only_what_every_value_it_allows_would_confirm(
    value: float, expanded: float, limit: float, bound: int, limit_is_min: bool
) -> None:
    """At least 5 may be 5, 6 or 100: a decided pass must hold for the worst of them, a decided fail for the best."""
    low, high = (limit, None) if limit_is_min else (None, limit)
    bounds = np.array([bound], dtype=np.int8)
    found = decide(np.array([value]), np.array([expanded]), low, high, bound=bounds)[0]
    possible = decide(value + bound * np.array([0.0, 1.0, 10.0, 5e3]), np.full(4, expanded), low, high)

    if found == UNDECIDED:
        assert possible.min() <= 1
        assert possible.max() >= 2
    elif found <= 1:
        assert possible.max() == found
    else:
        assert possible.min() == found


@pytest.mark.parametrize(
    ("value", "bound", "low", "high", "outcome"),
    [
        (45.0, 1, 40.0, None, "pass"),
        (40.5, 1, 40.0, None, "conditional pass"),
        (39.0, 1, 40.0, None, "undecided"),
        (45.0, 1, None, 40.0, "fail"),
        (35.0, 1, None, 40.0, "undecided"),
        (-80.0, -1, None, -75.0, "pass"),
        (-70.0, -1, None, -75.0, "undecided"),
        (35.0, -1, 40.0, None, "fail"),
        (0.5, 1, 0.0, 10.0, "undecided"),
    ],
)  # fmt: skip
def test_what_a_bound_suffices_for(
    value: float, bound: int, low: float | None, high: float | None, outcome: str
) -> None:
    """OIP3 of at least 45 keeps a min of 40; a harmonic of at most −70 does not show that −75 is kept."""
    assert _one(value, 1.0, low, high, bound) == outcome


def test_the_margin_is_to_the_nearer_limit_and_negative_beyond() -> None:
    """Between 0 and 10: 2 is 2 away, 9 is 1 away, 12 is 2 beyond."""
    np.testing.assert_allclose(margin(np.array([2.0, 9.0, 12.0]), 0.0, 10.0), [2.0, 1.0, -2.0])


def test_a_limit_is_as_good_as_its_worst_condition() -> None:
    """One fail among passes is a fail; nothing tested is no outcome at all; a pass in part is conditional."""
    assert worst(np.array([0, 0, 3, 1], dtype=np.int8)) == "fail"
    assert worst(np.array([0, 0], dtype=np.int8)) == "pass"
    assert worst(np.array([], dtype=np.int8)) == "not tested"
    assert worst(np.array([UNDECIDED], dtype=np.int8)) == "not tested"
    assert worst(np.array([0, UNDECIDED], dtype=np.int8)) == "conditional pass"
    assert worst(np.array([2, UNDECIDED], dtype=np.int8)) == "conditional fail"


def test_a_limit_that_was_not_tested_neither_passes_nor_fails_a_unit() -> None:
    """It is left out of the worst, unless there is nothing else."""
    tested: tuple[Decision, ...] = ("pass", "not tested", "conditional pass")

    assert overall(tested) == "conditional pass"
    assert overall((*tested, "fail")) == "fail"
    assert overall(("not tested",)) == "not tested"
    assert overall(()) == "not tested"


@pytest.mark.parametrize(
    ("value", "expanded"), [([np.nan], [1.0]), ([1.0], [-1.0]), ([1.0], [np.nan]), ([1.0, 2.0], [1.0])]
)
def test_nothing_is_decided_on_what_is_not_a_number(value: list[float], expanded: list[float]) -> None:
    """NaN compares as false to everything and would otherwise come out as some decision."""
    with pytest.raises(ShapeFault):
        decide(np.array(value), np.array(expanded), 0.0, None)


def test_a_margin_needs_a_limit() -> None:
    """Without min and max every value would conform."""
    with pytest.raises(ShapeFault):
        margin(np.ones(1), None, None)
