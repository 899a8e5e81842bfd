"""Output level at which the gain of a single tone has fallen by 1 dB against that of a small one.

Rule: levels are those measured in the load, never settings; only conditions that are equal on every axis but the tone
level are compared; what the gains of two levels share cancels in their difference.

For a cubic y = a1·x + a3·x³ the gain falls by 20·log10(1 − ¾·|a3/a1|·A²), so 1 dB is reached 9.6357 dB below the input
intercept and 10.6357 dB below the output intercept (power series; e.g. D. M. Pozar, Microwave Engineering; from memory,
not seen). Any higher order compresses later and more suddenly: well below 1 dB the fall grows at least in proportion to
the tone's power, and that is all this module takes from theory, to say how much of the fall the lowest level, against
which it is measured, may have missed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.decibels import power_ratio
from reports.grouped import Groups, combined
from reports.partners import Grid, Rows
from reports.uncertainty import Cause, Uncertain, linear, standard

FloatArray = NDArray[np.float64]

#: Fall of the gain that is looked for, dB.
COMPRESSION_DB = 1.0

#: The small-signal gain is the mean of the levels within this of the lowest. Ours: at 20 dB below compression, where a
#: sweep should begin, 3 dB more cost 0.01 dB.
LOWEST_WITHIN_DB = 3.0

#: Falls below this are taken for it when a level is sought between two. Ours: what noise and settings leave of a fall.
LEAST_FALL_DB = 0.05

#: A sweep over less than this, in measured levels, has no small-signal end to compare with. Ours: the lowest level of a
#: sweep of 6 dB has at most a third of the fall that the highest shows.
LEAST_SPAN_DB = 6.0


def compression_points(output: Uncertain, power_gain: Uncertain, grid: Grid) -> tuple[Rows, Uncertain]:
    """Output 1 dB compression point in dBm of each sweep over the tone level, and the rows of its lowest level.

    Between the two levels on either side of it the fall of the gain, in dB, is taken to grow as a power of the output
    (a straight line between logarithms); what a straight line would give differs, and that difference counts as
    uncertainty, as does what the lowest level has missed. A sweep that does not reach it gives "at least" the highest
    level at which the fall is below 1 dB by its own U. Sweeps over less than ``LEAST_SPAN_DB``, and those that begin
    compressed, give nothing.

    Args:
        output: Level of the single tone in the load, dBm, shape (conditions,); NaN where there is none.
        power_gain: ``output`` less its level at the input, dB.
        grid: Of the conditions.
    """
    there = np.isfinite(output.value) & np.isfinite(power_gain.value)
    groups = Groups.along(grid, "tone_level_dbm", grid.axis("tone_level_dbm"), there)
    groups = groups.take(output.value[groups.last] - output.value[groups.first] >= LEAST_SPAN_DB)
    level, gain = output.value[groups.rows], power_gain.value[groups.rows]
    reference = _reference(level, groups)
    small_db = (gain * reference).sum(axis=1)
    fall = np.where(groups.filled, small_db[:, None] - gain, -np.inf)
    reached = fall >= COMPRESSION_DB
    found = np.flatnonzero(reached[:, 1:].any(axis=1) & ~reached[:, :1].any(axis=1))
    beyond = np.flatnonzero(~reached.any(axis=1))
    rows, crossing = _crossings(output, power_gain, groups.take(found), reference[found], fall[found])
    other_rows, least = _at_least(output, power_gain, groups.take(beyond), reference[beyond])
    return np.concatenate([rows, other_rows]), _stacked(crossing, least)


def _reference(level: FloatArray, groups: Groups) -> FloatArray:
    """Weight of each member in the small-signal gain of its group, shape (groups, k)."""
    lowest = groups.filled & (level <= level[:, :1] + LOWEST_WITHIN_DB)
    count = lowest.sum(axis=1, keepdims=True)
    weights: FloatArray = lowest / np.where(count > 0, count, 1)
    return weights


def _crossings(
    output: Uncertain, power_gain: Uncertain, groups: Groups, reference: FloatArray, fall: FloatArray
) -> tuple[Rows, Uncertain]:
    """Where the fall passes 1 dB. With P0, P1 and d0 < 1 ≤ d1 on either side, q = ln(d1/d0) and t = −ln(d0)/q:

    P = P0 + t·(P1 − P0), ∂t/∂d0 = −ln(d1)/(d0·q²), ∂t/∂d1 = ln(d0)/(d1·q²).
    """
    if not len(groups):
        return groups.first, output.take(groups.first)
    each = np.arange(len(groups))
    after = np.argmax(fall >= COMPRESSION_DB, axis=1)
    before = after - 1
    level = output.value[groups.rows]
    low, high = fall[each, before], fall[each, after]
    rise_db = level[each, after] - level[each, before]
    # What lies below is noise: it can neither be taken the logarithm of nor move the answer.
    in_noise = low < LEAST_FALL_DB
    safe = np.where(in_noise, LEAST_FALL_DB, low)
    ratio = np.log(high / safe)
    along = -np.log(safe) / ratio
    by_low = np.where(in_noise, 0.0, -rise_db * np.log(high) / (safe * ratio**2))
    by_high = rise_db * np.log(safe) / (high * ratio**2)
    of_level, of_gain = np.zeros(fall.shape), reference * (by_low + by_high)[:, None]
    of_level[each, before], of_level[each, after] = 1.0 - along, along
    # The fall is the small-signal gain less that at the level.
    of_gain[each, before] -= by_low
    of_gain[each, after] -= by_high
    value = level[each, before] + along * rise_db
    from_level = combined(output, groups, of_level[:, None, :], value[:, None])
    from_gain = combined(power_gain, groups, of_gain[:, None, :], np.zeros((len(groups), 1)))
    point = linear([(1.0, from_level), (1.0, from_gain)])
    straight = (COMPRESSION_DB - low) / (high - low)
    bend_db = standard(1.0, "rectangular") * np.abs((straight - along) * rise_db)
    share = power_ratio(level[:, 0] - value)
    missed = COMPRESSION_DB * share / np.where(share < 1, 1 - share, 1.0) * np.abs(by_low + by_high)
    missed_db = standard(1.0, "rectangular") * missed
    causes = dict(point.causes)
    numbers = groups.first.astype(np.int64)
    for name, words, what in (
        ("compression between levels", "what a straight line between two levels would differ by", bend_db),
        ("compression at the lowest level", "fall of the gain that the lowest level has already", missed_db),
    ):
        causes[name] = Cause.of(
            what,
            numbers,
            rows=len(groups),
            standard=what,
            unit="dB",
            name_of=lambda _, words=words: words,  # type: ignore[misc]  # the default binds this turn's words
        )
    return groups.first, Uncertain.of(value, causes)


def _at_least(
    output: Uncertain, power_gain: Uncertain, groups: Groups, reference: FloatArray
) -> tuple[Rows, Uncertain]:
    """Highest level of each group at which the fall, made whole for what the lowest missed, is below 1 dB by its U."""
    count, longest = groups.rows.shape
    if not count:
        return groups.first, output.take(groups.first)
    weights = np.broadcast_to(reference[:, None, :], (count, longest, longest)) - np.eye(longest)
    fall = combined(power_gain, groups, weights)
    level = output.value[groups.rows]
    missed = 1.0 - power_ratio(level[:, :1] - level)
    whole = (fall.value + fall.expanded()).reshape(count, longest) / np.where(missed > 0, missed, np.inf)
    keeps = groups.filled & (level - level[:, :1] >= LEAST_SPAN_DB) & (whole < COMPRESSION_DB)
    # All levels up to it must keep: a fall that comes and goes is no small signal.
    spoilt = np.cumsum(groups.filled & (whole >= COMPRESSION_DB), axis=1) > 0
    keeps &= ~spoilt
    some = np.flatnonzero(keeps.any(axis=1))
    at = groups.rows[some, longest - 1 - np.argmax(keeps[some][:, ::-1], axis=1)]
    found = output.take(at)
    return groups.first[some], Uncertain(found.value, found.causes, np.ones(len(some), dtype=np.int8))


def _stacked(first: Uncertain, second: Uncertain) -> Uncertain:
    """One below the other; causes by name, those that one of them lacks empty there."""
    both = len(first) + len(second)
    spread = []
    for one, offset in ((first, 0), (second, len(first))):
        rows = np.zeros(both, dtype=np.intp)
        rows[offset : offset + len(one)] = np.arange(len(one))
        inside = np.zeros(both)
        inside[offset : offset + len(one)] = 1.0
        if len(one):
            spread.append((inside, one.take(rows)))
    value = np.concatenate([first.value, second.value])
    if not spread:
        return Uncertain.of(value)
    free = [(inside, Uncertain.of(one.value, one.causes)) for inside, one in spread]
    return Uncertain(value, linear(free, value=value).causes, np.concatenate([first.bound, second.bound]))
