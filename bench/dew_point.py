"""Dew point of humid air, which decides whether a surface gets wet. Pure."""

from __future__ import annotations

import math

from bench.hazard_numbers import MAGNUS_B, MAGNUS_C


def dew_point_c(air_c: float, humidity_percent: float) -> float:
    """Dew point over water in °C. Source: Alduchov & Eskridge 1996. Raises ValueError at or below 0 % humidity."""
    if humidity_percent <= 0:
        raise ValueError("a dew point needs a relative humidity above 0 %")
    gamma = math.log(humidity_percent / 100) + MAGNUS_B * air_c / (MAGNUS_C + air_c)
    return MAGNUS_C * gamma / (MAGNUS_B - gamma)
