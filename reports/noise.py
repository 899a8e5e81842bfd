"""Noise figure from the noise at the analyzer, by two methods.

Both subtract the analyzer's own noise in power, which is what Friis's formula does for a second stage (H. T. Friis,
Noise Figures of Radio Receivers, Proc. IRE 32, 1944; from memory, not seen), and both go back to the noise in the load,

    N = L·(X − A) + k·T_room,

with X the noise density that was read, A the analyzer's with a resistor at room temperature at its input, and L the
loss of the output path, which is at room temperature as well and so passes the room's thermal noise unchanged.

Gain method: F = 1 + (N / (k·G) − T_source) / T0, with G the unit's measured power gain and T0 = 290 K. The source is a
resistor at room temperature, not at 290 K. Level error and output path are in N and in G alike, and cancel.

Y-factor: Y = N_hot / N_cold, T_e = (T_hot − Y·T_cold) / (Y − 1), F = 1 + T_e / T0 (the usual definition, as in vendors'
application notes on noise figure; from memory, not seen). No gain is needed; T_hot is that of the noise source, with
its excess noise ratio (T_source − T0) / T0, behind the input path. Where the unit is noisy Y is near 1 and tells
nothing; the gain method then does.

Assumed: the analyzer reads noise as power, in a bandwidth that is its resolution bandwidth; harmless for the Y-factor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.analyzer_limits import LEAST_ABOVE_NOISE_DB
from reports.decibels import power_ratio
from reports.levels import path_loss, reading_causes
from reports.uncertainty import Cause, Uncertain, choose, linear, standard
from reports.wide_readings import WideReadings, wide_readings
from sequences.products import NOISE, NOISE_HOT

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.frames import RunFrames

FloatArray = NDArray[np.float64]

#: J/K, exact: SI Brochure, 9th edition, 2019, 2.2.
BOLTZMANN_J_PER_K = 1.380649e-23

#: Temperature to which noise figures and excess noise ratios refer (IEEE Std 100, from memory).
REFERENCE_K = 290.0

ZERO_C_K = 273.15

#: The linear terms of the Y-factor stand only where Y − 1 is known at least this many times better than its size.
LEAST_Y_PER_U = 4.0

#: A reading less than this above the analyzer's own noise, where that was read with a through: own noise is then known
#: to its scatter, and a decibel above it is still told apart (0.1 dB of scatter in each leave 0.7 dB). Ours.
LEAST_ABOVE_MEASURED_NOISE_DB = 1.0

#: Causes that a reading with the through does not share with one of the unit, and their names there.
_OWN_SCATTER = {
    "noise in the reading": "noise in the reading with a through",
    "scatter of repeated levels": "scatter of repeated levels with a through",
}

_NEPER_PER_DB = float(np.log(10.0)) / 10.0


@dataclass(frozen=True, slots=True, eq=False)
class NoiseReadings:
    """What a run tells about noise, one row per condition.

    Attributes:
        cold, hot: Noise density at the analyzer in dBm/Hz, source off and on; NaN where it was not read.
        own: The analyzer's own noise density at the same attenuation, dBm/Hz.
        output_loss, input_loss: Of the paths at the condition's frequency, dB.
        room_k: Temperature of room, paths and cold source.
        room_standard_k: Its standard uncertainty.
        excess_ratio: (T_source − T0) / T0 of the noise source that is on, shape (conditions,); NaN without one.
        excess_db_standard: Standard uncertainty of that ratio in dB.
        in_noise: Where the cold reading is too near the analyzer's own noise to tell the two apart.
    """

    cold: Uncertain
    hot: Uncertain
    own: Uncertain
    output_loss: Uncertain
    input_loss: Uncertain
    room_k: float
    room_standard_k: float
    excess_ratio: FloatArray
    excess_db_standard: float
    in_noise: NDArray[np.bool_]

    @classmethod
    def of(cls, frames: RunFrames, wide: WideReadings) -> NoiseReadings:
        """From a run that has read noise. Raises NotServed or NotCovered for a path that the bench file lacks."""
        there = ~np.isnan(wide.of(f"{NOISE}_level_dbm"))
        cold, hot = (_density(frames, wide, name) for name in (NOISE, NOISE_HOT))
        declared, shown = _declared(frames, wide), _shown_by_through(frames, wide)
        is_shown = ~np.isnan(shown.value)
        own = choose(is_shown, _filled(shown, is_shown), _filled(declared, ~is_shown))
        least_db = np.where(is_shown, LEAST_ABOVE_MEASURED_NOISE_DB, LEAST_ABOVE_NOISE_DB)
        source = frames.bench.instrument.noise_source
        hertz = frames.conditions["frequency_hz"].to_numpy(dtype=np.float64)
        ratio, ratio_db = np.full(wide.rows, np.nan), 0.0
        if source is not None:
            known = {at_hz: source.enr_at_db(at_hz) for at_hz in np.unique(hertz).tolist()}
            ratio = power_ratio(np.array([known[at_hz] for at_hz in hertz.tolist()], dtype=np.float64))
            ratio_db = standard(source.accuracy.enr_db, "rectangular")
        return cls(
            cold,
            hot,
            own,
            path_loss(frames, "output", NOISE, there),
            path_loss(frames, "input", NOISE, there),
            frames.bench.fixture.room_c + ZERO_C_K,
            standard(frames.bench.fixture.room_within_k, "rectangular"),
            ratio,
            ratio_db,
            cold.value - own.value < least_db,
        )


def by_gain(noise: NoiseReadings, power_gain: Uncertain) -> Uncertain:
    """Noise figure in dB from the cold reading and the unit's power gain in dB, shape (conditions,).

    A reading within ``LEAST_ABOVE_NOISE_DB`` of the analyzer's own noise gives "at most": all of it is the unit's.
    NaN where the noise left would be less than that of the source.
    """
    gain = power_ratio(power_gain.value)
    loss, read, own = _linear(noise)
    scale = 1e-3 * loss / (BOLTZMANN_J_PER_K * gain)
    referred_k = scale * (read - own) + noise.room_k / gain
    factor = 1.0 + (referred_k - noise.room_k) / REFERENCE_K
    per_k = 1.0 / (np.where(factor > 0, factor, np.nan) * REFERENCE_K)
    terms = [
        (per_k * scale * read, noise.cold),
        (-per_k * scale * own, noise.own),
        (per_k * scale * (read - own), noise.output_loss),
        (-per_k * referred_k, power_gain),
        (-per_k * (1.0 - 1.0 / gain) / _NEPER_PER_DB, _room(noise, len(gain))),
    ]
    return _figure(factor, terms, noise)


def by_y_factor(noise: NoiseReadings) -> Uncertain:
    """Noise figure in dB from the hot and the cold reading, shape (conditions,).

    "At most" as in ``by_gain``. NaN where there is no hot reading, or Y − 1 is not ``LEAST_Y_PER_U`` times its standard
    uncertainty: what is left of Y is then noise.
    """
    loss, read, own = _linear(noise)
    room_k, scale = noise.room_k, 1e-3 * loss / BOLTZMANN_J_PER_K
    hot_read = power_ratio(noise.hot.value)
    cold_k, hot_k = scale * (read - own) + room_k, scale * (hot_read - own) + room_k
    input_share = power_ratio(-noise.input_loss.value)
    source_k = REFERENCE_K * (1.0 + noise.excess_ratio)
    at_input_k = room_k + (source_k - room_k) * input_share
    risen_k = hot_k - cold_k
    per_db = [scale * hot_read * _NEPER_PER_DB, -scale * read * _NEPER_PER_DB]
    risen = linear(list(zip(map(np.nan_to_num, per_db), (noise.hot, noise.cold), strict=True)))
    tells = risen_k > LEAST_Y_PER_U * risen.standard
    safe_k = np.where(tells, risen_k, np.nan)
    noise_k = (at_input_k * cold_k - hot_k * room_k) / safe_k
    factor = 1.0 + noise_k / REFERENCE_K
    per_k = 1.0 / (np.where(factor > 0, factor, np.nan) * REFERENCE_K)
    by_cold = hot_k * (at_input_k - room_k) / safe_k**2
    by_hot = -cold_k * (at_input_k - room_k) / safe_k**2
    by_source = cold_k / safe_k
    rows = len(factor)
    ratio_db = Cause.of(
        noise.excess_db_standard,
        rows=rows,
        standard=noise.excess_db_standard,
        unit="dB",
        name_of=lambda _: "noise source: excess noise ratio",
    )
    of_room = by_cold + by_hot - hot_k / safe_k + by_source * (1.0 - input_share)
    terms = [
        (per_k * by_cold * scale * read, noise.cold),
        (per_k * by_hot * scale * hot_read, noise.hot),
        (-per_k * (by_cold + by_hot) * scale * own, noise.own),
        (per_k * scale * (by_cold * (read - own) + by_hot * (hot_read - own)), noise.output_loss),
        (-per_k * by_source * (source_k - room_k) * input_share, noise.input_loss),
        (
            per_k * by_source * REFERENCE_K * noise.excess_ratio * input_share,
            Uncertain.of(np.zeros(rows), {"excess noise ratio": ratio_db}),
        ),
        (per_k * of_room / _NEPER_PER_DB, _room(noise, rows)),
    ]
    return _figure(factor, terms, noise)


def better_of(y_factor: Uncertain, gain: Uncertain) -> Uncertain:
    """Row by row the measured one of both methods, or of two alike the one with the smaller standard uncertainty."""
    y_known, gain_known = ~np.isnan(y_factor.value), ~np.isnan(gain.value)
    as_firm = np.abs(y_factor.bound) == np.abs(gain.bound)
    smaller = np.where(as_firm, y_factor.standard <= gain.standard, y_factor.bound == 0)
    takes_y = y_known & (~gain_known | smaller)
    return choose(takes_y, _filled(y_factor, takes_y), _filled(gain, ~takes_y))


def _filled(quantity: Uncertain, used: NDArray[np.bool_]) -> Uncertain:
    """The same with the rows that are not used emptied, so that what is missing there spoils no other row."""
    causes = {
        name: replace(cause, contribution=np.where(used[:, None], cause.contribution, 0.0))
        for name, cause in quantity.causes.items()
    }
    return Uncertain(quantity.value, causes, quantity.bound)


def _linear(noise: NoiseReadings) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Loss of the output path as a ratio; cold reading and own noise in mW/Hz, the latter 0 where not told apart."""
    own = np.where(noise.in_noise, 0.0, power_ratio(noise.own.value))
    return power_ratio(noise.output_loss.value), power_ratio(noise.cold.value), own


