"""Values with the causes of their uncertainty: first-order propagation for whole columns at once.

The idea: an uncertainty is kept as what each single physical draw adds to each value, with its sign, not as a number. A
draw is told by its cause ("analyzer level") and an instance number (this attenuator setting, that path loss). When two
values are combined, what the same draw adds to both is summed with sign, so a common error cancels in a difference
exactly as far as it is common: x − x has no uncertainty. Different draws are independent and add in quadrature
(JCGM 100:2008, 5.1.2 for independent inputs, applied draw by draw).

Rule: nothing here knows an instrument or a characteristic.

Each cause holds m slots per row, sparse: a row of mean gain may hold two path-loss draws, a row of one level only one.
A cause merged into one number per row would be smaller, but a later difference could no longer cancel it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reports.errors import ShapeFault

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Rows = NDArray[np.intp]
Naming = Callable[[int], str]

#: Coverage probability of the expanded uncertainty: k = 2 for infinite degrees of freedom (JCGM 100:2008, G.1.3).
COVERAGE = 0.9545

#: Instance number of an empty slot.
EMPTY = -1

#: A draw that adds less than this part of the largest one is what float arithmetic left of a difference.
CANCELLED = 1e-9

#: Divisors from half-width to standard uncertainty: JCGM 100:2008, 4.3.7 (rectangular), 4.3.9 (triangular); the arcsine
#: (U-shaped) one is that of a sine of unknown phase, as UKAS M3003 uses it for mismatch (from memory, not seen).
DIVISORS: dict[str, float] = {"rectangular": 3**0.5, "triangular": 6**0.5, "U-shaped": 2**0.5, "normal, k = 2": 2.0}


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
        column = np.asarray(factor, dtype=np.float64).reshape(-1, 1)
        return replace(self, contribution=self.contribution * column)

    def take(self, rows: Rows) -> Cause:
        """The rows asked for, in that order; a row may be asked for twice."""
        return replace(
            self,
            contribution=self.contribution[rows],
            instance=self.instance[rows],
            dof=_rows_of(self.dof, rows),
            standard=_rows_of(self.standard, rows),
        )

    def joined(self, other: Cause, name: str) -> Cause:
        """Both added, draw by draw. Raises ShapeFault if they disagree on what kind of cause ``name`` is."""
        mine, theirs = ((one.kind, one.distribution, one.unit) for one in (self, other))
        known_alike = isinstance(self.dof, np.ndarray) or isinstance(other.dof, np.ndarray) or self.dof == other.dof
        if mine != theirs or not known_alike:
            raise ShapeFault(f"cause {name!r}: two descriptions of one cause")
        if self.instance is other.instance or np.array_equal(self.instance, other.instance):
            return replace(self, contribution=self.contribution + other.contribution)
        contribution, instance, (dof, standard) = _merged(
            np.concatenate([self.contribution, other.contribution], axis=1),
            np.concatenate([self.instance, other.instance], axis=1),
            (self._beside(self.dof, other, other.dof), self._beside(self.standard, other, other.standard)),
        )
        return replace(self, contribution=contribution, instance=instance, dof=dof, standard=standard)

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
        result: FloatArray = np.sum(self.contribution**4 / self.dof, axis=1)
        return result

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


def _merged(
    contribution: FloatArray, instance: IntArray, beside: tuple[FloatArray | float, ...]
) -> tuple[FloatArray, IntArray, tuple[FloatArray | float, ...]]:
    """Slots with equal instance summed in each row; empty columns dropped. Shapes (n, m) to (n, ≤ m).

    ``beside`` describes the draws (numbers, or shape (n, m)) and follows them.
    """
    order = np.argsort(instance, axis=1, kind="stable")
    instance = np.take_along_axis(instance, order, axis=1)
    contribution = np.take_along_axis(contribution, order, axis=1)
    beside = tuple(np.take_along_axis(one, order, axis=1) if isinstance(one, np.ndarray) else one for one in beside)
    for column in range(1, instance.shape[1]):
        same = instance[:, column] == instance[:, column - 1]
        if not same.any():
            continue
        contribution[:, column] += np.where(same, contribution[:, column - 1], 0.0)
        contribution[:, column - 1] = np.where(same, 0.0, contribution[:, column - 1])
        instance[:, column - 1] = np.where(same, EMPTY, instance[:, column - 1])
    used = (instance != EMPTY).any(axis=0)
    if used.all():
        return contribution, instance, beside
    left = tuple(one[:, used] if isinstance(one, np.ndarray) else one for one in beside)
    return contribution[:, used], instance[:, used], left


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


@dataclass(frozen=True, slots=True, eq=False)
class Uncertain:
    """A column of values with the causes of their uncertainty.

    Attributes:
        value: Shape (n,).
        causes: By name; each with n rows.
        bound: Shape (n,): 0 measured, +1 the true value is at least ``value``, −1 at most.
    """

    value: FloatArray
    causes: Mapping[str, Cause]
    bound: NDArray[np.int8]

    def __post_init__(self) -> None:
        if self.value.ndim != 1 or self.bound.shape != self.value.shape:
            raise ShapeFault(f"values of shape {self.value.shape}, bounds of shape {self.bound.shape}")
        for name, cause in self.causes.items():
            if cause.contribution.shape != cause.instance.shape or len(cause.contribution) != len(self.value):
                raise ShapeFault(f"cause {name!r}: shape {cause.contribution.shape} for {len(self.value)} values")

    @classmethod
    def of(cls, value: FloatArray, causes: Mapping[str, Cause] | None = None) -> Uncertain:
        """Measured values, none bounded."""
        return cls(value, causes or {}, np.zeros(value.shape, dtype=np.int8))

    def __len__(self) -> int:
        return len(self.value)

    def __add__(self, other: Uncertain) -> Uncertain:
        return linear([(1.0, self), (1.0, other)])

    def __sub__(self, other: Uncertain) -> Uncertain:
        return linear([(1.0, self), (-1.0, other)])

    def scaled(self, factor: FloatArray | float) -> Uncertain:
        """Values and uncertainties times ``factor``; a negative one turns "at least" into "at most"."""
        return linear([(factor, self)])

    def shifted(self, offset: FloatArray | float) -> Uncertain:
        """Values plus something exactly known."""
        return Uncertain(self.value + offset, self.causes, self.bound)

    def take(self, rows: Rows) -> Uncertain:
        """The rows asked for, in that order."""
        causes = {name: cause.take(rows) for name, cause in self.causes.items()}
        return Uncertain(self.value[rows], causes, self.bound[rows])

    @property
    def standard(self) -> FloatArray:
        """Combined standard uncertainty, shape (n,)."""
        total = np.zeros(len(self))
        for cause in self.causes.values():
            total += cause.variance
        result: FloatArray = np.sqrt(total)
        return result

    @property
    def dof(self) -> FloatArray:
        """Effective degrees of freedom, untruncated, shape (n,); Welch–Satterthwaite (JCGM 100:2008, G.4.1)."""
        quartic = np.zeros(len(self))
        for cause in self.causes.values():
            if np.any(np.isfinite(cause.dof)):
                quartic += cause.quartic
        variance = self.standard**2
        result: FloatArray = np.divide(variance**2, quartic, out=np.full(len(self), np.inf), where=quartic > 0)
        return result

    def expanded(self, coverage: float = COVERAGE) -> FloatArray:
        """Expanded uncertainty U = k·u for a two-sided coverage probability, shape (n,)."""
        return self.standard * coverage_factor(self.dof, coverage)

    def budget(self, row: int) -> tuple[BudgetLine, ...]:
        """Draws that add something to one row, largest first. What has cancelled but for float noise is left out."""
        lines = [line for name, cause in self.causes.items() for line in cause.lines(name, row)]
        least = CANCELLED * max((line.contribution for line in lines), default=0.0)
        return tuple(sorted((line for line in lines if line.contribution > least), key=lambda line: -line.contribution))


def truncated_dof(dof: FloatArray) -> FloatArray:
    """Next lower integer (JCGM 100:2008, G.4.2) after rounding to 1e-9, so that 15.9999999999 is 16; at least 1."""
    result: FloatArray = np.maximum(np.floor(np.round(dof, 9)), 1.0)
    return result


def coverage_factor(dof: FloatArray, coverage: float = COVERAGE) -> FloatArray:
    """Student's factor for two-sided ``coverage`` at truncated degrees of freedom (JCGM 100:2008, Table G.2)."""
    from scipy.special import ndtri, stdtrit

    if not 0 < coverage < 1:
        raise ShapeFault(f"a coverage of {coverage:g} is not between 0 and 1")
    tail = (1 + coverage) / 2
    # 95.45 % is the rounded name of k = 2 (JCGM 100:2008, Table G.1); its exact quantile is 2.00002.
    normal = 2.0 if coverage == COVERAGE else float(ndtri(tail))
    factor = np.full(dof.shape, normal)
    finite = np.isfinite(dof)
    if finite.any():
        factor[finite] = stdtrit(truncated_dof(dof[finite]), tail)
    return factor


