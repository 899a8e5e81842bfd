"""Report → plain rows for a terminal: the decisions as people read them, with no drawing of lines or colours."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.characteristics import CHARACTERISTICS
from reports.frames import AXES
from reports.wording import (
    DECISIONS,
    condition_text,
    difference_unit,
    number_text,
    probability_text,
    rounded,
    value_text,
)
from sequences.units import split_key

if TYPE_CHECKING:
    from reports.summary import LimitResult, Report


@dataclass(frozen=True, slots=True)
class TextTable:
    """Column heads and rows of text, all rows as long as ``columns``."""

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def decision_table(report: Report) -> TextTable:
    """One row per limit, in the order of the part file."""
    columns = (
        "Characteristic", "Limit", "Worst value", "Margin", "Conformity", "Worst condition", "Conditions", "Decision",
    )  # fmt: skip
    # Terminals, and what is copied from them into other tools, get the ASCII hyphen; pages have the true minus.
    return TextTable(
        columns, tuple(tuple(cell.replace("−", "-") for cell in _row(limit, report)) for limit in report.limits)
    )


def sides_text(limit: LimitResult) -> str:
    """The limit's sides in words: ``min 40 dBm``, ``−0.25 … 0.25 dB``."""
    if limit.min is not None and limit.max is not None:
        return f"{number_text(limit.min)} … {number_text(limit.max)} {limit.unit}"
    side, bound = ("max", limit.max) if limit.min is None else ("min", limit.min)
    return f"{side} {'–' if bound is None else number_text(bound)} {limit.unit}"


def told_apart(limit: LimitResult, limits: tuple[LimitResult, ...]) -> str:
    """Those of a limit's conditions that not all limits of its characteristic have; empty for the only one."""
    alike = [_conditions(one) for one in limits if one.characteristic == limit.characteristic]
    return ", ".join(part for part in _conditions(limit) if not all(part in others for others in alike))


def _conditions(limit: LimitResult) -> list[str]:
    """Each axis of ``where`` with its values, which may hold commas themselves."""
    return re.split(rf", (?=(?:{'|'.join(split_key(axis)[0].replace('_', ' ') for axis in AXES)}) )", limit.where)


def worst_text(limit: LimitResult) -> str:
    """Worst value with its uncertainty and unit, ``≥`` or ``≤`` in front if it only bounds; a dash without one."""
    if limit.worst_value is None:
        return "–"
    return value_text(limit.worst_value, limit.expanded_uncertainty or 0.0, limit.unit, limit.worst_bound)


def margin_text(limit: LimitResult) -> str:
    """Margin with its unit, rounded as its uncertainty is."""
    if limit.margin is None:
        return "–"
    near, _ = rounded(limit.margin, limit.expanded_uncertainty or 0.0)
    return f"{near} {difference_unit(limit.unit)}"


def conformity_text(limit: LimitResult) -> str:
    """Smallest probability that a condition conforms; a dash if the limit was not tested."""
    return "–" if limit.conformity_probability is None else probability_text(limit.conformity_probability)


def counted_text(limit: LimitResult) -> str:
    """Number of conditions, and how many of them only bound the characteristic."""
    notes = [f"{count} {word}" for count, word in ((limit.bounded, "bounded"), (limit.skipped, "skipped")) if count]
    return f"{limit.conditions} ({', '.join(notes)})" if notes else str(limit.conditions)


def _row(limit: LimitResult, report: Report) -> tuple[str, ...]:
    word, sign = DECISIONS[limit.decision]
    title = CHARACTERISTICS[limit.characteristic].title
    where = condition_text(limit.worst_condition) or "–"
    apart = told_apart(limit, report.limits)
    return (
        title,
        f"{sides_text(limit)} ({apart})" if apart else sides_text(limit),
        worst_text(limit),
        margin_text(limit),
        conformity_text(limit),
        where,
        counted_text(limit),
        f"{sign} {word}",
    )