def _figure(factor: FloatArray, terms: Sequence[tuple[FloatArray, Uncertain]], noise: NoiseReadings) -> Uncertain:
    figure_db = np.log10(np.where(factor > 0, factor, np.nan)) * 10.0
    # Where the figure is not known there is no sensitivity either.
    found = linear([(np.nan_to_num(by), quantity) for by, quantity in terms], value=figure_db)
    return Uncertain(figure_db, found.causes, np.where(noise.in_noise, -1, 0).astype(np.int8))


def _density(frames: RunFrames, wide: WideReadings, name: str) -> Uncertain:
    """Reading per hertz in dBm/Hz with the errors of the reading."""
    analyzer = frames.bench.instrument.analyzer
    if analyzer is None or f"{name}_level_dbm" not in wide.mean:
        return Uncertain.of(np.full(wide.rows, np.nan))
    value = wide.of(f"{name}_level_dbm") - 10.0 * np.log10(wide.of(f"{name}_bandwidth_hz"))
    return Uncertain.of(value, reading_causes(frames, wide, name, analyzer))


def _declared(frames: RunFrames, wide: WideReadings) -> Uncertain:
    """The analyzer's own noise density at the attenuation of the cold reading, as the bench file declares it."""
    analyzer = frames.bench.instrument.analyzer
    if analyzer is None:
        return Uncertain.of(np.full(wide.rows, np.nan))
    density_db = standard(analyzer.accuracy.noise_db, "rectangular")
    cause = Cause.of(
        density_db,
        rows=wide.rows,
        standard=density_db,
        unit="dB",
        name_of=lambda _: "analyzer: declared noise density",
    )
    value = analyzer.noise_dbm_per_hz + wide.of(f"{NOISE}_attenuation_db")
    return Uncertain.of(value, {"analyzer noise level": cause})


