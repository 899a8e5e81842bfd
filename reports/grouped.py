"""Figures that one group of conditions gives together: fits, extremes and crossings along one axis.

Rule: no loop over conditions or groups; a fit is a matrix of weights per group, and its uncertainty follows draw by
draw from those of the values that it was made of, so that common causes cancel as far as the fit lets them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from reports.causes import stacked
from reports.errors import ShapeFault
from reports.partners import Grid, Rows
from reports.uncertainty import EMPTY, Cause, IntArray, Uncertain

#: Groups that a fit over dozens of conditions is worked for at once. Ours: a few megabytes.
BLOCK = 512

#: Most draws of one cause that ``combined`` keeps apart at the end. Ours: more lines of a kind hide the others.
MANY_DRAWS = 8

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Groups:
    """Conditions that are equal on every axis but one, in the order of a key along that axis.

    Attributes:
        rows: Rows of each group, shape (groups, longest group); an unfilled place repeats the group's first row.
        filled: Which places hold a row of their own, same shape; filled places come first.
    """

    rows: Rows
    filled: Flags

    @classmethod
    def along(cls, grid: Grid, axis: str, key: FloatArray, there: Flags, *, least: int = 2) -> Groups:
        """Groups along ``axis`` of the conditions that are ``there``, each by rising ``key``; small ones left out.

        Args:
            grid: Of the conditions.
            axis: The one axis on which the members of a group differ.
            key: What to sort by, shape (conditions,).
            there: Which conditions take part, shape (conditions,).
            least: Groups with fewer members are left out.
        """
        group, count = grid.groups(axis)
        members = np.flatnonzero(there)
        order = members[np.lexsort((key[members], group[members]))]
        sizes = np.bincount(group[order], minlength=count)
        begins = np.cumsum(sizes) - sizes
        kept = np.flatnonzero(sizes >= max(least, 1))
        longest = int(sizes[kept].max()) if len(kept) else 0
        places = np.arange(longest)
        filled = places < sizes[kept, None]
        positions = begins[kept, None] + np.where(filled, places, 0)
        return cls(order[positions] if len(kept) else np.zeros((0, 0), dtype=np.intp), filled)

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def sizes(self) -> NDArray[np.intp]:
        """Members of each group, shape (groups,)."""
        result: NDArray[np.intp] = self.filled.sum(axis=1)
        return result

    @property
    def first(self) -> Rows:
        """Row with the lowest key of each group, shape (groups,)."""
        return self.rows[:, 0] if self.rows.size else np.zeros(0, dtype=np.intp)

    @property
    def last(self) -> Rows:
        """Row with the highest key of each group, shape (groups,)."""
        if not self.rows.size:
            return np.zeros(0, dtype=np.intp)
        result: Rows = self.rows[np.arange(len(self)), self.sizes - 1]
        return result

    def take(self, wanted: Flags | Rows) -> Groups:
        """Some of the groups."""
        return Groups(self.rows[wanted], self.filled[wanted])

    def highest(self, value: FloatArray) -> Rows:
        """Row with the highest of ``value``, shape (conditions,), in each group; the first of equals."""
        return self._best(np.where(self.filled, value[self.rows], -np.inf))

    def lowest(self, value: FloatArray) -> Rows:
        """Row with the lowest of ``value`` in each group; the first of equals."""
        return self._best(np.where(self.filled, -value[self.rows], -np.inf))

    def _best(self, score: FloatArray) -> Rows:
        if not score.size:
            return np.zeros(0, dtype=np.intp)
        best: Rows = self.rows[np.arange(len(score)), np.argmax(score, axis=1)]
        return best

    def neighbours(self) -> tuple[Rows, Rows]:
        """Each member but the last of its group with the next, as two arrays of rows."""
        both = self.filled[:, 1:]
        return self.rows[:, :-1][both], self.rows[:, 1:][both]


def slope_weights(key: FloatArray, filled: Flags) -> FloatArray:
    """Weights that make the least-squares slope over ``key`` of the values of each group.

    Shapes (groups, k) to (groups, 1, k); slope = Σ (x − mean x)·y / Σ (x − mean x)². All members of a group at one key
    have no slope: their weights are NaN.
    """
    known = np.where(filled, key, 0.0)
    mean = known.sum(axis=1, keepdims=True) / np.maximum(filled.sum(axis=1, keepdims=True), 1)
    centred = np.where(filled, key - mean, 0.0)
    squares = (centred**2).sum(axis=1, keepdims=True)
    weights: FloatArray = (centred / np.where(squares > 0, squares, np.nan))[:, None, :]
    return weights


def residual_weights(key: FloatArray, filled: Flags) -> FloatArray:
    """Weights that take the least-squares straight line over ``key`` off the values of each group.

    Shapes (groups, k) to (groups, k, k): the identity less the fit's projection, y − (mean y + slope·(x − mean x)).
    """
    count = np.maximum(filled.sum(axis=1), 1)[:, None, None]
    both = filled[:, :, None] & filled[:, None, :]
    known = np.where(filled, key, 0.0)
    centred = np.where(filled, key - known.sum(axis=1, keepdims=True) / count[:, :, 0], 0.0)
    projection = np.where(both, 1.0 / count, 0.0) + centred[:, :, None] * slope_weights(key, filled)
    weights: FloatArray = np.where(both, np.eye(key.shape[1]) - projection, 0.0)
    return weights


def combined(
    quantity: Uncertain, groups: Groups, weights: FloatArray, value: FloatArray | None = None, *, last: bool = False
) -> Uncertain:
    """Σ weight·quantity over each group, draw by draw.

    Args:
        quantity: One row per condition.
        groups: Which conditions belong together, k at most.
        weights: Shape (groups, results, k), 0 in unfilled places: sensitivity of each result to each member.
        value: Shape (groups, results), where the results are not linear and the weights are their derivatives (JCGM
            100:2008, 5.1.3); left out, Σ weight·value.
        last: Nothing will be derived from the result, so a cause of more than ``MANY_DRAWS`` draws may be summed into
            one: fits over dozens of conditions would else take kilobytes per row.

    Returns:
        groups · results rows, group by group.

    Raises:
        ShapeFault: Shapes do not fit, or a result would be bounded from both sides.
    """
    count, results, longest = weights.shape
    if groups.rows.shape != (count, longest):
        raise ShapeFault(f"weights of shape {weights.shape} for groups of shape {groups.rows.shape}")
    members = quantity.value[groups.rows]
    found = np.einsum("gok,gk->go", weights, members) if value is None else value
    sides = np.sign(weights) * quantity.bound[groups.rows][:, None, :]
    lowest, highest = sides.min(axis=2, initial=0), sides.max(axis=2, initial=0)
    if np.any((lowest < 0) & (highest > 0)):
        raise ShapeFault("a value known only from below combined with one known only from above")
    causes = {name: _combined_cause(cause, groups, weights, last=last) for name, cause in quantity.causes.items()}
    return Uncertain(
        found.reshape(count * results), causes, (lowest + highest).astype(np.int8).reshape(count * results)
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Draws:
    """One cause, group by group: each draw of a group in one column, whoever of its members it moves.

    Attributes:
        contribution: Shape (groups, k, draws).
        instance: Shape (groups, draws).
        column: Column of each slot of each member, shape (groups, k · slots).
    """

    contribution: FloatArray
    instance: IntArray
    column: IntArray

    @classmethod
    def of(cls, cause: Cause, groups: Groups) -> _Draws:
        """The draws of ``cause`` in each group."""
        count, longest = groups.rows.shape
        slots = cause.instance.shape[1]
        instance = cause.instance[groups.rows].reshape(count, longest * slots)
        order = np.argsort(instance, axis=1, kind="stable")
        ordered = np.take_along_axis(instance, order, axis=1)
        is_new = np.zeros(instance.shape, dtype=np.int64)
        is_new[:, 1:] = ordered[:, 1:] != ordered[:, :-1]
        column = np.empty_like(is_new)
        np.put_along_axis(column, order, np.cumsum(is_new, axis=1), axis=1)
        columns = int(column.max()) + 1 if column.size else 0
        numbers = np.full((count, columns), EMPTY, dtype=np.int64)
        np.put_along_axis(numbers, column, instance, axis=1)
        dense = np.zeros((count, longest, columns))
        # No instance stands twice in a row, but for empty slots, which add nothing.
        places = column.reshape(count, longest, slots)
        np.put_along_axis(dense, places, cause.contribution[groups.rows], axis=2)
        return cls(dense, numbers, column)

    def facts(self, what: FloatArray | float, cause: Cause, groups: Groups, results: int) -> FloatArray | float:
        """What describes each draw, once for each result of its group."""
        if not isinstance(what, np.ndarray):
            return what
        slots = np.broadcast_to(what, cause.instance.shape)[groups.rows].reshape(self.column.shape)
        found = np.full(self.instance.shape, np.nan)
        np.put_along_axis(found, self.column, slots, axis=1)
        # A column that a group does not use has no draw to be described; infinite degrees of freedom do no harm there.
        return np.repeat(np.where(self.instance == EMPTY, np.inf, found), results, axis=0)


def covariance(quantity: Uncertain, groups: Groups) -> FloatArray:
    """Covariance matrix of the members of each group, shape (groups, k, k); rows of unfilled places mean nothing."""
    count, longest = groups.rows.shape
    total = np.zeros((count, longest, longest))
    for cause in quantity.causes.values():
        moved = _Draws.of(cause, groups).contribution
        total += moved @ moved.transpose(0, 2, 1)
    return total


def _combined_cause(cause: Cause, groups: Groups, weights: FloatArray, *, last: bool) -> Cause:
    if not last:
        return _of_block(cause, groups, weights, in_one=False)
    # Block by block: what all draws of all groups add to all results would take gigabytes.
    in_one = False
    parts = []
    for start in range(0, max(len(groups), 1), BLOCK):
        block = slice(start, start + BLOCK)
        some = groups.take(np.arange(len(groups))[block])
        # One way for all blocks, so that all rows of the cause are described alike.
        in_one = in_one or (start == 0 and _Draws.of(cause, some).instance.shape[1] > MANY_DRAWS)
        parts.append(_of_block(cause, some, weights[block], in_one=in_one))
    return stacked(parts)


def _of_block(cause: Cause, groups: Groups, weights: FloatArray, *, in_one: bool) -> Cause:
    results = weights.shape[1]
    drawn = _Draws.of(cause, groups)
    contribution = weights @ drawn.contribution
    if in_one:
        dof = drawn.facts(cause.dof, cause, groups, 1)
        return _in_one(cause, contribution, dof[:, None, :] if isinstance(dof, np.ndarray) else dof)
    return replace(
        cause,
        contribution=contribution.reshape(len(groups) * results, drawn.instance.shape[1]),
        instance=np.repeat(drawn.instance, results, axis=0),
        dof=drawn.facts(cause.dof, cause, groups, results),
        standard=drawn.facts(cause.standard, cause, groups, results),
    )


def _in_one(cause: Cause, contribution: FloatArray, dof: FloatArray | float) -> Cause:
    """All draws of each result in quadrature as one, with their effective degrees of freedom (JCGM 100:2008, G.4.1)."""
    squares = contribution**2
    variance = squares.sum(axis=2).reshape(-1, 1)
    quartic = (squares**2 / dof).sum(axis=2).reshape(-1, 1)
    effective = np.divide(variance**2, quartic, out=np.full(quartic.shape, np.inf), where=quartic > 0)
    numbers = np.arange(len(variance)).reshape(-1, 1)
    return replace(
        cause, contribution=np.sqrt(variance), instance=numbers, dof=effective, standard=np.nan, unit="", name_of=None
    )
