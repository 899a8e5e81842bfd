"""Report → one HTML page that needs nothing else: style and drawings inside, no request to anywhere.

Rule: the template gets text only, every text is escaped there, and only our own style and drawings go in as they are.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Hashable, Iterator, Mapping, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.findings import Finding, findings
from reports.frames import AXES
from reports.text_table import counted_text, margin_text, worst_text
from reports.wording import (
    DECISIONS,
    axis_values_text,
    condition_text,
    decimal_places,
    difference_unit,
    fixed_text,
    number_text,
    rounded,
    shown_unit,
    time_text,
    true_minus,
    value_text,
)
from sequences.units import duration_text, quantity_text

if TYPE_CHECKING:
    from datetime import date

    from reports.figures import Figure
    from reports.frames import HazardNote
    from reports.summary import Budget, LimitResult, Report

#: Most events that the page lists; the store has them all. Ours: a night's warnings fit, more would bury them.
MOST_EVENTS = 200

_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:°C|k?Ω|[kMG]?Hz|dB[mc]?|[µm]?[AVW]|K|%)(?!\w))")

_WORST_FIRST = ("fail", "conditional fail", "conditional pass", "pass", "not tested")

_AXIS_NAMES = {
    "channel": "Channels",
    "gain_code": "Gain codes",
    "temperature_c": "Temperatures",
    "supply_mode": "Supply modes",
    "load_ohm": "Loads",
    "tone_level_dbm": "Tone levels",
    "frequency_hz": "Frequencies",
}


@dataclasses.dataclass(frozen=True, slots=True)
class Shown:
    """A decision as the page shows it: word, sign, and the class that gives it its colour."""

    word: str
    sign: str
    css: str


def page_html(report: Report, figures: Sequence[Figure]) -> str:
    """The whole page, as text; the same bytes for the same report and figures."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        finalize=_kept_together,
    )
    style = resources.files("reports").joinpath("templates/report.css").read_text(encoding="utf-8")
    # Both are ours: the style file, and drawings whose texts the converter has escaped.
    drawings = [{"name": f.name, "caption": f.caption, "svg": Markup(f.svg)} for f in figures]
    css = Markup(style + _running_head(report))
    return environment.get_template("report.html").render(page=_page(report) | {"figures": drawings}, css=css)


def _kept_together(value: object) -> object:
    """Text with a no-break space between a number and its unit; our own style and drawings stay as they are."""
    return _NUMBER_AND_UNIT.sub("\u00a0", value) if type(value) is str else value


def _page(report: Report) -> dict[str, Any]:
    facts, part = report.facts, report.part.part
    unit = facts.unit
    return {
        "title": f"{part.name} unit {unit}: {DECISIONS[report.decision][0]}",
        "part": part.name,
        "unit": unit,
        "about": part.description,
        "verdict": _shown(report.decision),
        "tally": _tally(report.limits),
        "meta": list(_meta(report)),
        "decisions": [_decision(limit) for limit in report.limits],
        "rule_text": _rule_text(report.limits),
        "coverage": report.coverage_statement,
        "findings": [_finding(finding) for finding in findings(report)],
        "hazards": [_hazard(hazard) for hazard in report.hazards],
        "events": _events(report.events),
        "events_left_out": _left_out(len(report.events)),
        "instruments": [_instrument(row, facts.began.date()) for row in report.instruments.to_dict("records")],
        "calibration_text": f"Due dates are held against the day on which the run began, {facts.began:%Y-%m-%d}.",
        "budgets": [_budget(budget) for budget in report.budgets],
        "budgets_text": "Each budget is worked at the worst condition of the characteristic's first limit, or, without "
        "a limit, where its expanded uncertainty is largest. "
        "Type A: from scatter; type B: from other knowledge (JCGM 100:2008, 4.2 and 4.3).",
        "definitions": _definitions(report),
        "conditions": list(_conditions(report)),
        "colophon": f"Made by nightbench {facts.tool_version} from run {facts.run}.",
    }


