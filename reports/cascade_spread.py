"""Uncertainty of a cascade at every combination of codes, from covariances of the stages and not draw by draw.

The idea: a figure of a cascade is Σ sensitivity·figure of a stage. Its variance needs the variances of the figures of
each stage and their covariances between stages (JCGM 100:2008, 5.2.2, equation 13). There are as many of these as
pairs of codes, but the draws behind them are those of single codes: at each point one product of matrices gives them
all.

Rule: a draw with finite degrees of freedom counts with its fourth power, which no covariance holds. These draws, the
noise of the readings, are few and are added up one by one, also where two stages share one.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from reports.cascade import Form, Stage
from reports.uncertainty import FloatArray, IntArray, Rows, Settled, Uncertain, coverage_factor, linear

#: Combinations, and pairs of rows of one point, that are worked on at once. Ours: some ten megabytes.
BLOCK = 1 << 17


@dataclass(frozen=True, slots=True, eq=False)
class _Slots:
    """Draws of one cause: number of each slot of each row, and what it adds to each figure; all of shape (n, m)."""

    number: IntArray
    moved: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class _Finite:
    """Draws with finite degrees of freedom, of all causes; all of shape (n, m)."""

    number: IntArray
    moved: Mapping[str, FloatArray]
    dof: FloatArray


@dataclass(frozen=True, eq=False)
class Drawn:
    """What is known of one channel: n rows in the order of their points.

    Attributes:
        point: Number of the point of each row, rising, shape (n,).
        figures: Figures with their causes; the gain at least.
        first: Number of the first draw of each cause: no two draws of any causes share a number.
    """

    point: IntArray
    figures: Mapping[str, Uncertain]
    first: Mapping[str, int]

    @cached_property
    def place(self) -> IntArray:
        """Which row of its point each row is, from 0."""
        result: IntArray = np.arange(len(self.point)) - np.searchsorted(self.point, self.point)
        return result

    @cached_property
    def slots(self) -> tuple[_Slots, ...]:
        """Draws of each cause, slot by slot the same ones for all figures."""
        return tuple(_Slots(number, moved) for number, moved, _ in self._aligned)

    @cached_property
    def finite(self) -> _Finite | None:
        """Draws that limit the degrees of freedom; None if there are none."""
        found = [each for each in self._aligned if np.any(np.isfinite(each[2]))]
        if not found:
            return None
        moved = {word: np.concatenate([each[1][word] for each in found], axis=1) for word in self.figures}
        dof = [np.broadcast_to(each[2], each[0].shape) for each in found]
        return _Finite(np.concatenate([each[0] for each in found], axis=1), moved, np.concatenate(dof, axis=1))

    @cached_property
    def _aligned(self) -> list[tuple[IntArray, dict[str, FloatArray], FloatArray | float]]:
        # All figures with one of them at a time counted have the same slots, in the same order.
        alone = {
            word: linear([(float(word == other), quantity) for other, quantity in self.figures.items()]).causes
            for word in self.figures
        }
        some = alone["gain"]
        return [
            (cause.instance + self.first[name], {word: alone[word][name].contribution for word in alone}, cause.dof)
            for name, cause in some.items()
        ]


def first_numbers(quantities: Sequence[Uncertain]) -> dict[str, int]:
    """Number of the first draw of each cause, so that instances of different causes do not meet; empty slots count."""
    highest: dict[str, int] = {}
    for quantity in quantities:
        for name, cause in quantity.causes.items():
            highest[name] = max(highest.get(name, 0), int(cause.instance.max(initial=0)))
    steps = [0, *itertools.accumulate(top + 2 for top in highest.values())]
    return {name: step + 1 for name, step in zip(highest, steps[:-1], strict=True)}


@dataclass(frozen=True, eq=False)
class Joint:
    """Combinations of some points and what their stages have in common.

    Attributes:
        stages: Channel of each stage.
        points: Number of the first point and of the one behind the last.
        at: Row of each stage's channel, of each combination; each of shape (n,).
        sharing: Pairs of stages that may have a draw with finite degrees of freedom in common.
    """

    stages: tuple[Drawn, ...]
    points: tuple[int, int]
    at: tuple[Rows, ...]
    sharing: frozenset[tuple[int, int]]

    def settled(self, form: Form, stages: Sequence[Stage]) -> Settled:
        """A figure of the cascade at the combinations.

        Args:
            form: Of ``stages``.
            stages: Stages and the losses between them take turns. Stages need no causes: theirs are known here. A
                loss has one draw of its own.
        """
        sensitivities: list[dict[str, FloatArray | float]] = [{} for _ in stages]
        for term in form.terms:
            sensitivities[term.place][term.figure] = term.sensitivity
        variance = self._variance(sensitivities[::2])
        for loss, moving in zip(stages[1::2], sensitivities[1::2], strict=True):
            variance += _of_loss(loss, moving)
        quartic = self._quartic(sensitivities[::2])
        # What float arithmetic leaves of draws that cancel must not be below 0.
        variance = np.maximum(variance, 0.0)
        dof = np.divide(variance**2, quartic, out=np.full(len(variance), np.inf), where=quartic > 0)
        standard = np.sqrt(variance)
        return Settled(form.value, standard, dof, standard * coverage_factor(dof), form.of(stages).bound)

    def _variance(self, sensitivities: Sequence[Mapping[str, FloatArray | float]]) -> FloatArray:
        total = np.zeros(len(self.at[0]))
        each = [(stage, word, factor) for stage, moving in enumerate(sensitivities) for word, factor in moving.items()]
        for stage, word, factor in each:
            total += factor**2 * self._covariance(stage, word, stage, word)
        for (one, word, factor), (two, other, second) in itertools.combinations(each, 2):
            total += 2.0 * factor * second * self._covariance(one, word, two, other)
        return total

    def _covariance(self, one: int, word: str, two: int, other: str) -> FloatArray | float:
        """Of two figures of stages at each combination, in the product of their units."""
        key = (one, word, two, other)
        if key not in self._covariances:
            self._covariances[key] = self._looked_up(*key)
        return self._covariances[key]

    def _looked_up(self, one: int, word: str, two: int, other: str) -> FloatArray | float:
        mine, theirs = self._dense[id(self.stages[one])].get(word), self._dense[id(self.stages[two])].get(other)
        if mine is None or theirs is None:
            return 0.0
        point = self.stages[one].point[self.at[one]] - self.points[0]
        row = point * mine.shape[1] + self.stages[one].place[self.at[one]]
        if one == two:
            return np.asarray(np.einsum("pkd,pkd->pk", mine, theirs).ravel()[row])
        pair = row * theirs.shape[1] + self.stages[two].place[self.at[two]]
        found: FloatArray = (mine @ theirs.transpose(0, 2, 1)).ravel()[pair]
        return found

    @cached_property
    def _covariances(self) -> dict[tuple[int, str, int, str], FloatArray | float]:
        return {}

    @cached_property
    def _dense(self) -> dict[int, dict[str, FloatArray]]:
        """What each draw of a point adds to each row of it, shape (points, rows, draws), by channel and figure."""
        channels = {id(stage): stage for stage in self.stages}
        parts = {key: slice(*np.searchsorted(one.point, self.points)) for key, one in channels.items()}
        count = self.points[1] - self.points[0]
        points = {key: one.point[parts[key]] - self.points[0] for key, one in channels.items()}
        span = 1 + max(
            (int(slots.number.max(initial=0)) for one in channels.values() for slots in one.slots), default=0
        )
        numbers = [
            (points[key][:, None] * span + slots.number[parts[key]])
            for key, one in channels.items()
            for slots in one.slots
        ]
        if not numbers:
            return {key: {} for key in channels}
        known, inverse = np.unique(np.concatenate([each.ravel() for each in numbers]), return_inverse=True)
        starts = np.searchsorted(known, np.arange(count + 1) * span)
        draws = int(np.diff(starts).max())
        columns = iter(np.split(inverse, np.cumsum([each.size for each in numbers])[:-1]))
        found: dict[int, dict[str, FloatArray]] = {}
        for key, one in channels.items():
            place, point = one.place[parts[key]][:, None], points[key][:, None]
            rows = int(place.max(initial=-1)) + 1
            dense = {word: np.zeros((count, rows, draws)) for word, figure in one.figures.items() if figure.causes}
            for slots in one.slots:
                column = next(columns).reshape(slots.number[parts[key]].shape) - starts[point]
                for word, table in dense.items():
                    table[point, place, column] = slots.moved[word][parts[key]]
            found[key] = dense
        return found

    def _quartic(self, sensitivities: Sequence[Mapping[str, FloatArray | float]]) -> FloatArray:
        """Sum of the fourth powers over the degrees of freedom: what Welch–Satterthwaite divides by."""
        total = np.zeros(len(self.at[0]))
        moved: dict[int, tuple[_Finite, Rows, FloatArray]] = {}
        for place, (stage, at, moving) in enumerate(zip(self.stages, self.at, sensitivities, strict=True)):
            finite = stage.finite
            if finite is None or not moving:
                continue
            own = np.zeros((len(at), finite.number.shape[1]))
            for word, factor in moving.items():
                if word in finite.moved:
                    own += np.reshape(factor, (-1, 1)) * finite.moved[word][at]
            for before, (earlier, where, sums) in moved.items():
                if (before, place) in self.sharing:
                    _fold(own, finite.number[at], sums, earlier.number[where])
            moved[place] = finite, at, own
        for finite, at, own in moved.values():
            squares = own**2
            total += np.einsum("nm,nm,nm->n", squares, squares, 1.0 / finite.dof[at])
        return total


def _of_loss(loss: Stage, moving: Mapping[str, FloatArray | float]) -> FloatArray:
    """Variance that a loss between two stages adds: both its figures owe it to one draw."""
    total = np.zeros(len(loss.gain))
    for word, factor in moving.items():
        quantity: Uncertain = getattr(loss, word)
        for cause in quantity.causes.values():
            total += factor * cause.contribution[:, 0]
    return total**2


def _share(one: Drawn, other: Drawn) -> bool:
    """Whether any row of one stage holds a draw with finite degrees of freedom that any row of the other holds."""
    if one.finite is None or other.finite is None:
        return False
    return one is other or bool(np.isin(one.finite.number, other.finite.number).any())


def _fold(own: FloatArray, number: IntArray, sums: FloatArray, earlier: IntArray) -> None:
    """Move what a stage adds to draws that an earlier one holds too over to that one, in place."""
    for slot, place in itertools.product(range(own.shape[1]), range(sums.shape[1])):
        same = number[:, slot] == earlier[:, place]
        sums[:, place] += np.where(same, own[:, slot], 0.0)
        own[same, slot] = 0.0


def blocks(stages: tuple[Drawn, ...], at: tuple[Rows, ...]) -> Iterator[tuple[Rows, Joint]]:
    """All combinations, point by point: which ones a block holds, and the block."""
    point = stages[0].point[at[0]]
    order = np.argsort(point, kind="stable")
    points = int(point.max(initial=-1)) + 1
    combinations = np.bincount(point, minlength=points)
    pairs = itertools.combinations(enumerate(stages), 2)
    sharing = frozenset((one, two) for (one, mine), (two, theirs) in pairs if _share(mine, theirs))
    channels = {id(stage): stage for stage in stages}
    rows = sum(np.bincount(one.point, minlength=points)[:points] for one in channels.values())
    load = np.cumsum(combinations + rows**2)
    last = np.searchsorted(load, np.arange(BLOCK, load[-1] + BLOCK, BLOCK)) + 1
    edges = np.unique(np.minimum([0, *last.tolist()], points))
    ends = np.cumsum(combinations)
    for start, stop in itertools.pairwise(edges.tolist()):
        some = order[ends[start] - combinations[start] : ends[stop - 1]]
        if len(some):
            yield some, Joint(stages, (start, stop), tuple(each[some] for each in at), sharing)
