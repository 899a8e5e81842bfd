"""Typical values over several units as the page shows them, beside the limits of the datasheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports.characteristics import CHARACTERISTICS
from reports.definitions_html import link
from reports.wording import difference_unit, number_text, rounded, true_minus

if TYPE_CHECKING:
    from reports.summary import LimitResult, Report
    from reports.typical_values import TypicalValue

TEXT = (
    "Min and max of the units: lowest and highest of all units at all conditions that count, without uncertainty. "
    "Typ of the units: mean over the units of each unit's mean over the conditions. "
    "Spread s: experimental standard deviation (n − 1) of the units at one condition, root mean square over the "
    "conditions; it holds what the units differ and what the measurement scatters together. "
    "U: expanded uncertainty of typ, about 95.45 %, for the mean of all units of the part: the scatter of n units, and "
    "the measurement as if its error were the same for all, as that of one bench mostly is (JCGM 100:2008, 5.2.2); "
    "with two or three units it is large, because so few say little. "
    "Conditions count where all n units were measured; bounded values do not count, which the last column says."
)


SPANS_TEXT = (
    "One run of one unit, so these are no typical values of the part: min and max are the lowest and the highest "
    "measured value over the conditions of each limit, mean is their mean, all without uncertainty. Which of them "
    "decides, and with which uncertainty, stands under Decisions. Bounded values do not count. Several runs in one "
    "report (nightbench report RUN RUN …) give min, typ and max over the units."
)


def spans_section(report: Report) -> dict[str, Any] | None:
    """Lowest, mean and highest over the conditions of each limit, for a unit by itself; None with typical values."""
    limits = [(place, limit) for place, limit in enumerate(report.limits, start=1) if limit.mean is not None]
    if report.typical or not limits:
        return None
    return {"rows": [_span(place, limit) for place, limit in limits], "text": SPANS_TEXT}


def _span(place: int, limit: LimitResult) -> dict[str, Any]:
    expanded = limit.expanded_uncertainty or 0.0
    sides = {"min": limit.min, "typical": limit.typical, "max": limit.max}
    found = {"lowest": limit.lowest, "mean": limit.mean, "highest": limit.highest}
    measured = limit.conditions - limit.bounded
    return {
        **{name: "–" if bound is None else number_text(bound) for name, bound in sides.items()},
        **{name: "–" if value is None else rounded(value, expanded)[0] for name, value in found.items()},
        "number": place,
        "title": CHARACTERISTICS[limit.characteristic].title,
        "link": link(limit.characteristic),
        "where": true_minus(limit.where) or "all conditions",
        "unit": limit.unit,
        "conditions": f"{measured:,}" if not limit.bounded else f"{measured:,} of {limit.conditions:,}",
    }


def typical_section(report: Report) -> dict[str, Any] | None:
    """Texts of the section; None for a unit by itself."""
    if not report.typical:
        return None
    units = list(dict.fromkeys(unit for line in report.typical for unit in line.units))
    return {
        "units": f"{len(units)} units: {', '.join(units)}.",
        "rows": [_row(report, line) for line in report.typical],
        "text": TEXT,
    }


def _row(report: Report, line: TypicalValue) -> dict[str, Any]:
    limit = report.limits[line.limit - 1]
    expanded = line.expanded_uncertainty
    sides = {"min": limit.min, "typical": limit.typical, "max": limit.max}
    return {
        **{name: "–" if bound is None else number_text(bound) for name, bound in sides.items()},
        "number": line.limit,
        "title": CHARACTERISTICS[limit.characteristic].title,
        "link": link(limit.characteristic),
        "where": true_minus(limit.where) or "all conditions",
        "unit": limit.unit,
        "lowest": rounded(line.lowest, expanded)[0],
        "mean": rounded(line.typical, expanded)[0],
        "highest": rounded(line.highest, expanded)[0],
        "expanded": _difference(rounded(line.typical, expanded)[1], limit.unit),
        # Two digits, as an uncertainty has.
        "spread": _difference(rounded(0.0, line.spread)[1], limit.unit),
        "units": str(len(line.units)),
        "conditions": str(line.conditions)
        if not line.left_out
        else f"{line.conditions} of {line.conditions + line.left_out}",
    }


def _difference(text: str, unit: str) -> str:
    """A spread or an uncertainty with its unit: of levels in dBm they are in dB. What is 0 has no digits of its own."""
    return f"{text or '0'} {difference_unit(unit)}"
