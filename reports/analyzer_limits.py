"""What the analyzer itself adds to a weak line: its noise and its own distortion.

Rule: a line that the analyzer alone could explain is a bound, never a measurement.

All levels are at the analyzer's connector, in dBm; arrays share one shape. NaN (a reading that is not there) passes
through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio, db_of_voltage_ratio, power_ratio, voltage_ratio
from reports.errors import NotPositive
from sequences.products import LINES

FloatArray = NDArray[np.float64]

#: A reading less than this above the expected noise is more noise than line: 3.01 dB displayed is 0 dB true.
LEAST_ABOVE_NOISE_DB = 3.0

#: A reading less than this above the analyzer's own product may be half the analyzer's in voltage. Ours: from 6 dB on,
#: the error of an unknown phase (at most +3.5, −6 dB) is still an uncertainty and not a different number.
LEAST_ABOVE_OWN_PRODUCT_DB = 6.0

#: Standard deviations that tell "at most" from "expected", and by which a reading counts as lower when it is judged
#: whether to believe it: else those would be believed that noise has lifted.
SCATTERS = 2.0

#: A harmonic of one tone against the product of two equal tones of the same order, dB: a2·A² and a2·A²/2 for the
#: second order, 3/4·a3·A³ and a3·A³/4 for the third, by the power series.
HARMONIC_BELOW_PRODUCT_DB = {2: 20 * float(np.log10(2)), 3: 20 * float(np.log10(3))}

DB_PER_NEPER = 20 / float(np.log(10))


def noise_level_dbm(noise_dbm_per_hz: float, attenuation_db: FloatArray, bandwidth_hz: FloatArray) -> FloatArray:
    """Noise that the analyzer shows in a bandwidth. The density is at 0 dB attenuation and rises dB for dB with it."""
    return noise_dbm_per_hz + attenuation_db + db_of_power_ratio(bandwidth_hz)


def own_product_dbm(
    line: str,
    tone_lower_dbm: FloatArray,
    tone_upper_dbm: FloatArray,
    attenuation_db: FloatArray,
    intercept_dbm: float,
) -> FloatArray:
    """Level of a product that the analyzer makes itself from the two tones at its connector.

    The intercept is input-referred at 0 dB attenuation and of the line's own order; it rises dB for dB with the
    attenuation. For order k = |n| + |m| the level is |n|·P1 + |m|·P2 − (k − 1)·(IP + attenuation), less
    ``HARMONIC_BELOW_PRODUCT_DB`` for a harmonic (power series).
    """
    n, m = (abs(factor) for factor in LINES[line])
    order = n + m
    intercept = intercept_dbm + attenuation_db
    level: FloatArray = n * tone_lower_dbm + m * tone_upper_dbm - (order - 1) * intercept
    return level - HARMONIC_BELOW_PRODUCT_DB[order] if m == 0 else level


def noise_correction_db(above_noise_db: FloatArray) -> FloatArray:
    """What to add to a power-averaged reading to take the noise out: 10·log10(1 − 10^(−R/10)), R = (S + N)/N in dB.

    Raises:
        NotPositive: R is not above 0: there is no signal in such a reading.
    """
    if np.any(above_noise_db <= 0):
        raise NotPositive("level above the noise in dB", float(np.nanmin(above_noise_db)))
    return db_of_power_ratio(1.0 - power_ratio(-above_noise_db))


def noise_sensitivity(above_noise_db: FloatArray) -> FloatArray:
    """dB of the corrected level per dB of the reading: 1 / (1 − 10^(−R/10)). Per dB of noise: 1 less this."""
    result: FloatArray = 1.0 / (1.0 - power_ratio(-above_noise_db))
    return result


def phase_error_db(above_own_db: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest and lowest error of a line on which a product ``above_own_db`` below it rides with unknown phase.

    20·log10(1 ± 10^(−d/20)); the lowest is −∞ at d = 0. Raises NotPositive for a product above the line.
    """
    if np.any(above_own_db < 0):
        raise NotPositive("level above the analyzer's product in dB", float(np.nanmin(above_own_db)))
    ratio = voltage_ratio(-above_own_db)
    equal = ratio == 1.0
    lowest = db_of_voltage_ratio(np.where(equal, 0.5, 1.0 - ratio))
    return db_of_voltage_ratio(1.0 + ratio), np.where(equal, -np.inf, lowest)


def phase_standard_db(above_own_db: FloatArray) -> FloatArray:
    """Standard deviation in dB of a line on which a product d below it rides with uniformly distributed phase.

    With x = 10^(−d/20) < 1, ln|1 + x·e^(jφ)| = Σ (−1)^(k+1)·x^k·cos(kφ)/k, so over φ the mean is 0 and the variance is
    Li2(x²)/2 nepers²; for small x that is the U-shaped distribution of half-width x, x/√2. d must be above 0.
    """
    from scipy.special import spence

    # SciPy's spence(z) is Li2(1 − z).
    result: FloatArray = DB_PER_NEPER * np.sqrt(0.5 * spence(1.0 - power_ratio(-above_own_db)))
    return result


def highest_line_dbm(reading_dbm: FloatArray, own_dbm: FloatArray) -> FloatArray:
    """Highest level that the unit's line can have: reading and the analyzer's own product in opposite phase."""
    return db_of_voltage_ratio(voltage_ratio(reading_dbm) + voltage_ratio(own_dbm))