def _shown_by_through(frames: RunFrames, wide: WideReadings) -> Uncertain:
    """Noise density with a through and the source off at the same attenuation and frequency; NaN where not read.

    A through passes what a resistor at room temperature gives, so this is the analyzer's own. It errs as the reading
    with the unit does, draw by draw, but for its own scatter.
    """
    through, nothing = frames.residual, Uncertain.of(np.full(wide.rows, np.nan))
    if through is None:
        return nothing
    there = wide_readings(through.conditions.index, through.readings)
    density = _density(through, there, NOISE)
    known = np.flatnonzero(~np.isnan(density.value)).tolist()
    if not known:
        return nothing
    keys = [
        list(zip(one.conditions["frequency_hz"], readings.of(f"{NOISE}_attenuation_db").tolist(), strict=True))
        for one, readings in ((through, there), (frames, wide))
    ]
    partner_of = {keys[0][row]: row for row in reversed(known)}
    found = np.array([partner_of.get(key, -1) for key in keys[1]], dtype=np.intp)
    matched = density.take(np.where(found >= 0, found, known[0]))
    causes = {_OWN_SCATTER.get(name, name): cause for name, cause in matched.causes.items()}
    return Uncertain.of(np.where(found >= 0, matched.value, np.nan), causes)


def _room(noise: NoiseReadings, rows: int) -> Uncertain:
    """The room's temperature as a quantity of 0 K with its uncertainty."""
    room_k = noise.room_standard_k
    cause = Cause.of(
        room_k,
        rows=rows,
        standard=room_k,
        unit="K",
        name_of=lambda _: "fixture: temperature of the room",
    )
    return Uncertain.of(np.zeros(rows), {"room temperature": cause})