def linear(terms: Sequence[tuple[FloatArray | float, Uncertain]], value: FloatArray | None = None) -> Uncertain:
    """Σ sensitivity·quantity, draw by draw; each sensitivity a number or shape (n,).

    Args:
        terms: Sensitivity and quantity; all quantities have n rows.
        value: Values of the result where the function is not linear and the sensitivities are its derivatives
            (JCGM 100:2008, 5.1.3); left out, Σ sensitivity·value.

    Raises:
        ShapeFault: Lengths differ, or a term known only from below meets one known only from above: nothing is left
            that the result would be bounded by.
    """
    rows = len(terms[0][1])
    if any(len(quantity) != rows for _, quantity in terms):
        raise ShapeFault(f"columns of {', '.join(str(len(quantity)) for _, quantity in terms)} rows")
    total = np.zeros(rows)
    causes: dict[str, Cause] = {}
    lowest, highest = np.zeros(rows, dtype=np.int8), np.zeros(rows, dtype=np.int8)
    for sensitivity, quantity in terms:
        total = total + sensitivity * quantity.value
        sides = (np.sign(sensitivity) * quantity.bound).astype(np.int8)
        lowest, highest = np.minimum(lowest, sides), np.maximum(highest, sides)
        for name, cause in quantity.causes.items():
            scaled = cause.scaled(sensitivity)
            causes[name] = causes[name].joined(scaled, name) if name in causes else scaled
    if np.any((lowest < 0) & (highest > 0)):
        raise ShapeFault("a value known only from below combined with one known only from above")
    return Uncertain(total if value is None else value, causes, lowest + highest)


