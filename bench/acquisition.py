"""How the analyzer looks at each line: the fastest setting that reaches the target uncertainty.

Pure: levels in, settings out. Two things spoil a reading of a weak line, and they pull in opposite directions: the
analyzer's noise falls with less attenuation, its own products fall with more. So

* the *attenuation* follows from the tones' level alone. With levels meant at the unit's output it is the same at every
  gain code, so that its error cancels in step error, matching and products relative to their tones;
* the *bandwidth* of each line follows from what the line is expected to be, learnt from the neighbouring condition,
  and a reading whose scatter shows that the guess was too hopeful is taken again, once, more slowly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache

from drivers.roles import PowerReading, SweepSetting
from sequences.bench_file import AnalyzerEntry
from sequences.products import LINES, TONES
from sequences.sequence_file import Measure

#: Samples per sweep. Ours: the scatter of a standard deviation from n samples is 1/√(2(n−1)) (JCGM 100, E.4.3, from
#: memory), 16 % here; fewer would make the type A figure itself doubtful.
POINTS = 21

#: Most samples of one sweep. Ours: within what analyzers offer, and 0.04 dB for noise alone.
MOST_POINTS = 10_001

#: Slowest sweep that is tried. Ours: beyond it the drift of chamber and sources outweighs what averaging gains.
LONGEST_SWEEP_S = 3.5

#: The bandwidth stays this much below the tones' spacing, so that the neighbour is outside the filter's skirt.
SPACING_PER_BANDWIDTH = 30.0

#: A reading is taken again when its scatter exceeds the target by this factor (1 would repeat half of all readings).
PATIENCE = 1.6

#: Products are expected this much weaker than the neighbour's, so that most guesses are good the first time.
GUESS_MARGIN_DB = 2.0

#: Own products of the analyzer this far below the unit's cost at most 0.18 dB (20·log10(1 + 10^(−34/20))).
WANTED_DISTANCE_DB = 34.0


#: The analyzer's reference level stands at least this far above the strongest line that is expected: more than a unit
#: is off its nominal gain, and far below what costs an analyzer noise. Ours.
REFERENCE_ABOVE_DB = 10.0

#: Reference levels go in steps of this, so that a few dB more or less cost no message. Ours.
REFERENCE_STEP_DB = 5.0

#: What noise alone may reach at the analyzer in its widest filter: 30 dB of gain over that of a noise source with an
#: excess noise ratio of 30 dB, in 1 MHz, are -54 dBm. Ours.
NOISE_AT_MOST_DBM = -50.0


def reference_level_dbm(strongest_dbm: float) -> float:
    """Reference level for lines of which the strongest is expected at ``strongest_dbm``, at the analyzer."""
    return math.ceil((strongest_dbm + REFERENCE_ABOVE_DB) / REFERENCE_STEP_DB) * REFERENCE_STEP_DB


def order_of(line: str) -> int:
    """Order of a line: how many dB it changes for 1 dB of both tones, below the knee."""
    n, m = LINES[line]
    return abs(n) + abs(m)


def expected_level_dbm(line: str, tone_level_dbm: float, intercept_dbm: float) -> float:
    """Level of a product from its output intercept: k·P − (k − 1)·I."""
    order = order_of(line)
    return order * tone_level_dbm - (order - 1) * intercept_dbm


def intercept_dbm(line: str, tone_level_dbm: float, level_dbm: float) -> float:
    """Inverse of ``expected_level_dbm`` for a product (order two or more)."""
    order = order_of(line)
    return (order * tone_level_dbm - level_dbm) / (order - 1)


def scatter_db(level_dbm: float, noise_dbm: float, points: int) -> float:
    """Standard deviation, in dB, of the mean power of ``points`` samples of a steady line in Gaussian noise.

    One sample of |line + noise|² has the variance 2·S·N + N² (S, N: powers), so relative to S: 2/r + 1/r².
    """
    ratio = 10 ** ((level_dbm - noise_dbm) / 10)
    return 10 / math.log(10) * math.sqrt((2 / ratio + 1 / ratio**2) / points)


class Acquisition:
    """Chooses settings for one run on one analyzer.

    Args:
        analyzer: Noise, intercepts and steps as the bench file declares them.
        measure: Target scatter for tones and for products.
        spacing_hz: Distance of the two tones.
        typical_intercepts_dbm: First guess of each product's output intercept at the unit's load, in dBm.
    """

    def __init__(
        self,
        analyzer: AnalyzerEntry,
        measure: Measure,
        spacing_hz: float,
        typical_intercepts_dbm: Mapping[str, float],
    ) -> None:
        self._analyzer = analyzer
        self._measure = measure
        widest = spacing_hz / SPACING_PER_BANDWIDTH
        allowed = [width for width in sorted(analyzer.bandwidths_hz) if width <= widest]
        self._bandwidths_hz = tuple(allowed or sorted(analyzer.bandwidths_hz)[:1])
        self._typical_dbm = dict(typical_intercepts_dbm)
        self._learnt_dbm = dict(typical_intercepts_dbm)
        self._setting_for = lru_cache(maxsize=None)(self._fastest)
        self._attenuation_for = lru_cache(maxsize=None)(self._attenuation)

    def attenuation_db(self, tone_level_dbm: float, output_loss_db: float) -> float:
        """Attenuation for tones of this level at the analyzer, behind this loss: the same whatever the gain code."""
        return self._attenuation_for(round(tone_level_dbm, 1), round(output_loss_db))

    def first_setting(
        self, line: str, tone_level_dbm: float, output_loss_db: float, attenuation_db: float
    ) -> SweepSetting:
        """Setting for a first look at ``line``; levels at the analyzer, in dBm."""
        if line in TONES:
            return self._setting_for(round(tone_level_dbm), attenuation_db, self._measure.tone_scatter_db)
        intercept = self._learnt_dbm[line] - output_loss_db
        level = expected_level_dbm(line, tone_level_dbm, intercept) - GUESS_MARGIN_DB
        return self._setting_for(round(level), attenuation_db, self._measure.product_scatter_db)

    def better_setting(self, line: str, used: SweepSetting, reading: PowerReading) -> SweepSetting | None:
        """A slower setting if the reading misses its target and one would help; None if it is good enough."""
        target = self._measure.tone_scatter_db if line in TONES else self._measure.product_scatter_db
        if reading.scatter_db <= PATIENCE * target:
            return None
        slower = self._setting_for(math.floor(reading.level_dbm) - 1, used.attenuation_db, target)
        return slower if slower.resolution_bandwidth_hz < used.resolution_bandwidth_hz else None

    def noise_setting(self) -> SweepSetting:
        """Setting for noise alone: lowest attenuation, widest filter, as many samples as the target scatter asks for.

        The mean power of n samples of Gaussian noise has the relative standard deviation 1/√n.
        """
        wanted = (10 / math.log(10) / self._measure.noise_scatter_db) ** 2
        points = min(max(math.ceil(wanted), POINTS), MOST_POINTS)
        return SweepSetting(max(self._analyzer.bandwidths_hz), min(self._analyzer.attenuations_db), points)

    def protected_setting(self) -> SweepSetting:
        """Highest attenuation: what the analyzer stands at when a tone may come on."""
        return SweepSetting(self._bandwidths_hz[-1], max(self._analyzer.attenuations_db), POINTS)

    def learn(self, line: str, tone_level_dbm: float, output_loss_db: float, level_dbm: float) -> None:
        """Remember what a product was, for the next condition. Levels at the analyzer, in dBm."""
        if line not in TONES:
            self._learnt_dbm[line] = intercept_dbm(line, tone_level_dbm, level_dbm) + output_loss_db

    def expected_setting(
        self, line: str, tone_level_dbm: float, output_loss_db: float, intercepts_dbm: Mapping[str, float]
    ) -> SweepSetting:
        """Setting that a unit with these intercepts will need; for estimates before a run."""
        attenuation = self.attenuation_db(tone_level_dbm, output_loss_db)
        if line in TONES:
            return self._setting_for(round(tone_level_dbm), attenuation, self._measure.tone_scatter_db)
        level = expected_level_dbm(line, tone_level_dbm, intercepts_dbm[line] - output_loss_db)
        return self._setting_for(round(level - GUESS_MARGIN_DB), attenuation, self._measure.product_scatter_db)

    def _attenuation(self, tone_level_dbm: float, output_loss_db: float) -> float:
        product = expected_level_dbm("im3_lower", tone_level_dbm, self._typical_dbm["im3_lower"] - output_loss_db)
        steps = sorted(self._analyzer.attenuations_db)
        for attenuation in steps:
            own = 3 * tone_level_dbm - 2 * (self._analyzer.intercept3_dbm + attenuation)
            if product - own >= WANTED_DISTANCE_DB:
                return attenuation
        return steps[-1]

    def _fastest(self, level_dbm: float, attenuation_db: float, target_db: float) -> SweepSetting:
        """Widest bandwidth that reaches ``target_db`` at this level, or the narrowest that is not too slow."""
        floor_dbm = self._analyzer.noise_dbm_per_hz + attenuation_db
        slowest = SweepSetting(self._bandwidths_hz[-1], attenuation_db, POINTS)
        for bandwidth in reversed(self._bandwidths_hz):
            setting = SweepSetting(bandwidth, attenuation_db, POINTS)
            if setting.sweep_s > LONGEST_SWEEP_S:
                return slowest
            if scatter_db(level_dbm, floor_dbm + 10 * math.log10(bandwidth), POINTS) <= target_db:
                return setting
            slowest = setting
        return slowest
