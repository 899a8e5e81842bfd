"""Dew point, which decides whether a chamber may be opened in the cold, against published constants and libraries."""

from __future__ import annotations

import math

import pytest

from bench.dew_point import dew_point_c


@pytest.mark.parametrize(
    ("air_c", "humidity_percent", "dew_c", "others_c"),
    [(23.0, 50.0, 12.020, (12.014, 12.028, 12.010)), (20.0, 50.0, 9.261, (9.255, 9.272, 9.256))],
)
def test_the_dew_point_agrees_with_other_formulas(
    air_c: float, humidity_percent: float, dew_c: float, others_c: tuple[float, float, float]
) -> None:
    """Constants 17.625 and 243.04 °C of Alduchov and Eskridge, 1996; values computed, so within 0.002 K.

    The others: constants 17.62 and 243.12 °C of the WMO, and the libraries psychrolib 2.5 and MetPy 1.7; within 0.03 K.
    """
    found_c = dew_point_c(air_c, humidity_percent)

    assert found_c == pytest.approx(dew_c, abs=0.002)
    assert all(found_c == pytest.approx(other_c, abs=0.03) for other_c in others_c)


@pytest.mark.parametrize("air_c", [-40.0, 0.0, 20.0, 85.0])
def test_saturated_air_is_at_its_dew_point(air_c: float) -> None:
    """By definition, at every temperature."""
    assert dew_point_c(air_c, 100.0) == pytest.approx(air_c, abs=1e-6)


@pytest.mark.parametrize("air_c", [5.0, 15.0, 20.0, 23.0, 25.0, 30.0, 35.0])
@pytest.mark.parametrize("humidity_percent", [10.0, 30.0, 50.0, 70.0, 90.0])
def test_the_dew_point_is_that_of_the_formula_of_the_wmo(air_c: float, humidity_percent: float) -> None:
    """Saturation over water 6.112 hPa · exp(17.62 t / (243.12 °C + t)): WMO-No. 8, annex 4.B, from memory, not seen.

    Solved for the dew point here, by halving. Both formulas claim a few tenths of a percent of pressure, thus 0.05 K.
    """

    def pressure_hpa(at_c: float) -> float:
        return 6.112 * math.exp(17.62 * at_c / (243.12 + at_c))

    vapour_hpa = humidity_percent / 100 * pressure_hpa(air_c)
    lowest_c, highest_c = -60.0, air_c
    for _ in range(60):
        middle_c = (lowest_c + highest_c) / 2
        lowest_c, highest_c = (middle_c, highest_c) if pressure_hpa(middle_c) < vapour_hpa else (lowest_c, middle_c)

    assert dew_point_c(air_c, humidity_percent) == pytest.approx(highest_c, abs=0.05)
