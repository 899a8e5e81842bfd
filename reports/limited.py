"""Which conditions a limit of the part file speaks of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from sequences.part_file import Limit


def limited_rows(table: pd.DataFrame, limit: Limit) -> pd.Series[bool]:
    """Which rows of ``table`` (columns: the axes) the limit holds for; the axes it does not name are not restricted."""
    keep = pd.Series(data=True, index=table.index)
    for axis, matcher in limit.where.items():
        keep &= table[axis].isin([value for value in table[axis].unique() if matcher.matches(value)])
    return keep
