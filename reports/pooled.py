"""Several units of one part: mean and spread over the units, at each limit's stated conditions.

Rule: every unit counts once; a value that is only a bound is not a value and counts nowhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.frames import AXES
from reports.limited import limited_rows
from reports.unit_statistics import capability, grubbs, grubbs_critical, mean_and_deviation, two_sided_factor
from sequences.units import to_si

if TYPE_CHECKING:
    from reports.summary import Report
    from sequences.part_file import Limit

#: Share of the population and confidence of the tolerance interval. Common practice, no source.
PROPORTION, CONFIDENCE = 0.95, 0.95

COLUMNS = (
    "limit", "characteristic", *AXES, "unit", "min", "max", "units", "mean", "standard_deviation", "lowest", "highest",
    "tolerance_factor", "cpk", "outlier",
)  # fmt: skip


def pool(reports: Sequence[Report]) -> pd.DataFrame:
    """Statistics over units, one row for each limit and condition that at least two units have, in limit order.

    Columns ``COLUMNS``: number of the limit in the part file from 1, the condition's axes, the limit's unit, min and
    max; how many units; mean, standard deviation (n − 1), lowest and highest over them; the exact factor of the
    two-sided tolerance interval mean ± factor · deviation for ``PROPORTION`` with ``CONFIDENCE``; Cpk; and the serial
    of a unit that Grubbs' two-sided test at 5 % calls an outlier, empty for none. Several runs of one unit are averaged
    first. The deviation holds the spread of the units and of the measurement together.

    Limits are those of the first report's part; runs of another part are left out.
    """
    part = reports[0].part
    tables = [
        report.characteristics[report.characteristics["bound"] == 0].assign(serial=report.facts.unit)
        for report in reports
        if report.part.part.name == part.part.name
    ]
    table = pd.concat(tables, ignore_index=True)
    table["characteristic"] = table["characteristic"].astype("str")
    rows = [
        row
        for number, limit in enumerate(part.limit, start=1)
        for row in _rows_of(number, limit, _held_by(table, limit))
    ]
    return pd.DataFrame(rows, columns=pd.Index(COLUMNS))


def _held_by(table: pd.DataFrame, limit: Limit) -> pd.DataFrame:
    """Values of the limit's characteristic at its conditions, in its unit, one for each unit: axes, serial, value."""
    found = table[table["characteristic"] == limit.characteristic]
    found = found[limited_rows(found, limit)]
    each = found.groupby([*AXES, "serial"], observed=True, sort=False)["value"].mean().reset_index()
    factor = to_si(1.0, CHARACTERISTICS[limit.characteristic].unit) / to_si(1.0, limit.unit)
    return each.assign(value=each["value"] * factor)


def _rows_of(number: int, limit: Limit, held: pd.DataFrame) -> list[dict[str, object]]:
    rows = []
    for condition, units in held.groupby(list(AXES), observed=True, sort=False):
        values = units["value"].to_numpy(dtype=np.float64)
        if len(values) < 2:
            continue
        mean, deviation = mean_and_deviation(values)
        cpk = capability(mean, deviation, limit.min, limit.max) if deviation > 0 else None
        rows.append(
            {
                "limit": number,
                "characteristic": limit.characteristic,
                **dict(zip(AXES, condition, strict=True)),
                "unit": limit.unit,
                "min": limit.min,
                "max": limit.max,
                "units": len(values),
                "mean": mean,
                "standard_deviation": deviation,
                "lowest": values.min(),
                "highest": values.max(),
                "tolerance_factor": _factor(len(values)),
                "cpk": cpk,
                "outlier": _outlier(values, units["serial"].tolist()),
            }
        )
    return rows


@cache
def _factor(count: int) -> float:
    """Thousands of conditions have the same few numbers of units."""
    return two_sided_factor(count, PROPORTION, CONFIDENCE)


def _outlier(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], serials: list[str]) -> str:
    if len(values) < 3 or values.min() == values.max():
        return ""
    place, distance = grubbs(values)
    return serials[place] if distance > grubbs_critical(len(values)) else ""
