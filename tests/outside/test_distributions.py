"""First-order uncertainties against propagation of distributions, examples of JCGM 101:2008 (GU rows of the README)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from reports.small_signal import STRAIGHT_WITHIN, image_rejection, image_rejection_db
from reports.sweeps import DB_PER_NEPER, DEG_PER_RADIAN
from reports.uncertainty import Cause, Uncertain, linear, product, standard

FloatArray = NDArray[np.float64]

TRIALS = 400_000


def _sum_of_four(u: float, distribution: str) -> Uncertain:
    inputs = [
        Uncertain.of(np.zeros(1), {f"input {number}": Cause.of(u, rows=1, distribution=distribution)})
        for number in range(4)
    ]
    return linear([(1.0, one) for one in inputs])


def test_sum_of_four_normal_quantities() -> None:
    """GU-10: four standard normal quantities: u = 2.00, 95 % within ±3.92; JCGM 101:2008, 9.2.2, printed."""
    total = _sum_of_four(1.0, "normal")

    assert total.standard[0] == pytest.approx(2.0, abs=5e-3)
    assert total.expanded(0.95)[0] == pytest.approx(3.92, abs=5e-3)


def test_sum_of_four_rectangular_quantities_is_on_the_safe_side() -> None:
    """GU-11: four rectangular quantities of half-width √3: u = 2.00, 95 % within ±3.88; JCGM 101:2008, 9.2.3, printed.

    Exactly 2·√3·(2 − (3/5)^¼) = 3.8794. The first order knows variances only and says 3.92: wider by 1 %, never less.
    The samples stand in for the page's Monte Carlo run.
    """
    half_width = float(np.sqrt(3))
    total = _sum_of_four(standard(half_width, "rectangular"), "rectangular")
    samples = np.random.default_rng(20261125).uniform(-half_width, half_width, (TRIALS, 4)).sum(axis=1)
    expanded = total.expanded(0.95)[0]

    assert total.standard[0] == pytest.approx(2.0, abs=5e-3)
    assert samples.std() == pytest.approx(total.standard[0], rel=5e-3)
    assert np.quantile(np.abs(samples), 0.95) == pytest.approx(3.8794, abs=0.02)
    assert 3.8794 < expanded < 1.02 * 3.8794
    assert np.mean(np.abs(samples) <= expanded) > 0.95


def _match(nepers: float, u: float, per_unit: float) -> Uncertain:
    """A mismatch and its standard uncertainty, in dB or degrees by their number per neper or radian."""
    return Uncertain.of(np.array([nepers * per_unit]), {f"match {per_unit}": Cause.of(u * per_unit, rows=1)})


def _image_of(x1: float, x2: float, u: float) -> Uncertain:
    """Image rejection of two channels: about −10·log10(Y/4) with Y = X1² + X2², X1 in nepers and X2 in radians."""
    return image_rejection(_match(x1, u, DB_PER_NEPER), _match(x2, u, DEG_PER_RADIAN))


def test_a_sum_of_squares_at_zero_has_no_first_order_and_becomes_a_bound() -> None:
    """GU-12: Y = X1² + X2² at 0 with u = 0.005: to first order certain, truly 5.000e-5 ± 5.000e-5, 95 % to 1.498e-4.

    JCGM 101:2008, 9.4 (model from memory, not seen); exact values by the χ² distribution. The loss of that example is
    our image rejection, Y = 4·10^(−rejection/10): it states no uncertainty there but a bound, and of all that the true
    mismatches may be 95.45 % lie within it, as the samples show.
    """
    squares = [product(one, one) for one in (_match(0.0, 0.005, 1.0), _match(0.0, 0.005, 1.0))]
    samples = np.random.default_rng(20261125).normal(0.0, 0.005, (TRIALS, 2))
    rejection = _image_of(0.0, 0.0, 0.005)
    loss = 4 * 10 ** (-rejection.value[0] / 10)
    true_db = image_rejection_db(samples[:, 0] * DB_PER_NEPER, samples[:, 1] * DEG_PER_RADIAN)
    true_loss = (samples**2).sum(axis=1)

    assert (squares[0] + squares[1]).standard[0] == 0.0
    assert (true_loss.mean(), true_loss.std()) == pytest.approx((5.000e-5, 5.000e-5), rel=0.01)
    assert np.quantile(true_loss, 0.95) == pytest.approx(1.498e-4, rel=0.01)
    assert rejection.bound[0] == 1
    assert 1.498e-4 < loss < 1.05 * 1.498e-4
    assert np.mean(true_db >= rejection.value[0]) == pytest.approx(0.9545, abs=0.002)


@pytest.mark.parametrize(("x1", "is_bound"), [(0.010, True), (0.050, False)])
def test_a_sum_of_squares_away_from_zero_has_a_first_order_where_it_is_straight(x1: float, is_bound: bool) -> None:
    """x1 = 0.010 and 0.050, x2 = 0: u(Y) = 2·x1·u to first order, truly u·√(4·x1² + 4·u²).

    The other two cases of JCGM 101:2008, 9.4 (from memory, not seen); exact moments. At 0.010 the first order misses
    a tenth of u, and a bound is stated; at 0.050 half a percent.
    """
    u = 0.005
    rejection = _image_of(x1, 0.0, u)
    true = float(u * np.sqrt(4 * x1**2 + 4 * u**2))

    assert bool(rejection.bound[0]) is is_bound
    assert (2 * x1 * u < 0.9 * true) is is_bound
    assert (u / x1 > STRAIGHT_WITHIN) is is_bound
    if not is_bound:
        relative = rejection.standard[0] * np.log(10) / 10
        assert relative * x1**2 == pytest.approx(true, rel=0.01)
