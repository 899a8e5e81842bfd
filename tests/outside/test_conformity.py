"""Decisions against the rules of ILAC-G8:09/2019 (CF rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from reports.conformity import capability_index, conformity_probability, global_risks
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


def test_binary_rule_with_a_guard_band() -> None:
    """CF-03: the same values by ILAC-G8:09/2019, 4.2.2, with w = U: pass, fail, fail, fail; the cases our own.

    A decision has four outcomes or two. The binary rule is reached in both ways: of four only "pass" is taken for a
    pass, and simple acceptance holds the values against the limit less w.
    """
    of_four = decide(VALUES, np.ones(4), None, 10.0) == OUTCOMES.index("pass")
    tightened = decide(VALUES, np.ones(4), None, 10.0 - 1.0, "simple")

    assert of_four.tolist() == [True, False, False, False]
    assert [OUTCOMES[code] for code in tightened] == ["pass", "fail", "fail", "fail"]


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


def _probability(value: float, u: float, low: float | None, high: float | None, dof: float = np.inf) -> float:
    return float(conformity_probability(np.array([value]), np.array([u]), np.array([dof]), low, high)[0])


def test_probability_of_conformity_with_a_lower_limit() -> None:
    """CF-01: breaking strength at least 490 kPa, 509.7 measured with u = 8.6: printed 99 %.

    JCGM 106:2012, 7.3.3, example 2, repeated as example 6 of UKAS LAB 48.
    """
    assert _probability(509.7, 8.6, 490.0, None) == pytest.approx(0.98901, abs=1e-4)


def test_probability_just_inside_an_upper_limit() -> None:
    """CF-06: limit 5.0, value 4.9, u = 0.456: 41.32 % beyond; a public course text on scan tolerances prints 41 %."""
    assert 1 - _probability(4.9, 0.456, None, 5.0) == pytest.approx(0.4132, abs=1e-4)


def test_probability_between_two_limits() -> None:
    """CF-08: −0.12 with u = 0.08 within ±0.25: 0.947917 (form of JCGM 106:2012, 7.4; computed)."""
    assert _probability(-0.12, 0.08, -0.25, 0.25) == pytest.approx(0.947917, abs=1e-5)


def test_probability_above_a_floor() -> None:
    """CF-11: OIP3 at least 45 dBm, 46.1 measured with u = 0.4 dB: 0.99702 (same form; computed)."""
    assert _probability(46.1, 0.4, 45.0, None) == pytest.approx(0.99702, abs=1e-5)


def test_few_degrees_of_freedom_make_a_decision_less_sure() -> None:
    """Student's distribution at 2.78 standard uncertainties: 4 degrees of freedom leave 2.5 % (JCGM 100, Table G.2)."""
    assert 1 - _probability(0.0, 1.0, None, 2.776, dof=4.9) == pytest.approx(0.025, abs=1e-4)
    assert 1 - _probability(0.0, 1.0, None, 2.776) == pytest.approx(0.00275, abs=1e-4)


def test_a_value_without_uncertainty_conforms_or_does_not() -> None:
    """Exactly at either limit it conforms, as in the decisions."""
    values = np.array([-0.1, 0.0, 0.5, 1.0, 1.1])
    found = conformity_probability(values, np.zeros(5), np.full(5, np.inf), 0.0, 1.0)

    np.testing.assert_array_equal(found, [0.0, 1.0, 1.0, 1.0, 0.0])


def test_capability_of_a_measurement() -> None:
    """CF-07: limits ±5, u = 0.456: C_m = 5.482, printed 5.5 by the same course text, which cites JCGM 106, 7.6."""
    assert capability_index(-5.0, 5.0, 0.456) == pytest.approx(5.482, abs=1e-3)


@pytest.mark.parametrize(
    ("production", "u", "limits", "expected", "tolerance"),
    [
        ((1500.0, 0.12), 0.04, (1499.8, 1500.2), (0.018942, 0.037208, 0.095581), 1e-5),
        ((0.0, 1.0), 0.25, (-2.0, 2.0), (0.0080061, 0.0148509, 0.0455003), 1e-6),
    ],
)
def test_risks_of_simple_acceptance(
    production: tuple[float, float],
    u: float,
    limits: tuple[float, float],
    expected: tuple[float, float, float],
    tolerance: float,
) -> None:
    """CF-09, CF-10: share accepted though beyond, rejected though within, and beyond at all.

    JCGM 106:2012, clause 9; the first inputs in the style of its resistor example (from memory, not seen); computed.
    """
    risks = global_risks(*production, u, limits)

    assert (risks.consumer, risks.producer, risks.nonconforming) == pytest.approx(expected, abs=tolerance)


def test_a_guard_band_moves_risk_from_the_consumer_to_the_producer() -> None:
    """With w = 2u the consumer's share falls to a fortieth, the producer's rises."""
    simple, guarded = (global_risks(0.0, 1.0, 0.25, (-2.0, 2.0), guard) for guard in (0.0, 0.5))

    assert guarded.consumer < simple.consumer / 40
    assert guarded.producer > simple.producer
    assert guarded.nonconforming == simple.nonconforming


@pytest.mark.parametrize(("factor", "probability"), [(1.9600 / 2, 0.025), (1.6449 / 2, 0.05)])
def test_false_acceptance_at_the_edge_of_a_pass_with_another_width(factor: float, probability: float) -> None:
    """CF-05: w = 1.9600·u and 1.6449·u leave 2.5 % and 5 % at the edge; w = r·U with U = 2u."""
    u = 0.5
    edge = 10.0 - factor * 2 * u
    codes = decide(np.array([edge - 1e-9, edge + 1e-9]), np.full(2, 2 * u), None, 10.0, "guard band", None, factor)

    assert [OUTCOMES[code] for code in codes] == ["pass", "conditional pass"]
    assert 1 - _probability(edge, u, None, 10.0) == pytest.approx(probability, abs=1e-4)