def _shown(decision: str) -> Shown:
    word, sign = DECISIONS[decision]
    return Shown(word, sign, decision.replace(" ", "-"))


def _tally(limits: Sequence[LimitResult]) -> str:
    """How many limits came out how, worst first, those not tested last."""
    counts = {word: sum(limit.decision == word for limit in limits) for word in _WORST_FIRST}
    parts = [f"{count} {word}" for word, count in counts.items() if count]
    noun = "limit" if len(limits) == 1 else "limits"
    return f"{len(limits)} {noun}: {', '.join(parts)}" if parts else "The part file states no limits."


def _meta(report: Report) -> Iterator[tuple[str, str]]:
    facts = report.facts
    yield "Run", facts.run
    yield "Bench", report.bench.bench.name + (" (simulated)" if report.bench.is_simulated else "")
    yield "Sequence", report.sequence.sequence.name
    yield "Operator", facts.operator or "not named"
    yield "Began", f"{time_text(facts.began)} UTC"
    yield "Ended", f"{time_text(facts.ended)} UTC" if facts.ended else "not ended"
    if facts.ended:
        yield "Duration", duration_text((facts.ended - facts.began).total_seconds())
    yield "State", facts.state
    yield "Conditions", _conditions_text(report)
    flagged = int((report.conditions["flag"] != "").sum())
    if flagged:
        yield "Flagged", f"{flagged:,} conditions, see below"


def _decision(limit: LimitResult) -> dict[str, Any]:
    side = {name: "–" if bound is None else number_text(bound) for name, bound in _sides(limit).items()}
    return {
        **side,
        "title": CHARACTERISTICS[limit.characteristic].title,
        "where": true_minus(limit.where) or "all conditions",
        "unit": limit.unit,
        "worst": worst_text(limit).removesuffix(f" {limit.unit}"),
        "margin": margin_text(limit),
        "at": condition_text(limit.worst_condition) or "–",
        "counted": counted_text(limit),
        "decision": _shown(limit.decision),
    }


def _sides(limit: LimitResult) -> dict[str, float | None]:
    return {"min": limit.min, "typical": limit.typical, "max": limit.max}


def _rule_text(limits: Sequence[LimitResult]) -> str:
    rules = {limit.rule for limit in limits}
    texts = []
    if "guard band" in rules:
        texts.append(
            "Decided with a guard band w = U (ILAC-G8:09/2019, 4.2.3): pass, margin at least U; conditional pass, "
            "margin from 0 to U; conditional fail, beyond the limit by no more than U; fail, by more."
        )
    if "simple" in rules:
        texts.append("Simple acceptance (ILAC-G8:09/2019, 4.2.1): pass up to and at the limit, fail beyond.")
    texts.append("Decided on unrounded values; typical values decide nothing.")
    return " ".join(texts)


def _finding(finding: Finding) -> dict[str, Any]:
    title = CHARACTERISTICS[finding.characteristic].title
    return {"decision": _shown(finding.decision), "title": f"{title}:", "text": finding.text}


def _hazard(hazard: HazardNote) -> dict[str, str]:
    return {name: true_minus(text) for name, text in dataclasses.asdict(hazard).items()}


def _events(events: pd.DataFrame) -> list[dict[str, str]]:
    half = MOST_EVENTS // 2
    # Both ends count most: how the run was brought up, and how it ended.
    shown = events if len(events) <= MOST_EVENTS else pd.concat([events.head(half), events.tail(half)])
    columns = (shown["at"].tolist(), shown["kind"].tolist(), shown["text"].tolist())
    return [
        {"at": time_text(at), "kind": kind, "text": true_minus(text)} for at, kind, text in zip(*columns, strict=True)
    ]


def _left_out(count: int) -> str:
    if count <= MOST_EVENTS:
        return ""
    return f"{count - MOST_EVENTS:,} events in the middle are not listed here; the store has them."


