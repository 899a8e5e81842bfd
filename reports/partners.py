"""Which conditions belong together: same on every axis but one.

Rule: no loop over conditions; every join is arithmetic on integer keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports.errors import ShapeFault
from reports.frames import AXES

Rows = NDArray[np.intp]
Keys = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Conditions as points on a grid of all values that occur on each axis.

    Attributes:
        values: The values that occur, by axis.
        codes: Position of each condition's value in ``values``, by axis; shape (conditions,).
        strides: What one step on an axis adds to the key.
        key: One integer per condition; two conditions never share one.
    """

    values: Mapping[str, tuple[Any, ...]]
    codes: Mapping[str, Keys]
    strides: Mapping[str, int]
    key: Keys

    @classmethod
    def of(cls, conditions: pd.DataFrame) -> Grid:
        """Grid of a frame with the columns ``AXES``. Raises ShapeFault if two conditions are the same."""
        values, codes, strides = {}, {}, {}
        key = np.zeros(len(conditions), dtype=np.int64)
        stride = 1
        for axis in AXES:
            code, found = pd.factorize(conditions[axis], use_na_sentinel=False)
            values[axis], codes[axis], strides[axis] = tuple(found), code.astype(np.int64), stride
            key += codes[axis] * stride
            stride *= max(len(found), 1)
        if len(np.unique(key)) != len(key):
            raise ShapeFault("conditions: two of them have the same value on every axis")
        return cls(values, codes, strides, key)

    def axis(self, name: str) -> NDArray[np.float64]:
        """Value of each condition on a numeric axis, shape (conditions,)."""
        return np.array(self.values[name], dtype=np.float64)[self.codes[name]]

    def pairs(self, axis: str, partner_of: Mapping[Any, object]) -> tuple[Rows, Rows]:
        """Conditions that have a partner, and those partners.

        Args:
            axis: The one axis on which the two differ.
            partner_of: Value on that axis → value of its partner; a value that is not a key has none.

        Returns:
            Two arrays of equal length: row and its partner's row.
        """
        place = {value: position for position, value in enumerate(self.values[axis])}
        target = np.array([place.get(partner_of.get(value), -1) for value in self.values[axis]], dtype=np.int64)
        wanted = target[self.codes[axis]] if len(target) else np.zeros(0, dtype=np.int64)
        rows = np.flatnonzero(wanted >= 0)
        keys = self.key[rows] + (wanted[rows] - self.codes[axis][rows]) * self.strides[axis]
        order = np.argsort(self.key)
        found = order[np.minimum(np.searchsorted(self.key, keys, sorter=order), max(len(order) - 1, 0))]
        there = self.key[found] == keys
        return rows[there], found[there]

    def groups(self, axis: str) -> tuple[Keys, int]:
        """Group number of each condition, equal where all other axes are; and how many groups there are."""
        found, group = np.unique(self.key - self.codes[axis] * self.strides[axis], return_inverse=True)
        return group.astype(np.int64), len(found)
