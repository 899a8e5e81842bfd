"""Mean differences over groups of conditions: where two runs differ, by channel, load, frequency and the like.

The uncertainty of a mean is that of what its conditions share: a path that is wrong is wrong in all of them, and no
number of conditions makes it better known. It comes from the draws themselves, not from the scatter of the differences.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.causes import CANCELLED
from reports.frames import AXES

if TYPE_CHECKING:
    from reports.draw_matrix import DrawMatrix

#: Axes by which conditions are grouped: each alone, and the two that choose an output path together.
GROUPED_BY = (
    ("channel", "load_ohm"), ("channel",), ("load_ohm",), ("frequency_hz",), ("supply_mode",), ("temperature_c",),
    ("tone_level_dbm",), ("gain_code",),
)  # fmt: skip

GROUP_COLUMNS = ("characteristic", "by", *AXES, "conditions", "mean", "expanded", "ratio", "unit")


def group_means(table: pd.DataFrame, drawn: DrawMatrix) -> pd.DataFrame:
    """Mean of each group of one characteristic.

    Args:
        table: Rows of ``comparison.COLUMNS`` with a known difference.
        drawn: Draws of those differences.

    Returns:
        Columns ``GROUP_COLUMNS``: ``by`` names the axes that are held, whose columns are filled, the others' not;
        ``expanded`` is for k = 2. A group that is all of the table stands once, under an empty ``by``.
    """
    everything = np.arange(len(table))
    groups: list[tuple[str, dict[str, object], np.ndarray[tuple[int], np.dtype[np.intp]]]] = [("", {}, everything)]
    for axes in GROUPED_BY:
        if any(table[axis].nunique() < 2 for axis in axes):
            continue
        found = table.groupby(list(axes), sort=True, observed=True).indices
        for key, rows in found.items():
            values = key if isinstance(key, tuple) else (key,)
            groups.append((", ".join(axes), dict(zip(axes, values, strict=True)), np.asarray(rows, dtype=np.intp)))
    difference = table["difference"].to_numpy()
    means = np.array([difference[rows].mean() for _, _, rows in groups])
    expanded = 2.0 * drawn.mean_standard([rows for _, _, rows in groups])
    # As in ``comparison``: what has cancelled but for float noise is no evidence.
    least = CANCELLED * np.abs(table["expanded_1"].to_numpy()).max()
    lines = [
        {"by": by, **held, "conditions": len(rows), "mean": mean, "expanded": u, "ratio": mean / u}
        for (by, held, rows), mean, u in zip(groups, means.tolist(), expanded.tolist(), strict=True)
        if u > least
    ]
    head = {"characteristic": table["characteristic"].iloc[0], "unit": table["unit"].iloc[0]}
    return pd.DataFrame([line | head for line in lines], columns=list(GROUP_COLUMNS))
