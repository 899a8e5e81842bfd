"""How far the third-order products keep to the 3:1 slope over the level of the tones, and where they leave it.

Rule: levels are those measured in the load, never settings; only conditions that are equal on every axis but the tone
level are compared.

Product and tone stand for the means, in dB, of both sidebands and of both tones: 2f1 − f2 grows with (2·P1 + P2)/3 and
2f2 − f1 with (P1 + 2·P2)/3, so of a third-order product the mean grows 3 dB for each dB of the tones' mean, whether
the tones are equal or not (Kundert, Accurate and Rapid Measurement of IP2 and IP3, 2002; from memory, not seen).

Between two levels everything is interpolated over the tones' power in watts. There a fifth-order term, the first to
bend the 3:1 slope, adds to the amplitude of the product in proportion to that power, so the interpolation is exact for
it; what a straight line in dB would have given differs, and that difference counts as uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.decibels import power_ratio
from reports.grouped import Groups
from reports.partners import Grid, Rows
from reports.uncertainty import DIVISORS, Cause, Uncertain, difference, linear, ratio

if TYPE_CHECKING:
    from collections.abc import Mapping

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Order of the products, and so their slope.
ORDER = 3.0

#: How far the local slope may be from 3, dB per dB. Ours: what 0.2 dB of noise in each product leaves of a slope over
#: 3 dB with k = 2, rounded up; a smaller deviation could not be told from noise on a bench of usual settings.
SLOPE_WITHIN = 0.2

#: Least distance in dB of two levels whose slope is looked at for the departure. Ours: closer ones tell noise.
LEAST_SPAN_DB = 2.5

#: How far the product lies above the 3:1 extrapolation at the knee, dB.
KNEE_DB = 1.0

#: Largest U of the excess, dB, with which a knee can be told: half of what is looked for. Ours; beyond, noise decides
#: which level is first above it, and the propagation, which takes that choice as given, promises too much.
KNEE_KNOWN_WITHIN_DB = KNEE_DB / 2

#: From this many levels on the extrapolation starts from the mean of the lowest two: half of the noise, and still two
#: levels above to find the knee with. Ours.
LEVELS_FOR_TWO = 4

_DB_PER_NEPER = 20.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, eq=False)
class ThirdOrder:
    """Tones and third-order products of a run.

    Attributes:
        tone: Mean level of both tones in the load, dBm, shape (conditions,).
        product: Mean level of both products in the load, dBm; bounded if either is.
    """

    tone: Uncertain
    product: Uncertain

    @classmethod
    def of(cls, tones: tuple[Uncertain, Uncertain], products: Mapping[str, Uncertain]) -> ThirdOrder:
        """From the levels of both tones and of the lines ``im3_lower`` and ``im3_upper``."""
        return cls(
            linear([(0.5, tones[0]), (0.5, tones[1])]),
            linear([(0.5, products["im3_lower"]), (0.5, products["im3_upper"])]),
        )

    @property
    def known(self) -> Flags:
        """Where the tones are measured and the product is known, perhaps only as a bound; shape (conditions,)."""
        known: Flags = ~np.isnan(self.tone.value + self.product.value) & (self.tone.bound == 0)
        return known

    @property
    def measured(self) -> Flags:
        """Where both are measured and not only bounded."""
        measured: Flags = self.known & (self.product.bound == 0)
        return measured


def local_slopes(lines: ThirdOrder, grid: Grid) -> tuple[Rows, Uncertain]:
    """Slope of the product over the tones between neighbouring levels, dB per dB, and the rows of the upper level.

    3 where the third order rules. A pair counts where the tones rose by more than the expanded uncertainty of the rise.
    A product that is only "at most" makes the slope below it "at most" and the one above it "at least"; two of them
    leave nothing.
    """
    groups = Groups.along(grid, "tone_level_dbm", lines.tone.value, lines.known)
    _, upper, slope = _slopes(lines, *groups.neighbours())
    return upper, slope


def departures(lines: ThirdOrder, grid: Grid) -> tuple[Rows, Uncertain]:
    """Tone level in dBm at which the product leaves the 3:1 slope, and the rows of the group's lowest level.

    Of the slopes from each level to the next one that is ``LEAST_SPAN_DB`` above it or more, each at the middle of its
    levels, the first counts that is off 3 by more than ``SLOPE_WITHIN`` and by more than its own U, if it or one of
    those that follow it, all off as well, is so by more than both together: of many slopes that are looked at, some are
    off by more than their U alone. The level is where the deviation passes the larger of both between this slope and
    the one before.

    Bounds: "at most" where the first slope is off already, or where an earlier one was known so badly (U above
    ``SLOPE_WITHIN``) that a departure there would not have shown; "at least" the highest level up to which each slope
    is well known and keeps to 3. Products that are only bounded take no part.
    """
    groups = Groups.along(grid, "tone_level_dbm", lines.tone.value, lines.measured)
    lower, upper, slope = _slopes(lines, *_apart(lines, groups))
    middle = linear([(0.5, lines.tone.take(lower)), (0.5, lines.tone.take(upper))])
    deviation = slope.shifted(-ORDER)
    deviation = deviation.scaled(np.where(deviation.value < 0, -1.0, 1.0))
    group = grid.groups("tone_level_dbm")[0]
    firsts = np.zeros(len(lines.tone), dtype=np.intp)
    firsts[group[groups.first]] = groups.first
    group = group[upper]
    expanded = slope.expanded()
    threshold = np.maximum(SLOPE_WITHIN, expanded)
    # Slopes stand group by group, each by rising level; begin and end are positions in the flat arrays.
    begin = np.flatnonzero(np.r_[True, group[1:] != group[:-1]][: len(group)])
    end = np.r_[begin[1:], len(group)][: len(begin)].astype(np.intp)
    is_off = deviation.value > threshold
    is_sure = deviation.value > SLOPE_WITHIN + expanded
    first_off = _first(_in_a_row_with(is_sure, is_off, begin), begin)
    first_vague = _first(expanded > SLOPE_WITHIN, begin)
    found = np.asarray(first_off < end)
    # A level is known to be kept up to the last slope that is both near 3 and well known.
    kept_to = np.minimum(np.minimum(_first(is_off, begin), first_vague), end) - 1
    usable = np.asarray(found | (kept_to >= begin))
    begin, first_off, first_vague, found, kept_to = (
        one[usable] for one in (begin, first_off, first_vague, found, kept_to)
    )
    crosses = np.asarray(found & (first_off > begin))
    at = np.where(found, first_off, kept_to)
    before = np.where(crosses, at - 1, at)
    # Distance above its own threshold, so that the crossing is at 0.
    above = deviation.shifted(-threshold)
    level = _crossing(
        (middle.take(before), middle.take(at)), (above.take(before), above.take(at)), np.zeros(len(at)), crosses
    )
    bound = np.where(found, np.where(crosses & (first_vague >= first_off), 0, -1), 1)
    return firsts[group[begin]], Uncertain(level.value, level.causes, bound.astype(np.int8))


def knees(lines: ThirdOrder, grid: Grid) -> tuple[Rows, Uncertain]:
    """Tone level in dBm where the product is ``KNEE_DB`` above its 3:1 extrapolation from the lowest levels.

    The extrapolation starts from the lowest measured level, or from the mean of the lowest two where there are
    ``LEVELS_FOR_TWO``. First crossing; "at least" the highest level where there is none. Stated at the group's lowest
    level. What the lowest levels themselves are above the third order is missed: they should lie well below the knee.
    Without a result where the excess is known less well than to ``KNEE_KNOWN_WITHIN_DB``.
    """
    groups = Groups.along(grid, "tone_level_dbm", lines.tone.value, lines.measured)
    if not len(groups):
        return groups.first, lines.tone.take(groups.first)
    # What a third-order product keeps: its level less three times the tones'.
    kept = linear([(1.0, lines.product), (-ORDER, lines.tone)])
    second = groups.rows[:, np.where(groups.rows.shape[1] > 1, 1, 0)]
    two = np.where(groups.sizes >= LEVELS_FOR_TWO, 0.5, 0.0)
    start = linear([(1.0 - two, kept.take(groups.first)), (two, kept.take(second))])
    excess = np.where(groups.filled, kept.value[groups.rows] - start.value[:, None], -np.inf)
    is_above = excess >= KNEE_DB
    # The lowest level is where the extrapolation starts, or half of it: it cannot be the knee.
    is_above[:, 0] = False
    found = np.asarray(is_above.any(axis=1))
    last = groups.sizes - 1
    at = np.where(found, is_above.argmax(axis=1), last)
    number = np.arange(len(groups))
    upper, lower = groups.rows[number, at], groups.rows[number, np.where(found, at - 1, at)]
    excesses = (kept.take(lower) - start, kept.take(upper) - start)
    told = np.flatnonzero(np.maximum(*(one.expanded() for one in excesses)) <= KNEE_KNOWN_WITHIN_DB)
    lower, upper, found = lower[told], upper[told], found[told]
    amplitudes = (_above(excesses[0].take(told)), _above(excesses[1].take(told)))
    wanted = np.full(len(told), 10 ** (KNEE_DB / 20) - 1)
    level = _crossing((lines.tone.take(lower), lines.tone.take(upper)), amplitudes, wanted, found)
    return groups.first[told], Uncertain(level.value, level.causes, np.where(found, 0, 1).astype(np.int8))


def _slopes(lines: ThirdOrder, lower: Rows, upper: Rows) -> tuple[Rows, Rows, Uncertain]:
    """Of the pairs of rows those that have a slope, and that slope."""
    rise = difference(lines.tone, upper, lines.tone, lower)
    both_bounded = (lines.product.bound[lower] != 0) & (lines.product.bound[upper] != 0)
    kept = np.flatnonzero((rise.value > rise.expanded()) & ~both_bounded)
    lower, upper = lower[kept], upper[kept]
    return lower, upper, ratio(difference(lines.product, upper, lines.product, lower), rise.take(kept))


def _apart(lines: ThirdOrder, groups: Groups) -> tuple[Rows, Rows]:
    """Each level with the next one of its group that is ``LEAST_SPAN_DB`` above it or more, as two arrays of rows."""
    if not len(groups):
        nothing = np.zeros(0, dtype=np.intp)
        return nothing, nothing
    if not len(groups):
        return groups.first, groups.first
    level = np.where(groups.filled, lines.tone.value[groups.rows], -np.inf)
    # Shape (groups, upper, lower); unfilled places are never above anything.
    is_above = level[:, :, None] >= np.where(groups.filled, level + LEAST_SPAN_DB, np.inf)[:, None, :]
    number, place = np.nonzero(is_above.any(axis=1))
    return groups.rows[number, place], groups.rows[number, is_above.argmax(axis=1)[number, place]]


def _first(flags: Flags, begin: Rows) -> Rows:
    """Position of the first flag of each stretch that starts at ``begin``; beyond all of them where there is none."""
    if not len(begin):
        return begin
    first: Rows = np.minimum.reduceat(np.where(flags, np.arange(len(flags)), len(flags)), begin)
    return first


def _in_a_row_with(is_sure: Flags, is_off: Flags, begin: Rows) -> Flags:
    """Those of ``is_off`` that stand in one row, within a stretch that starts at ``begin``, with one of ``is_sure``."""
    if not len(begin):
        return is_off
    starts = np.append(True, is_off[1:] != is_off[:-1])
    starts[begin] = True
    row = np.cumsum(starts) - 1
    flags: Flags = is_off & np.logical_or.reduceat(is_sure, np.flatnonzero(starts))[row]
    return flags


def _above(excess_db: Uncertain) -> Uncertain:
    """Amplitude that is added to a third-order product, relative to it, from its excess in dB."""
    grown = 10.0 ** (excess_db.value / 20.0)
    return linear([(grown / _DB_PER_NEPER, excess_db)], value=grown - 1.0)


def _crossing(
    levels: tuple[Uncertain, Uncertain], heights: tuple[Uncertain, Uncertain], wanted: FloatArray, crosses: Flags
) -> Uncertain:
    """Level in dBm at which a height, linear over power between two levels, is ``wanted``; the upper level elsewhere.

    With w = (wanted − h0)/(h1 − h0) and p the power, p = p0 + w·(p1 − p0); the sensitivities are its derivatives.
    """
    first, second = heights[0].value, heights[1].value
    span = np.where(crosses, second - first, 1.0)
    way = np.where(crosses, (wanted - first) / span, 1.0)
    powers = [power_ratio(level.value) for level in levels]
    power = powers[0] + way * (powers[1] - powers[0])
    level = np.where(crosses, 10.0 * np.log10(power), levels[1].value)
    per_way = np.where(crosses, 10.0 / np.log(10.0) * (powers[1] - powers[0]) / power / span, 0.0)
    result = linear(
        [
            ((1.0 - way) * powers[0] / power, levels[0]),
            (way * powers[1] / power, levels[1]),
            (per_way * (way - 1.0), heights[0]),
            (-per_way * way, heights[1]),
        ],
        value=level,
    )
    in_db = levels[0].value + way * (levels[1].value - levels[0].value)
    between = np.abs(level - in_db) / DIVISORS["rectangular"]
    causes = {
        **result.causes,
        "interpolation between levels": Cause.of(between, np.arange(len(level)), rows=len(level)),
    }
    return Uncertain(level, causes, result.bound)
