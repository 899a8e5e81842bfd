"""Values with the causes of their uncertainty: first-order propagation for whole columns at once.

The idea: an uncertainty is kept as what each single physical draw adds to each value, with its sign, not as a number. A
draw is told by its cause ("analyzer level") and an instance number (this attenuator setting, that path loss). When two
values are combined, what the same draw adds to both is summed with sign, so a common error cancels in a difference
exactly as far as it is common: x − x has no uncertainty. Different draws are independent and add in quadrature
(JCGM 100:2008, 5.1.2 for independent inputs, applied draw by draw).

Rule: nothing here knows an instrument or a characteristic.

Each cause (``reports/causes.py``) holds m slots per row, sparse: a row of mean gain may hold two path-loss draws, a row
of one level only one.
A cause merged into one number per row would be smaller, but a later difference could no longer cancel it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from reports.causes import CANCELLED, DIVISORS, EMPTY, BudgetLine, Cause, FloatArray, IntArray, Naming, Rows, standard
from reports.errors import ShapeFault

__all__ = [
    "COVERAGE", "DIVISORS", "EMPTY", "BudgetLine", "Cause", "FloatArray", "IntArray", "Naming", "Rows", "Settled",
    "Uncertain", "choose", "coverage_factor", "difference", "linear", "product", "ratio", "standard", "truncated_dof",
]  # fmt: skip


#: Coverage probability of the expanded uncertainty: k = 2 for infinite degrees of freedom (JCGM 100:2008, G.1.3).
COVERAGE = 0.9545


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """Values whose causes are no longer told apart; all of shape (n,).

    Attributes:
        value, bound: As in ``Uncertain``.
        standard: Combined standard uncertainty.
        dof: Effective degrees of freedom, untruncated.
        expanded: Expanded uncertainty, about 95.45 %.
    """

    value: FloatArray
    standard: FloatArray
    dof: FloatArray
    expanded: FloatArray
    bound: NDArray[np.int8]

    def scaled(self, rows: NDArray[np.bool_], factor: float) -> Settled:
        """The rows asked for, in another unit: times ``factor``, which is above 0."""
        value, standard, expanded = (column[rows] * factor for column in (self.value, self.standard, self.expanded))
        return Settled(value, standard, self.dof[rows], expanded, self.bound[rows])


@dataclass(frozen=True, eq=False)
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

    def settled(self) -> Settled:
        """What is left to say when nothing more will be derived from it: an eighth of the memory and less."""
        return Settled(self.value, self.standard, self.dof, self.expanded(), self.bound)

    def take(self, rows: Rows) -> Uncertain:
        """The rows asked for, in that order."""
        causes = {name: cause.take(rows) for name, cause in self.causes.items()}
        return Uncertain(self.value[rows], causes, self.bound[rows])

    @cached_property
    def standard(self) -> FloatArray:
        """Combined standard uncertainty, shape (n,)."""
        total = np.zeros(len(self))
        for cause in self.causes.values():
            total += cause.variance
        result: FloatArray = np.sqrt(total)
        return result

    @cached_property
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
        # Whole numbers repeat, and the quantile is dear; from here on it is that of infinitely many to six digits.
        whole, which = np.unique(np.minimum(truncated_dof(dof[finite]), 1e7), return_inverse=True)
        factor[finite] = stdtrit(whole, tail)[which]
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
        # A sensitivity that is not known belongs to a value that is not: it bounds nothing.
        sides = np.nan_to_num(np.sign(sensitivity) * quantity.bound).astype(np.int8)
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
