"""Decisions against the rules of ILAC-G8:09/2019 (CF rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from reports.decisions import OUTCOMES, decide

VALUES = np.array([8.9, 9.5, 10.5, 11.2])


def test_four_outcomes_of_the_non_binary_rule() -> None:
    """CF-02: upper limit 10, U = w = 1: 8.9, 9.5, 10.5, 11.2; outcomes of ILAC-G8:09/2019, 4.2.3, the cases our own."""
    codes = decide(VALUES, np.ones(4), None, 10.0)

    assert [OUTCOMES[code] for code in codes] == ["pass", "conditional pass", "conditional fail", "fail"]


def test_simple_acceptance() -> None:
    """CF-04: the same values by ILAC-G8:09/2019, 4.2.1."""
    codes = decide(VALUES, np.ones(4), None, 10.0, "simple")

    assert [OUTCOMES[code] for code in codes] == ["pass", "pass", "fail", "fail"]


@pytest.mark.parametrize(("rule", "highest_probability"), [("simple", 0.5), ("guard band", 0.02275)])
def test_false_acceptance_at_the_edge_of_a_pass(rule: str, highest_probability: float) -> None:
    """CF-05: a value just at the edge of a pass is truly beyond the limit with 50 % (w = 0) or 2.275 % (w = 2u).

    Laboratories publish "< 50 %" and "< 2.5 %" for the two rules. The edge is found from our outcomes, by bisection.
    """
    low, high, u = 0.0, 20.0, 0.5
    for _ in range(60):
        middle = (low + high) / 2
        is_pass = decide(
            np.array([middle]), np.array([2 * u]), None, 10.0, "simple" if rule == "simple" else "guard band"
        )[0] == OUTCOMES.index("pass")
        low, high = (middle, high) if is_pass else (low, middle)

    assert stats.norm.sf(10.0, loc=low, scale=u) == pytest.approx(highest_probability, abs=1e-4)
