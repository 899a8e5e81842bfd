"""What did not pass, in words: the worst value of each broken limit, and where all the values beyond it lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.decisions import Decision, margin
from reports.frames import AXES
from reports.limited import limited_rows
from reports.text_table import margin_text, sides_text, worst_text
from reports.wording import axis_values_text, condition_text
from sequences.units import to_si

if TYPE_CHECKING:
    from reports.summary import LimitResult, Report
    from sequences.part_file import Limit


@dataclass(frozen=True, slots=True)
class Finding:
    """One limit that was not met, or not with certainty, in words."""

    characteristic: str
    decision: Decision
    text: str


def findings(report: Report) -> tuple[Finding, ...]:
    """One finding per limit that is failed, conditionally failed or conditionally passed, worst first."""
    order = ("fail", "conditional fail", "conditional pass")
    pairs = list(zip(report.part.limit, report.limits, strict=True))
    return tuple(
        Finding(result.characteristic, result.decision, _text(report, limit, result))
        for decision in order
        for limit, result in pairs
        if result.decision == decision
    )


def _text(report: Report, limit: Limit, result: LimitResult) -> str:
    sides = sides_text(result)
    worst = f"{worst_text(result)} at {condition_text(result.worst_condition)}"
    distance = margin_text(result)
    if result.decision == "conditional pass":
        left = f" {result.undecided} bounded values do not decide it." if result.undecided else ""
        return f"{worst}. The limit ({sides}) is kept by {distance}, less than the uncertainty.{left}"
    return f"{worst}. That is {distance.removeprefix('−')} beyond the limit ({sides}). {_beyond(report, limit)}"


def _beyond(report: Report, limit: Limit) -> str:
    """How many conditions lie beyond the limit, and what they have in common."""
    table = report.characteristics
    table = table[table["characteristic"] == limit.characteristic]
    held = table[limited_rows(table, limit)]
    factor = to_si(1.0, CHARACTERISTICS[limit.characteristic].unit) / to_si(1.0, limit.unit)
    broken = held[margin(held["value"].to_numpy() * factor, limit.min, limit.max) < 0]
    shared = [axis_values_text(axis, broken[axis].unique()) for axis in AXES if _narrower(broken[axis], held[axis])]
    where = "; ".join(shared) or "all over"
    return f"Values beyond it: {len(broken)} of {len(held)} conditions ({where})."


def _narrower(some: pd.Series[Any], every: pd.Series[Any]) -> bool:
    return some.nunique() < every.nunique()
