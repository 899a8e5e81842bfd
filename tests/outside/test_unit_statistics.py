"""Statistics of a few units against published values (TI, CP, OU and SR rows of the README)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from reports import unit_statistics as statistics
from reports.errors import ShapeFault
from reports.grouped import residual_weights, slope_weights

FloatArray = NDArray[np.float64]

MICHELSO = """
85 74 90 107 93 85 95 98 98 88 100 98 93 65 76 81 100 100 96 96 96 94 96 94 88 80 85 88 90 84 83 79 81 88 88 83 80 79
76 80 88 88 88 86 72 72 62 86 97 95 88 91 85 87 84 84 85 84 84 84 89 81 81 82 80 77 76 74 75 76 91 92 89 86 88 72 84 85
85 78 89 84 78 81 76 81 79 81 82 85 87 87 81 74 81 94 95 80 81 87
"""

NORRIS = """
0.2/0.1 337.4/338.8 118.2/118.1 884.6/888.0 10.1/9.2 226.5/228.1 666.3/668.5 996.3/998.5 448.6/449.1 777.0/778.9
558.2/559.2 0.4/0.3 0.6/0.1 775.5/778.1 666.9/668.8 338.0/339.3 447.5/448.9 11.6/10.8 556.0/557.7 228.1/228.3
995.8/998.0 887.6/888.8 120.2/119.6 0.3/0.3 0.3/0.6 556.8/557.6 339.1/339.3 887.2/888.0 999.0/998.5 779.0/778.9
11.1/10.2 118.3/117.6 229.2/228.9 669.1/668.4 448.9/449.2 0.5/0.2
"""


def test_one_sided_factor_and_its_approximation() -> None:
    """TI-01, TI-02: n 43, p 0.90, confidence 0.99: Natrella 1.8751896, exact 1.87395.

    NIST/SEMATECH e-Handbook 7.2.6.3, worked example, by a published spreadsheet of it; the exact one (1.8740) from
    memory, not seen, and computed.
    """
    assert statistics.natrella_factor(43, 0.90, 0.99) == pytest.approx(1.8751896, abs=1e-6)
    assert statistics.one_sided_factor(43, 0.90, 0.99) == pytest.approx(1.87395, abs=1e-4)


def test_two_sided_factor_and_its_approximation() -> None:
    """TI-03, TI-04: the same inputs: Howe 2.2173159 (same spreadsheet), exact 2.22283 (computed)."""
    assert statistics.howe_factor(43, 0.90, 0.99) == pytest.approx(2.2173159, abs=1e-6)
    assert statistics.two_sided_factor(43, 0.90, 0.99) == pytest.approx(2.22283, abs=1e-4)


def test_two_sided_limits() -> None:
    """TI-05: mean 97.07, s 0.0268: 97.010576 … 97.12942 by Howe (same spreadsheet)."""
    half = statistics.howe_factor(43, 0.90, 0.99) * 0.0268

    assert (97.07 - half, 97.07 + half) == pytest.approx((97.010576, 97.12942), abs=1e-5)


@pytest.mark.parametrize(
    ("count", "proportion", "exact", "howe"),
    [
        (10, 0.95, 3.3934, 3.3819),
        (20, 0.95, 2.7603, 2.7523),
        (30, 0.95, 2.5549, 2.5496),
        (10, 0.90, 2.8563, 2.8382),
        (20, 0.90, 2.3188, 2.3098),
        (30, 0.99, 3.3546, 3.3508),
    ],
)
def test_two_sided_factors_with_95_percent_confidence(count: int, proportion: float, exact: float, howe: float) -> None:
    """TI-06, TI-07: Berthouex and Brown, Statistics for Environmental Engineers, Table 21.1 (two digits); computed."""
    assert statistics.two_sided_factor(count, proportion, 0.95) == pytest.approx(exact, abs=1e-3)
    assert statistics.howe_factor(count, proportion, 0.95) == pytest.approx(howe, abs=1e-3)


@pytest.mark.parametrize(("count", "factor"), [(10, 2.9110), (20, 2.3960), (30, 2.2198)])
def test_one_sided_factors_95_of_95(count: int, factor: float) -> None:
    """TI-08: noncentral Student distribution; computed, agrees with a published library."""
    assert statistics.one_sided_factor(count, 0.95, 0.95) == pytest.approx(factor, abs=1e-3)


def test_a_two_sided_interval_holds_what_it_promises() -> None:
    """Of 20,000 samples of 10 normal values about 95 % have an interval that holds 90 % of the population."""
    rng = np.random.default_rng(1)
    samples = rng.normal(size=(20_000, 10))
    half = statistics.two_sided_factor(10, 0.90, 0.95) * samples.std(axis=1, ddof=1)
    mean = samples.mean(axis=1)
    from scipy.special import ndtr

    held = ndtr(mean + half) - ndtr(mean - half)
    # Three standard deviations of the count: 3·sqrt(0.95·0.05/20000).
    assert np.mean(held >= 0.90) == pytest.approx(0.95, abs=0.0046)


def test_capability() -> None:
    """CP-01: limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.66667, sides 0.66667 and 1.33333.

    NIST/SEMATECH e-Handbook 6.1.6, from memory, not seen; computed.
    """
    assert statistics.potential_capability(2.0, 8.0, 20.0) == pytest.approx(1.0)
    assert statistics.capability(16.0, 2.0, 8.0, 20.0) == pytest.approx(0.66667, abs=1e-5)
    assert statistics.capability(16.0, 2.0, None, 20.0) == pytest.approx(0.66667, abs=1e-5)
    assert statistics.capability(16.0, 2.0, 8.0, None) == pytest.approx(1.33333, abs=1e-5)


def test_capability_from_few_units_is_not_well_known() -> None:
    """CP-02, CP-03: 1.33 from 30 values: Cpk 0.96753 … 1.69247, Cp 0.98935 … 1.67000 (same section; computed)."""
    assert statistics.capability_interval(1.33, 30) == pytest.approx((0.96753, 1.69247), abs=1e-4)
    assert statistics.potential_capability_interval(1.33, 30) == pytest.approx((0.98935, 1.67000), abs=1e-4)


def test_an_outlier() -> None:
    """OU-01: 245.57 of eight values: G 2.468765, critical 2.0317 one-sided, 2.1266 two-sided.

    NIST/SEMATECH e-Handbook 1.3.5.17.1, from memory, not seen; computed.
    """
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    place, distance = statistics.grubbs(values)

    assert place == 7
    assert distance == pytest.approx(2.468765, abs=1e-4)
    assert statistics.grubbs_critical(8, sides=1) == pytest.approx(2.0317, abs=1e-4)
    assert statistics.grubbs_critical(8) == pytest.approx(2.1266, abs=1e-4)


def test_no_outlier() -> None:
    """OU-02: six thicknesses: G 1.69664 below 1.8221 and 1.8871. A student laboratory report prints 1.6966, 1.822."""
    values = np.array([5.363, 5.352, 5.345, 5.359, 5.347, 5.328])
    place, distance = statistics.grubbs(values)

    assert place == 5
    assert distance == pytest.approx(1.69664, abs=1e-4)
    assert statistics.grubbs_critical(6, sides=1) == pytest.approx(1.8221, abs=1e-4)
    assert statistics.grubbs_critical(6) == pytest.approx(1.8871, abs=1e-4)


@pytest.mark.parametrize(
    ("values", "mean", "deviation", "relative"),
    [
        (np.array([10000001.0, 10000003.0, 10000002.0]), 10000002.0, 1.0, 1e-12),
        (np.array([1.2] + 500 * [1.1, 1.3]), 1.2, 0.1, 1e-12),
        (np.array([1000000.2] + 500 * [1000000.1, 1000000.3]), 1000000.2, 0.1, 1e-9),
        (299 + np.array(MICHELSO.split(), dtype=np.float64) / 100, 299.8524, 0.0790105478190518, 1e-9),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "Michelso"],
)
def test_mean_and_deviation_keep_their_digits(
    values: FloatArray, mean: float, deviation: float, relative: float
) -> None:
    """SR-01 to SR-03, SR-05: NIST Statistical Reference Datasets. A one-pass sum gives 0.1072 for the third."""
    found_mean, found_deviation = statistics.mean_and_deviation(values)

    assert found_mean == pytest.approx(mean, rel=1e-14)
    assert found_deviation == pytest.approx(deviation, rel=relative)


def test_least_squares_slope() -> None:
    """SR-06, Norris: slope 1.00211681802045 (NIST Statistical Reference Datasets, certified); our fit over a group."""
    pairs = np.array([[float(part) for part in pair.split("/")] for pair in NORRIS.split()])
    weights = slope_weights(pairs[None, :, 0], np.ones((1, len(pairs)), dtype=np.bool_))

    assert len(pairs) == 36
    assert float(weights[0, 0] @ pairs[:, 1]) == pytest.approx(1.00211681802045, rel=1e-12)


def test_least_squares_residuals() -> None:
    """SR-06, Norris: residual sum of squares 26.6173985294224, standard error of the slope 0.429796848199937·10⁻³.

    NIST Statistical Reference Datasets, certified. The first from our residuals, the second as our propagation makes it
    of errors as large as they are: s·|weights|.
    """
    pairs = np.array([[float(part) for part in pair.split("/")] for pair in NORRIS.split()])
    filled = np.ones((1, len(pairs)), dtype=np.bool_)
    residuals = residual_weights(pairs[None, :, 0], filled)[0] @ pairs[:, 1]
    squares = float(residuals @ residuals)
    per_error = float(np.linalg.norm(slope_weights(pairs[None, :, 0], filled)))

    assert squares == pytest.approx(26.6173985294224, rel=1e-9)
    assert np.sqrt(squares / 34) == pytest.approx(0.884796396144373, rel=1e-9)
    assert np.sqrt(squares / 34) * per_error == pytest.approx(0.429796848199937e-3, rel=1e-9)


def test_statistics_of_too_little_are_refused() -> None:
    """No mean of nothing, no spread or outlier of two, no capability without spread."""
    assert math.isnan(statistics.mean_and_deviation(np.ones(1))[1])
    with pytest.raises(ShapeFault):
        statistics.mean_and_deviation(np.zeros(0))
    with pytest.raises(ShapeFault):
        statistics.grubbs(np.array([1.0, 2.0]))
    with pytest.raises(ShapeFault):
        statistics.grubbs(np.ones(5))
    with pytest.raises(ShapeFault):
        statistics.capability(1.0, 0.0, 0.0, None)
    with pytest.raises(ShapeFault):
        statistics.two_sided_factor(1, 0.9, 0.95)