def difference(quantity: Uncertain, rows: Rows, other: Uncertain, other_rows: Rows) -> Uncertain:
    """``quantity[rows] − other[other_rows]``; what both rows owe to the same draw cancels."""
    return quantity.take(rows) - other.take(other_rows)


def product(first: Uncertain, second: Uncertain) -> Uncertain:
    """``first · second`` to first order (JCGM 100:2008, 5.1.2)."""
    return linear([(second.value, first), (first.value, second)], value=first.value * second.value)


def ratio(above: Uncertain, below: Uncertain, factor: float = 1.0) -> Uncertain:
    """``factor · above / below`` to first order. Raises ShapeFault where ``below`` is 0."""
    if np.any(below.value == 0):
        raise ShapeFault("division by a value of 0")
    # In this order x / x is exactly 1.
    value = factor * (above.value / below.value)
    return linear([(factor / below.value, above), (-value / below.value, below)], value=value)


def choose(first_wins: NDArray[np.bool_], first: Uncertain, second: Uncertain) -> Uncertain:
    """Row by row one of two quantities, with its own causes and bound."""
    masks = (first_wins.astype(np.float64), (~first_wins).astype(np.float64))
    value = np.where(first_wins, first.value, second.value)
    unbounded = [Uncertain.of(quantity.value, quantity.causes) for quantity in (first, second)]
    chosen = linear(list(zip(masks, unbounded, strict=True)), value=value)
    return Uncertain(value, chosen.causes, np.where(first_wins, first.bound, second.bound))
