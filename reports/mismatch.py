"""Two ends that reflect and face each other: what of the level between them is not known.

Each end sends back a part Γ of the wave that meets it. What runs to and fro between two ends adds to the direct wave
with a phase that nobody knows, so that the loss between them errs by 20·log10|1 + Γ1·Γ2·e^(jφ)|. What either end
reflects by itself is no error: it is in the calibration of the instrument, or in the path's loss.

A voltage standing wave ratio is 1 for an end that reflects nothing. Formulas as in makers' manuals of power sensors.
"""

from __future__ import annotations

import math

import numpy as np

from reports.analyzer_limits import phase_error_db
from reports.causes import standard
from reports.errors import ShapeFault


def reflection(vswr: float) -> float:
    """Magnitude of the reflection coefficient, |Γ| = (s − 1)/(s + 1). Raises ShapeFault unless 1 ≤ s < ∞."""
    if not 1.0 <= vswr < math.inf:
        raise ShapeFault(f"a standing wave ratio of {vswr:g}")
    return (vswr - 1.0) / (vswr + 1.0)


def return_loss_db(vswr: float) -> float:
    """By how much the reflected wave is below the incident one, −20·log10|Γ|; ∞ where nothing is reflected."""
    size = reflection(vswr)
    return -20.0 * math.log10(size) if size else math.inf


def mismatch_limits_db(vswr: float, other: float) -> tuple[float, float]:
    """Lowest and highest error of the loss, 20·log10(1 ∓ |Γ1·Γ2|)."""
    highest, lowest = phase_error_db(np.array([return_loss_db(vswr) + return_loss_db(other)]))
    return float(lowest[0]), float(highest[0])


def mismatch_standard_db(vswr: float, other: float) -> float:
    """Standard uncertainty of the loss: the lower limit, which is the wider one, as a U-shaped half-width.

    The divisor √2 is practice of UKAS M3003 (from memory, not seen).
    """
    lowest, _ = mismatch_limits_db(vswr, other)
    return standard(abs(lowest), "U-shaped")