def _instrument(row: Mapping[Hashable, Any], began: date) -> dict[str, Any]:
    due = str(row["calibration_due"] or "")
    return {
        "place": str(row["place"]).replace("_", " "),
        "model": f"{row['maker']} {row['model']}".strip(),
        "serial": row["serial"],
        "firmware": row["firmware"],
        "resource": row["resource"],
        "due": due or "no date stated",
        # ISO dates sort as text. On the due date itself the calibration still holds.
        "past_due": bool(due) and due < began.isoformat(),
    }


def _budget(budget: Budget) -> dict[str, Any]:
    unit, factor = shown_unit(budget.unit)
    expanded = budget.expanded_uncertainty * factor
    # One digit more than the result's two, the same for all lines, so that the column can be added up by eye.
    places = decimal_places(budget.standard_uncertainty * factor, 3)
    return {
        "title": CHARACTERISTICS[budget.characteristic].title,
        "value": value_text(budget.value * factor, expanded, unit, budget.bound),
        "at": condition_text(budget.condition),
        "unit": difference_unit(unit),
        "lines": [
            {
                "cause": line.cause,
                "kind": line.kind,
                "distribution": line.distribution,
                "contribution": fixed_text(line.contribution * factor, places),
            }
            for line in budget.lines
        ],
        "standard": fixed_text(budget.standard_uncertainty * factor, places),
        "dof": number_text(budget.dof) if budget.dof < 1e6 else "infinite",
        "expanded": rounded(budget.value * factor, expanded)[1] or "0",
    }


def _definitions(report: Report) -> list[dict[str, str]]:
    held = set(report.characteristics["characteristic"].unique())
    return [
        {"title": item.title, "unit": item.unit or "1", "formula": item.formula, "source": item.source}
        for word, item in CHARACTERISTICS.items()
        if word in held
    ]


def _conditions(report: Report) -> Iterator[tuple[str, str]]:
    yield "Conditions", f"{_conditions_text(report)}, with {len(report.readings):,} readings"
    for flag, count in report.conditions["flag"].value_counts().items():
        if flag:
            yield "Flagged", f"{count:,} conditions: {flag}"
    for axis in AXES:
        values = report.conditions[axis].unique().tolist()
        text = axis_values_text(axis, values) if values else "–"
        yield _AXIS_NAMES[axis], f"{text} ({len(values)} values)" if len(values) > 4 else text
    tones, sequence = report.sequence.tones, report.sequence.sequence
    yield "Tones", f"{quantity_text(tones.spacing_hz, 'Hz')} apart, level meant at the unit's {tones.level_at}"
    yield "Repeats", str(sequence.repeats)
    yield "Reference temperature", f"{number_text(sequence.reference_temperature_c)} °C"


def _conditions_text(report: Report) -> str:
    """How many conditions were measured; of how many, if the run is not whole."""
    done, planned = len(report.conditions), report.facts.planned
    return f"{done:,}" if done == planned else f"{done:,} of {planned:,}"


def _running_head(report: Report) -> str:
    """Style that repeats part, unit, run and page number at the head of each printed page."""
    name = _css_string(f"{report.part.part.name}, unit {report.facts.unit}, run {report.facts.run}")
    face = 'font: 8pt "Helvetica Neue", Arial, "Liberation Sans", sans-serif; color: #5b6775'
    return (
        "@page { size: A4; margin: 17mm 14mm 14mm;"
        f" @top-left {{ content: {name}; {face} }}"
        f' @top-right {{ content: "page " counter(page) " of " counter(pages); {face} }} }}\n'
    )


def _css_string(text: str) -> str:
    """``text`` as a CSS string in which every sign but letters and digits is escaped (CSS Syntax Level 3, 4.3.7).

    So no quote ends the string and no ``</style>`` ends the element that holds it.
    """
    return '"' + "".join(sign if sign.isascii() and sign.isalnum() else f"\\{ord(sign):x} " for sign in text) + '"'
