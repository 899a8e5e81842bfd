"""Typical values over several units: what the datasheet's min, typ and max columns would say, limit by limit.

Rule: every unit counts once and at the same conditions; a value that is only a bound is not a value and counts nowhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.frames import AXES
from reports.limited import limited_rows
from reports.uncertainty import coverage_factor
from reports.unit_statistics import mean_and_deviation
from sequences.units import to_si

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reports.summary import Report
    from sequences.part_file import Limit, Part


@dataclass(frozen=True, slots=True)
class TypicalValue:
    """One limit's characteristic over several units. Values are in the limit's unit.

    Attributes:
        limit: Number of the limit in the part file, from 1.
        units: Serials of the units that have it, in order of the reports.
        conditions: How many conditions count: those where all these units have a measured value.
        left_out: Further conditions of the limit at which some unit was not measured, or only bounded.
        lowest, highest: Of all units at all conditions that count.
        typical: Mean over the units of each unit's mean over the conditions.
        spread: Experimental standard deviation (n − 1) of the units at one condition, root mean square over the
            conditions. It holds what the units differ and what the measurement scatters together.
        expanded_uncertainty: U of ``typical`` as an estimate for all units of the part: see ``_expanded``.
    """

    limit: int
    units: tuple[str, ...]
    conditions: int
    left_out: int
    lowest: float
    typical: float
    highest: float
    spread: float
    expanded_uncertainty: float


def typical_values(part: Part, reports: Sequence[Report]) -> tuple[TypicalValue, ...]:
    """One line for each limit of ``part`` that two units or more were measured for at the same conditions, in order.

    Several runs of one unit are averaged first; runs of another part are left out. Nothing for a single unit: one value
    has no spread.
    """
    tables = [
        report.characteristics.assign(serial=report.facts.unit)
        for report in reports
        if report.part.part.name == part.part.name
    ]
    if len({report.facts.unit for report in reports}) < 2 or not tables:
        return ()
    table = pd.concat(tables, ignore_index=True)
    table["characteristic"] = table["characteristic"].astype("str")
    lines = (_line(number, limit, table) for number, limit in enumerate(part.limit, start=1))
    return tuple(line for line in lines if line is not None)


def _line(number: int, limit: Limit, table: pd.DataFrame) -> TypicalValue | None:
    found = table[table["characteristic"] == limit.characteristic]
    found = found[limited_rows(found, limit)]
    measured = found[found["bound"] == 0]
    units = tuple(dict.fromkeys(measured["serial"].tolist()))
    if len(units) < 2:
        return None
    columns = {name: _by_unit(measured, name, units) for name in ("value", "standard_uncertainty", "dof")}
    whole = columns["value"].notna().all(axis=1).to_numpy()
    if not whole.any():
        return None
    factor = to_si(1.0, CHARACTERISTICS[limit.characteristic].unit) / to_si(1.0, limit.unit)
    value, standard, dof = (frame.to_numpy(dtype=np.float64)[whole] for frame in columns.values())
    value, standard = value * factor, standard * factor
    typical, deviation = mean_and_deviation(value.mean(axis=0))
    all_conditions = len(found.groupby(list(AXES), observed=True, sort=False).size())
    return TypicalValue(
        limit=number,
        units=units,
        conditions=int(whole.sum()),
        left_out=all_conditions - int(whole.sum()),
        lowest=float(value.min()),
        typical=typical,
        highest=float(value.max()),
        spread=float(np.sqrt(np.mean(value.var(axis=1, ddof=1)))),
        expanded_uncertainty=_expanded(deviation / math.sqrt(len(units)), len(units) - 1, standard, dof),
    )


def _by_unit(measured: pd.DataFrame, column: str, units: tuple[str, ...]) -> pd.DataFrame:
    """``column`` with a row for each condition and a column for each unit; NaN where a unit has none."""
    mean = measured.groupby([*AXES, "serial"], observed=True, sort=False)[column].mean()
    return mean.unstack("serial").reindex(columns=list(units))


def _expanded(of_mean: float, dof_of_mean: int, standard: NDArray[np.float64], dof: NDArray[np.float64]) -> float:
    """U of the mean over units: their scatter s/√n, and the measurement as if its error were the same for all.

    The error of a bench is mostly common to the units that it measured, so it does not shrink with their number; taking
    all of it as common is the upper bound (JCGM 100:2008, 5.2.2, note 1). What scatters in the measurement is then
    counted twice, in s as well, which errs on the safe side. Degrees of freedom by Welch and Satterthwaite
    (JCGM 100:2008, G.4.1), those of the measurement being the fewest of all values.
    """
    common = float(standard.mean())
    combined = math.hypot(of_mean, common)
    if combined == 0:
        return 0.0
    quartics = of_mean**4 / dof_of_mean + common**4 / float(dof.min())
    effective = combined**4 / quartics if quartics > 0 else math.inf
    return combined * float(coverage_factor(np.array([effective]))[0])
