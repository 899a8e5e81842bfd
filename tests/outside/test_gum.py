"""Uncertainty against the worked examples of JCGM 100:2008 (GU rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest

from reports.uncertainty import Cause, Uncertain, coverage_factor, linear, standard, truncated_dof


def _input(name: str, value: float, u: float, dof: float = np.inf) -> Uncertain:
    return Uncertain.of(np.array([value]), {name: Cause.of(u, rows=1, dof=dof)})


def _end_gauge() -> Uncertain:
    """Length of an end gauge in nm, JCGM 100:2008, H.1: l = lS + d − lS·(δα·θ + αS·δθ), lengths in nm, θ in °C.

    Inputs as printed: lS 50 000 623 (u 25 nm, 18 degrees of freedom); d 215 (9.7; 25.6); αS 11.5·10⁻⁶ (1.2·10⁻⁶; ∞);
    θ −0.1 (0.41; ∞); δα 0 (0.58·10⁻⁶; 50); δθ 0 (0.029; 2).
    """
    length, expansion, theta = 50_000_623.0, 11.5e-6, -0.1
    return linear(
        [
            (1.0, _input("standard", length, 25.0, 18)),
            (1.0, _input("difference", 215.0, 9.7, 25.6)),
            (0.0, _input("expansion coefficient of the standard", expansion, 1.2e-6)),
            (0.0, _input("temperature", theta, 0.41)),
            (-length * theta, _input("difference of expansion coefficients", 0.0, 0.58e-6, 50)),
            (-length * expansion, _input("difference of temperatures", 0.0, 0.029, 2)),
        ],
        value=np.array([length + 215.0]),
    )


def test_end_gauge_first_order() -> None:
    """GU-01: l = 50 000 838 nm, uc = 31.7106 nm (printed 32), contributions 25, 9.7, 2.90, 16.68 nm, two of them 0.

    JCGM 100:2008, H.1, seen as transcriptions in two public repositories; unrounded digits by own computation.
    """
    gauge = _end_gauge()

    assert gauge.value[0] == 50_000_838.0
    assert gauge.standard[0] == pytest.approx(31.7106, abs=1e-3)
    assert [line.contribution for line in gauge.budget(0)] == pytest.approx([25.0, 16.68, 9.7, 2.90], abs=5e-3)


def test_end_gauge_expanded() -> None:
    """GU-02: effective degrees of freedom 16.656, truncated 16, t = 2.92, U99 = 93 nm (92.62 unrounded).

    Printed: 2.92 · 32 = 93.4 with a rounded uc. JCGM 100:2008, H.1.6 and G.4.2.
    """
    gauge = _end_gauge()

    assert gauge.dof[0] == pytest.approx(16.656, abs=5e-3)
    assert truncated_dof(gauge.dof)[0] == 16.0
    assert coverage_factor(gauge.dof, 0.99)[0] == pytest.approx(2.92, abs=0.006)
    assert gauge.expanded(0.99)[0] == pytest.approx(92.62, abs=0.02)


def test_effective_degrees_of_freedom() -> None:
    """GU-07: relative 0.25, 0.57, 0.82 % with 9, 4, 14 degrees of freedom: 1.0295 % with 18.9987, U95 about 2.2 %.

    JCGM 100:2008, G.4.1 (from memory, not seen), prints 19.0 and t = 2.09. The rule of G.4.2 as written takes 18.9987
    to 18 and t to 2.10: only float noise is rounded away before truncating, so a little below 19 stays below 19.
    """
    causes = {"first": (0.25, 9), "second": (0.57, 4), "third": (0.82, 14)}
    combined = linear([(1.0, _input(name, 0.0, u, dof)) for name, (u, dof) in causes.items()])

    assert combined.standard[0] == pytest.approx(1.0295, abs=1e-4)
    assert combined.dof[0] == pytest.approx(18.9987, abs=1e-3)
    assert truncated_dof(combined.dof)[0] == 18.0
    assert combined.expanded(0.95)[0] == pytest.approx(2.2, abs=0.05)


@pytest.mark.parametrize(
    ("coverage", "factors"),
    [
        (0.95, [12.71, 2.57, 2.23, 2.12, 2.09, 2.04, 2.01, 1.960]),
        (0.99, [63.66, 4.03, 3.17, 2.92, 2.86, 2.75, 2.68, 2.576]),
    ],
)
def test_students_factor(coverage: float, factors: list[float]) -> None:
    """GU-08: JCGM 100:2008, Table G.2, as in NIST TN 1297, Table B.1; printed to two digits after the point."""
    dof = np.array([1.0, 5.0, 10.0, 16.0, 19.0, 30.0, 50.0, np.inf])

    np.testing.assert_allclose(coverage_factor(dof, coverage), factors, atol=0.006)


def test_students_factor_at_the_coverage_of_k_2() -> None:
    """GU-09: 95.45 % at 5, 10, 16, 50 degrees of freedom: 2.65, 2.28, 2.17, 2.05 (JCGM 100:2008, Table G.2)."""
    factor = coverage_factor(np.array([5.0, 10.0, 16.0, 50.0]))

    np.testing.assert_allclose(factor, [2.65, 2.28, 2.17, 2.05], atol=0.006)


@pytest.mark.parametrize(
    ("distribution", "expected"), [("rectangular", 0.57735), ("triangular", 0.40825), ("U-shaped", 0.70711)]
)
def test_half_width_to_standard_uncertainty(distribution: str, expected: float) -> None:
    """GU-14: 1/√3, 1/√6 (JCGM 100:2008, 4.3.7, 4.3.9) and 1/√2 for a sine of unknown phase; from memory, not seen."""
    assert standard(1.0, distribution) == pytest.approx(expected, abs=1e-5)
