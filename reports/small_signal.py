"""Small-signal gain and phase from the sweeps of the network analyzer, and what follows from both.

Rule: what is stated at a condition holds at its frequency, from the one sweep of its channel, code, temperature, mode
and load; the tones' level plays no part. Values of two conditions are compared only where all else is equal.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio
from reports.gain import codes_by_falling_gain
from reports.sweeps import DB_PER_NEPER, DEG_PER_RADIAN, Sweeps
from reports.temperature import at_temperature
from reports.uncertainty import COVERAGE, Uncertain, difference, linear

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.partners import Grid, Rows
    from reports.wide_readings import WideReadings

FloatArray = NDArray[np.float64]
Figure = tuple[str, "Rows", Uncertain]

#: Every characteristic that is made here.
WORDS = (
    "small_signal_gain",
    "small_signal_flatness",
    "phase",
    "phase_change",
    "group_delay",
    "small_signal_gain_match",
    "phase_match",
    "image_rejection",
)

#: Half the span over which a group delay is taken, Hz. Ours: the knots of the declared tracking errors lie this far
#: apart twice, and a filter's ripple that matters to a radar's pulse is no finer.
HALF_APERTURE_HZ = 5e6

#: Largest relative standard uncertainty of an image for which its logarithm is taken as a straight line. Ours: at two
#: of them the image's dB are bent by a third of their own uncertainty; beyond, only a bound is stated.
STRAIGHT_WITHIN = 0.25

#: Radius, in standard uncertainties, of the circle that holds 95.45 % of two independent normal errors of one size:
#: gain and phase err apart, and a mismatch may grow in any direction. From the Rayleigh distribution, 1 − exp(−r²/2).
CIRCLE = float(np.sqrt(-2 * np.log(1 - COVERAGE)))


def figures(frames: RunFrames, wide: WideReadings, grid: Grid) -> Iterator[Figure]:
    """Word of ``CHARACTERISTICS``, the rows that it may be known at, and its values there; nothing without curves.

    Raises:
        CannotDerive: The bench has no network analyzer.
        ShapeFault: The curves contradict themselves.
        NotServed, NotCovered: From the two-ports.
    """
    if frames.curves.empty:
        return
    sweeps = Sweeps.of(frames, wide, grid)
    every = np.arange(wide.rows)

    def steady(quantity: Uncertain) -> Uncertain:
        return at_temperature(quantity, wide, frames.bench.instrument, grid, frames.sequence.soak)

    gain, phase = map(steady, sweeps.at(grid.axis("frequency_hz")))
    yield "small_signal_gain", every, gain
    yield "small_signal_flatness", every, flatness(sweeps)
    yield "phase", every, phase
    falling = codes_by_falling_gain(frames.part.gain_codes)
    rows, highest = grid.pairs("gain_code", dict.fromkeys(falling, falling[0]))
    yield "phase_change", rows, wrapped(difference(phase, rows, phase, highest))
    yield "group_delay", every, group_delay(sweeps, grid.axis("frequency_hz"))
    channels = frames.part.single_channels
    rows, first = grid.pairs("channel", dict.fromkeys(channels[1:], channels[0]))
    gain_match = difference(gain, first, gain, rows)
    phase_match = wrapped(difference(phase, first, phase, rows))
    yield "small_signal_gain_match", rows, gain_match
    yield "phase_match", rows, phase_match
    yield "image_rejection", rows, image_rejection(gain_match, phase_match)


def flatness(sweeps: Sweeps) -> Uncertain:
    """Highest less lowest gain over the sweep of each condition, dB, shape (conditions,); NaN without a sweep.

    The same two points are compared whatever the errors are, so all that does not change over frequency cancels.
    """
    served = np.maximum(sweeps.of_row, 0)
    highest, lowest = sweeps.gain_db.argmax(axis=1)[served], sweeps.gain_db.argmin(axis=1)[served]
    return sweeps.at_points(highest)[0] - sweeps.at_points(lowest)[0]


def group_delay(sweeps: Sweeps, frequency_hz: FloatArray) -> Uncertain:
    """−Δφ/(360°·Δf) around each condition's frequency, s; NaN where the sweep does not reach to both sides."""
    _, below = sweeps.at(frequency_hz - HALF_APERTURE_HZ)
    _, above = sweeps.at(frequency_hz + HALF_APERTURE_HZ)
    return (below - above).scaled(1.0 / (360.0 * 2 * HALF_APERTURE_HZ))


def wrapped(angle_deg: Uncertain) -> Uncertain:
    """The same angles from −180° (excluded) to 180°."""
    turns = np.ceil((angle_deg.value - 180.0) / 360.0)
    return angle_deg.shifted(-360.0 * turns)


def image_rejection_db(gain_match_db: FloatArray, phase_match_deg: FloatArray) -> FloatArray:
    """Rejection of the image by two channels in quadrature that differ by these: shapes (n,) to (n,); ∞ for no error.

    IRR = 10·log10((1 + 2g·cos φ + g²)/(1 − 2g·cos φ + g²)), g the ratio of the amplitudes. It follows from adding and
    subtracting the two phasors 1 and g·exp(jφ) (textbook result, as in B. Razavi, RF Microelectronics; from memory, not
    seen).
    """
    ratio, cosine = 10 ** (gain_match_db / 20), np.cos(np.radians(phase_match_deg))
    wanted, image = 1 + 2 * ratio * cosine + ratio**2, 1 - 2 * ratio * cosine + ratio**2
    with np.errstate(divide="ignore"):
        found: FloatArray = 10 * np.log10(wanted / image)
    return found


def image_rejection(gain_match: Uncertain, phase_match: Uncertain) -> Uncertain:
    """Image rejection in dB from both matches, row by row.

    Where the mismatch is not well above its own uncertainty its logarithm has no slope worth stating: there the value
    is what a mismatch larger by ``CIRCLE`` standard uncertainties would leave, and the true one is at least that.
    """
    ratio = 10 ** (gain_match.value / 20)
    angle = np.radians(phase_match.value)
    cosine, sine = np.cos(angle), np.sin(angle)
    wanted, image = 1 + 2 * ratio * cosine + ratio**2, 1 - 2 * ratio * cosine + ratio**2
    per_neper = DB_PER_NEPER / 2
    safe = np.where(image > 0, image, 1.0)
    by_ratio = per_neper * ((2 * cosine + 2 * ratio) / wanted - (2 * ratio - 2 * cosine) / safe)
    by_angle = per_neper * (-2 * ratio * sine / wanted - 2 * ratio * sine / safe)
    terms = [(by_ratio * ratio / DB_PER_NEPER, gain_match), (by_angle / DEG_PER_RADIAN, phase_match)]
    straight = linear(terms, value=image_rejection_db(gain_match.value, phase_match.value))
    # Relative standard uncertainty of the image's amplitude: 20·log10 has the slope 8.69 dB for each part of it.
    bounded = (image <= 0) | ~(straight.standard / DB_PER_NEPER <= STRAIGHT_WITHIN)
    apart = np.hypot(gain_match.value / DB_PER_NEPER, angle)
    doubt = CIRCLE * np.maximum(gain_match.standard / DB_PER_NEPER, phase_match.standard / DEG_PER_RADIAN)
    least: FloatArray = -db_of_power_ratio(np.where(bounded, ((apart + doubt) / 2) ** 2, 1.0))
    causes = {name: cause.scaled(np.where(bounded, 0.0, 1.0)) for name, cause in straight.causes.items()}
    known = np.isfinite(straight.value) | bounded
    return Uncertain(np.where(bounded, least, straight.value), causes, (bounded & known).astype(np.int8))
