"""Uncertainty budgets for people: every figure that a reader with a calculator needs to follow the sum.

They fill a page of their own beside the report, which shows the sums and the largest contributions.

Rule: contribution = |sensitivity| · standard uncertainty = |sensitivity| · half-width / divisor, in what is shown.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from reports.characteristics import CHARACTERISTICS
from reports.definitions_html import link
from reports.templating import running_head, template
from reports.wording import (
    condition_text,
    decimal_places,
    difference_unit,
    fixed_text,
    number_text,
    rounded,
    shown_unit,
    true_minus,
    value_text,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.summary import Budget, Report
    from reports.uncertainty import BudgetLine

#: Digits of the columns. Ours: the rounding of four adds up to less than one of the two digits that U is stated with.
DIGITS = 4

#: Degrees of freedom from here on are shown as infinite: Student's factor is then 2 to the last digit shown.
MANY = 1e6

TEXT = (
    "Each budget is worked at the worst condition of the characteristic's first limit, or, without a limit, where its "
    "expanded uncertainty is largest. A line is one error that nobody knows: what the bench file, a certificate or "
    "the scatter states (a half-width, or an expanded uncertainty where the distribution is normal with k = 2), the "
    "divisor that makes a standard uncertainty u(x) of it, the sensitivity c of the result to it, and the contribution "
    "|c|·u(x). Errors that cancel have no line. u is the root of the sum of the squares of the contributions; the "
    "effective degrees of freedom are those of Welch and Satterthwaite, truncated; U = k·u. "
    "Lines below 1 % of the variance each stand behind one line for all of them, which unfolds, in print always: "
    "its contribution is the root of the sum of their squares, its degrees of freedom are those of Welch and "
    "Satterthwaite for them alone, so u and its degrees of freedom come out as with each line by itself. "
    "Type A: from scatter; type B: from other knowledge (JCGM 100:2008, 4.2, 4.3, 5.1, 6.2, G.4)."
)


#: Lines below this share of the variance each are folded, from this many on. Ours: an auditor looks at what counts
#: first, and one or two short lines are sooner read than unfolded.
SMALL_SHARE, FEWEST_FOLDED = 0.01, 3

#: Name of the file beside a report.
FILE = "budgets.html"

#: Causes that the overview names; ours: with more, nobody sees at a glance what rules.
LARGEST = 3


def budgets_html(report: Report) -> str:
    """The whole page of all budgets, as text; the same bytes for the same report."""
    facts = report.facts
    name = f"{report.part.part.name}, unit {facts.unit}, run {facts.run}"
    page = {
        "budgets": [budget_table(budget) for budget in report.budgets],
        "text": TEXT,
        "about": name,
        "colophon": f"Made by nightbench {facts.tool_version} from run {facts.run}.",
    }
    return template("budgets_page.html").render(page=page, head=running_head(f"Uncertainty budgets, {name}"))


def budget_overview(budget: Budget) -> dict[str, str]:
    """Texts of one budget in one row: its sums, and what rules them."""
    table = budget_table(budget)
    variances: dict[str, float] = {}
    for line in budget.lines:
        variances[line.cause] = variances.get(line.cause, 0.0) + line.contribution**2
    largest = sorted(variances.items(), key=lambda pair: -pair[1])[:LARGEST]
    shares = [f"{cause} {100 * variance / budget.standard_uncertainty**2:.0f} %" for cause, variance in largest]
    return {
        "title": table["title"],
        "link": f"{FILE}#{budget.characteristic}",
        "value": table["value"],
        "at": table["at"],
        "dof": "∞" if table["dof"] == "infinite" else number_text(budget.truncated_dof),
        "factor": table["factor"],
        "largest": "; ".join(shares) or "–",
        "lines": str(len(budget.lines)),
    }


def budget_table(budget: Budget) -> dict[str, Any]:
    """Texts of one budget, in the unit in which people read the characteristic."""
    unit, factor = shown_unit(budget.unit)
    expanded = budget.expanded_uncertainty * factor
    places = decimal_places(budget.standard_uncertainty * factor, DIGITS)
    large, small = _folded(budget)
    return {
        "id": budget.characteristic,
        "title": CHARACTERISTICS[budget.characteristic].title,
        "link": link(budget.characteristic),
        "value": value_text(budget.value * factor, expanded, unit, budget.bound),
        "at": condition_text(budget.condition),
        "unit": difference_unit(unit) or "1",
        "lines": [_line(line, difference_unit(unit), factor, places) for line in large],
        "small": [_line(line, difference_unit(unit), factor, places) for line in small],
        "together": _together(small, budget, factor, places) if small else None,
        "standard": fixed_text(budget.standard_uncertainty * factor, places),
        "dof": _dof_text(budget),
        "factor": number_text(budget.coverage_factor, DIGITS),
        "expanded": rounded(budget.value * factor, expanded)[1] or "0",
    }


def _folded(budget: Budget) -> tuple[tuple[BudgetLine, ...], tuple[BudgetLine, ...]]:
    """Lines that are shown, and those below ``SMALL_SHARE`` that are folded into one; none if they are all there is."""
    least = math.sqrt(SMALL_SHARE) * budget.standard_uncertainty
    large = tuple(line for line in budget.lines if line.contribution >= least)
    small = tuple(line for line in budget.lines if line.contribution < least)
    return (large, small) if large and len(small) >= FEWEST_FOLDED else (budget.lines, ())


def _together(small: Sequence[BudgetLine], budget: Budget, factor: float, places: int) -> dict[str, str]:
    """Several lines as one with which both sums come out as with each of them: of squares, and of u⁴/ν.

    The degrees of freedom are therefore those of Welch and Satterthwaite for these lines alone (JCGM 100:2008, G.4.1).
    """
    together = math.sqrt(sum(line.contribution**2 for line in small))
    quartics = sum(line.contribution**4 / line.dof for line in small)
    dof = together**4 / quartics if quartics > 0 else math.inf
    share = 100 * (together / budget.standard_uncertainty) ** 2
    return {
        "title": f"{len(small)} further, each below {100 * SMALL_SHARE:g} % of the variance, together "
        f"{'below 0.1' if share < 0.1 else f'{share:.1f}'} %",
        "contribution": fixed_text(together * factor, places),
        "dof": "∞" if dof >= MANY else number_text(dof, DIGITS),
    }


def _line(line: BudgetLine, result_unit: str, factor: float, places: int) -> dict[str, str]:
    unit, own_factor = shown_unit(line.unit) if line.unit else (result_unit, factor)
    # A pure number, as the cosine of a phase, has no sign for its unit.
    unit = "" if unit == "1" else unit
    slope_unit = (
        ""
        if unit == result_unit
        else f" {result_unit}".rstrip()
        if not unit
        else f" {result_unit or '1'}/({unit})"
        if "/" in unit
        else f" {result_unit or '1'}/{unit}"
    )
    return {
        "source": true_minus(line.draw),
        "kind": line.kind,
        "distribution": line.distribution,
        "half_width": f"{number_text(line.half_width * own_factor, DIGITS)} {unit}".rstrip(),
        "divisor": number_text(line.divisor, DIGITS),
        "standard": f"{number_text(line.standard * own_factor, DIGITS)} {unit}".rstrip(),
        "sensitivity": number_text(line.sensitivity * factor / own_factor, DIGITS) + slope_unit,
        "contribution": fixed_text(line.contribution * factor, places),
        "dof": "∞" if line.dof >= MANY else number_text(line.dof, DIGITS),
    }


def _dof_text(budget: Budget) -> str:
    if not math.isfinite(budget.dof) or budget.dof >= MANY:
        return "infinite"
    return f"{number_text(budget.dof, DIGITS)}, truncated {number_text(budget.truncated_dof)}"
