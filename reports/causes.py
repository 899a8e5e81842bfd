"""One kind of error and what it adds to each row of a column, draw by draw; and its lines in a budget.

A draw is one number that nobody knows: the analyzer's level error, the loss of one path. It has one standard
uncertainty and one number of degrees of freedom, whatever it moves; a sensitivity belongs to what it moves.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from reports.errors import ShapeFault

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Rows = NDArray[np.intp]
Naming = Callable[[int], str]

#: Instance number of an empty slot.
EMPTY = -1

#: Pairs of columns that are compared before rows are sorted. Ours: beyond, comparing takes as long as sorting.
MOST_PAIRS = 36

#: Rows that are sorted at a time. Ours: what is made for them fits into a processor's cache, and a long run's peak of
#: memory does not hold several copies of its widest sums.
BLOCK = 4096

#: A draw that adds less than this part of the largest one is what float arithmetic left of a difference.
CANCELLED = 1e-9

#: Divisors from half-width to standard uncertainty: JCGM 100:2008, 4.3.7 (rectangular), 4.3.9 (triangular); the arcsine
#: (U-shaped) one is that of a sine of unknown phase, as UKAS M3003 uses it for mismatch (from memory, not seen).
#: One part of a complex number anywhere in a disk has half the radius: r²/4 is the mean of x² over it.
DIVISORS: dict[str, float] = {
    "rectangular": 3**0.5,
    "triangular": 6**0.5,
    "U-shaped": 2**0.5,
    "normal, k = 2": 2.0,
    "disk": 2.0,
}


def standard(half_width: float, distribution: str) -> float:
    """Standard uncertainty of a ± half-width, in its unit. ``distribution`` is a key of ``DIVISORS``."""
    if half_width < 0:
        raise ShapeFault(f"a half-width of {half_width:g}")
    return half_width / DIVISORS[distribution]


@dataclass(frozen=True, slots=True, eq=False)
class Cause:
    """What one kind of error adds to each row.

    Attributes:
        contribution: Sensitivity times standard uncertainty of the draw, signed, in the result's unit; shape (n, m).
        instance: Which draw it is; shape (n, m); ``EMPTY`` with contribution 0 for an unused slot. No instance stands
            twice in a row.
        kind: "A" for evaluated from scatter, "B" for anything else (JCGM 100:2008, 4.2, 4.3).
        distribution: For the budget.
        dof: Degrees of freedom of the standard uncertainty of each draw: one number for all, or shape (n, m).
        standard: Standard uncertainty of each draw in ``unit``, before any sensitivity: one number for all, or shape
            (n, m). NaN: only its contribution is known. It does not change on the way, so that a budget can say
            sensitivity = contribution / standard.
        unit: Unit of ``standard``; empty for that of the result.
        name_of: Words for a draw, from its instance: instrument and specification. None: the cause's name must do.
    """

    contribution: FloatArray
    instance: IntArray
    kind: Literal["A", "B"] = "B"
    distribution: str = "rectangular"
    dof: FloatArray | float = np.inf
    standard: FloatArray | float = np.nan
    unit: str = ""
    name_of: Naming | None = None

    @classmethod
    def of(
        cls,
        contribution: FloatArray | float,
        instance: IntArray | int = 0,
        *,
        rows: int,
        kind: Literal["A", "B"] = "B",
        distribution: str = "rectangular",
        dof: FloatArray | float = np.inf,
        standard: FloatArray | float = np.nan,
        unit: str = "",
        name_of: Naming | None = None,
    ) -> Cause:
        """A cause with one draw in each of ``rows`` rows; scalars stand for every row."""
        column = np.broadcast_to(np.asarray(contribution, dtype=np.float64), (rows,)).reshape(rows, 1)
        number = np.broadcast_to(np.asarray(instance, dtype=np.int64), (rows,)).reshape(rows, 1)
        return cls(column, number, kind, distribution, _column(dof), _column(standard), unit, name_of)

    def scaled(self, factor: FloatArray | float) -> Cause:
        """Every contribution times ``factor``, a number or shape (n,)."""
        if not isinstance(factor, np.ndarray):
            return self if factor == 1.0 else self._with(self.contribution * factor)
        return self._with(self.contribution * factor.reshape(-1, 1))

    def _with(self, contribution: FloatArray) -> Cause:
        """The same draws with other contributions; done so often that ``replace`` would be what a report waits for."""
        return Cause(
            contribution, self.instance, self.kind, self.distribution, self.dof, self.standard, self.unit, self.name_of
        )

    def take(self, rows: Rows) -> Cause:
        """The rows asked for, in that order; a row may be asked for twice."""
        dof, standard = _rows_of(self.dof, rows), _rows_of(self.standard, rows)
        contribution, instance = self.contribution[rows], self.instance[rows]
        return Cause(contribution, instance, self.kind, self.distribution, dof, standard, self.unit, self.name_of)

    def joined(self, other: Cause, name: str) -> Cause:
        """Both added, draw by draw. Raises ShapeFault if they disagree on what kind of cause ``name`` is."""
        mine, theirs = ((one.kind, one.distribution, one.unit) for one in (self, other))
        known_alike = isinstance(self.dof, np.ndarray) or isinstance(other.dof, np.ndarray) or self.dof == other.dof
        if mine != theirs or not known_alike:
            raise ShapeFault(f"cause {name!r}: two descriptions of one cause")
        if self.instance is other.instance or np.array_equal(self.instance, other.instance):
            return self._with(self.contribution + other.contribution)
        places = _places(self.instance, other.instance)
        if places is not None:
            return self._aligned(other, places)
        contribution, instance, (dof, standard) = _merged(
            np.concatenate([self.contribution, other.contribution], axis=1),
            np.concatenate([self.instance, other.instance], axis=1),
            (self._beside(self.dof, other, other.dof), self._beside(self.standard, other, other.standard)),
        )
        return replace(self, contribution=contribution, instance=instance, dof=dof, standard=standard)

    def _aligned(self, other: Cause, places: list[int]) -> Cause:
        """Both added, where each column of the other is one of ours, or none (``EMPTY``) and goes to the end."""
        new = np.array([place == EMPTY for place in places], dtype=np.bool_)
        added = other.take_columns(new)
        contribution = np.concatenate([self.contribution, added.contribution], axis=1)
        for column, place in enumerate(places):
            if place != EMPTY:
                contribution[:, place] += other.contribution[:, column]
        return replace(
            self,
            contribution=contribution,
            instance=np.concatenate([self.instance, added.instance], axis=1) if new.any() else self.instance,
            dof=self._beside(self.dof, added, added.dof),
            standard=self._beside(self.standard, added, added.standard),
        )

    def take_columns(self, wanted: NDArray[np.bool_]) -> Cause:
        """Some of the slots of every row."""
        dof, standard = (
            what[:, wanted] if isinstance(what, np.ndarray) and what.shape[1] == len(wanted) else what
            for what in (self.dof, self.standard)
        )
        return replace(
            self,
            contribution=self.contribution[:, wanted],
            instance=self.instance[:, wanted],
            dof=dof,
            standard=standard,
        )

    def _beside(self, mine: FloatArray | float, other: Cause, theirs: FloatArray | float) -> FloatArray | float:
        """What describes the draws of both: still one number if both say the same, else a slot for each."""
        if not isinstance(mine, np.ndarray) and np.array_equal(mine, theirs, equal_nan=True):
            return mine
        sides = ((mine, self), (theirs, other))
        return np.concatenate([np.broadcast_to(what, cause.instance.shape) for what, cause in sides], axis=1)

    @property
    def variance(self) -> FloatArray:
        """Sum of squares over the draws, shape (n,)."""
        result: FloatArray = np.einsum("nm,nm->n", self.contribution, self.contribution)
        return result

    @property
    def quartic(self) -> FloatArray:
        """Sum of the fourth powers over the degrees of freedom, shape (n,): its part of Welch–Satterthwaite."""
        squares = self.contribution**2
        if isinstance(self.dof, np.ndarray):
            result: FloatArray = np.einsum("nm,nm,nm->n", squares, squares, 1.0 / self.dof)
            return result
        total: FloatArray = np.einsum("nm,nm->n", squares, squares)
        return total / self.dof

    def lines(self, name: str, row: int) -> list[BudgetLine]:
        """One line for each draw that adds something to a row."""
        found = []
        dof, standards = (np.broadcast_to(what, self.instance.shape)[row] for what in (self.dof, self.standard))
        for slot in np.flatnonzero(self.contribution[row]).tolist():
            contribution, known = float(self.contribution[row, slot]), float(standards[slot])
            standard = known if np.isfinite(known) and known > 0 else abs(contribution)
            draw = name if self.name_of is None else self.name_of(int(self.instance[row, slot]))
            line = BudgetLine(
                name, self.kind, self.distribution, abs(contribution), float(dof[slot]),
                draw, standard, self.unit, contribution / standard,
            )  # fmt: skip
            found.append(line)
        return found


def _column(what: FloatArray | float) -> FloatArray | float:
    return what.reshape(-1, 1) if isinstance(what, np.ndarray) else what


def _rows_of(what: FloatArray | float, rows: Rows) -> FloatArray | float:
    return what[rows] if isinstance(what, np.ndarray) else what


def stacked(parts: list[Cause]) -> Cause:
    """Rows of several causes of one kind under each other; rows with fewer slots get empty ones."""
    slots = max(part.instance.shape[1] for part in parts)

    def padded(what: FloatArray | IntArray, fill: float) -> NDArray[Any]:
        return np.pad(what, ((0, 0), (0, slots - what.shape[1])), constant_values=fill)

    def described(each: list[FloatArray | float]) -> FloatArray | float:
        if not any(isinstance(one, np.ndarray) for one in each) and len({repr(one) for one in each}) == 1:
            return each[0]
        shapes = [part.instance.shape for part in parts]
        # Infinite degrees of freedom do no harm in an empty slot.
        return np.concatenate(
            [padded(np.broadcast_to(one, shape), np.inf) for one, shape in zip(each, shapes, strict=True)]
        )

    return replace(
        parts[0],
        contribution=np.concatenate([padded(part.contribution, 0.0) for part in parts]),
        instance=np.concatenate([padded(part.instance, EMPTY) for part in parts]),
        dof=described([part.dof for part in parts]),
        standard=described([part.standard for part in parts]),
    )


def _places(mine: IntArray, theirs: IntArray) -> list[int] | None:
    """Our column that holds the same draws in every row, or ``EMPTY``, for each column of theirs; None if rows differ.

    Nearly all sums are of this kind, and sorting the slots of each row, which the others need, is dear.
    """
    if mine.shape[1] * theirs.shape[1] > MOST_PAIRS or not len(mine):
        return None
    found = []
    for column in range(theirs.shape[1]):
        place = EMPTY
        for ours in range(mine.shape[1]):
            same = mine[:, ours] == theirs[:, column]
            if same[0] and same.all():
                place = ours
            elif same.any():
                return None
        found.append(place)
    return found


def _merged(
    contribution: FloatArray, instance: IntArray, beside: tuple[FloatArray | float, ...]
) -> tuple[FloatArray, IntArray, tuple[FloatArray | float, ...]]:
    """Slots with equal instance summed in each row; empty columns dropped. Shapes (n, m) to (n, ≤ m).

    ``beside`` describes the draws (numbers, or shape (n, m)) and follows them. All arrays given are changed.
    """
    along = [instance, contribution, *(one for one in beside if isinstance(one, np.ndarray))]
    for first in range(0, len(instance), BLOCK):
        rows = slice(first, first + BLOCK)
        order = np.argsort(instance[rows], axis=1, kind="stable")
        for one in along:
            one[rows] = np.take_along_axis(one[rows], order, axis=1)
        _sum_neighbours(contribution[rows], instance[rows])
    used = (instance != EMPTY).any(axis=0)
    if used.all():
        return contribution, instance, beside
    left = tuple(one[:, used] if isinstance(one, np.ndarray) else one for one in beside)
    return contribution[:, used], instance[:, used], left


def _sum_neighbours(contribution: FloatArray, instance: IntArray) -> None:
    """Of equal neighbours in a row only the last is left, with the sum; in place."""
    for column in range(1, instance.shape[1]):
        same = instance[:, column] == instance[:, column - 1]
        if not same.any():
            continue
        contribution[:, column] += np.where(same, contribution[:, column - 1], 0.0)
        contribution[:, column - 1] = np.where(same, 0.0, contribution[:, column - 1])
        instance[:, column - 1] = np.where(same, EMPTY, instance[:, column - 1])


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One line of an uncertainty budget: one draw, that is, one number that nobody knows.

    Attributes:
        cause: Name of the kind of error.
        kind: "A" or "B" (JCGM 100:2008, 4.2, 4.3).
        distribution: A key of ``DIVISORS``, or "normal" for a standard uncertainty that was evaluated as such.
        contribution: |sensitivity| · standard uncertainty, in the result's unit; never negative.
        dof: Degrees of freedom of the standard uncertainty.
        draw: Instrument and specification in words.
        standard: Standard uncertainty of the draw, in ``unit``.
        unit: Its unit; empty for that of the result.
        sensitivity: Signed change of the result per unit of the draw.
    """

    cause: str
    kind: Literal["A", "B"]
    distribution: str
    contribution: float
    dof: float
    draw: str
    standard: float
    unit: str
    sensitivity: float

    @property
    def divisor(self) -> float:
        """What the half-width (or a certificate's expanded uncertainty) was divided by."""
        return DIVISORS.get(self.distribution, 1.0)

    @property
    def half_width(self) -> float:
        """What the source states, in ``unit``: standard uncertainty times divisor."""
        return self.standard * self.divisor
