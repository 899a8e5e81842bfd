"""What shared errors do to many values at once: one matrix of draws instead of a cause for each kind of error.

A row is a value, a column one draw, an entry what the draw adds to the value, per standard uncertainty of the draw. So
V = C·Cᵀ is the covariance of the values (JCGM 102:2011, 6.2.1, from memory, not seen), and the mean of many values
keeps all that they share: it gains from their number only in what is each one's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.causes import EMPTY
from reports.uncertainty import Uncertain

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from scipy.sparse import csc_matrix

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: A draw as a column: its cause and instance.
Draw = tuple[str, int]


@dataclass(frozen=True, eq=False)
class DrawMatrix:
    """Draws of a column of values.

    Attributes:
        matrix: Shape (values, draws), sparse.
        draws: What each column is.
    """

    matrix: csc_matrix
    draws: tuple[Draw, ...]

    @classmethod
    def of(cls, quantity: Uncertain, common: Callable[[str, IntArray], IntArray] | None = None) -> DrawMatrix:
        """All draws of ``quantity`` that add something to any value.

        ``common`` tells which draws of a cause may be one: instances → numbers that are equal then. Such a one is added
        beside them, with the same contributions; where the numbers are the instances there is nothing to add.
        """
        from scipy.sparse import csc_matrix, hstack

        parts, draws = [csc_matrix((len(quantity), 0))], []
        for name, cause in quantity.causes.items():
            used = (cause.instance != EMPTY) & (cause.contribution != 0)
            rows, _ = np.nonzero(used)
            instance, added = cause.instance[used], cause.contribution[used]
            grouped = instance if common is None else common(name, instance)
            kinds = [(name, instance)] if grouped is instance else [(name, instance), (f"{name} in common", grouped)]
            for kind, which in kinds:
                numbers, column = np.unique(which, return_inverse=True)
                shape = (len(quantity), len(numbers))
                parts.append(csc_matrix((added, (rows, column.reshape(-1))), shape=shape))
                draws += [(kind, number) for number in numbers.tolist()]
        return cls(csc_matrix(hstack(parts)), tuple(draws))

    @classmethod
    def stacked(cls, parts: Sequence[DrawMatrix]) -> DrawMatrix:
        """Values of several columns under each other; a draw that several have is one column."""
        from scipy.sparse import csc_matrix, vstack

        place = {draw: column for column, draw in enumerate(dict.fromkeys(d for part in parts for d in part.draws))}
        moved = []
        for part in parts:
            coordinates = part.matrix.tocoo()
            column = np.array([place[draw] for draw in part.draws], dtype=np.int64)[coordinates.col]
            shape = (part.matrix.shape[0], len(place))
            moved.append(csc_matrix((coordinates.data, (coordinates.row, column)), shape=shape))
        return cls(csc_matrix(vstack(moved)), tuple(place))

    @property
    def shared(self) -> Flags:
        """Draws that are in more than one value, shape (draws,)."""
        result: Flags = np.diff(self.matrix.indptr) > 1
        return result

    def own_variance(self, shared: Flags) -> FloatArray:
        """Variance of each value from the draws that are not ``shared``, shape (values,)."""
        rest = self.matrix[:, np.flatnonzero(~shared)]
        result: FloatArray = np.asarray(rest.multiply(rest).sum(axis=1)).reshape(-1)
        return result

    def mean_standard(self, groups: Iterable[NDArray[np.intp]]) -> FloatArray:
        """Standard uncertainty of the mean of each group of rows, shape (groups,)."""
        from scipy.sparse import csr_matrix

        rows = list(groups)
        lengths = np.array([len(one) for one in rows])
        weights = csr_matrix(
            (np.repeat(1.0 / lengths, lengths), np.concatenate(rows), np.concatenate([[0], np.cumsum(lengths)])),
            shape=(len(rows), self.matrix.shape[0]),
        )
        means = weights @ self.matrix
        result: FloatArray = np.sqrt(np.asarray(means.multiply(means).sum(axis=1)).reshape(-1))
        return result
