"""Report → one HTML page that needs nothing else: style and drawings inside, no request to anywhere.

Rule: the template gets text only, every text is escaped there, and only our own style and drawings go in as they are.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Hashable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.budgets_html import FILE as BUDGETS_FILE
from reports.budgets_html import budget_overview
from reports.cascade_chart import GROUP as CASCADE_GROUP
from reports.cascade_section import cascade_section
from reports.characteristics import CHARACTERISTICS
from reports.corrections_html import corrections_section
from reports.definitions_html import FILE as DEFINITIONS_FILE
from reports.definitions_html import anchor, link
from reports.figure_tables import table_link
from reports.findings import Finding, findings
from reports.frames import AXES
from reports.inputs import inputs_text
from reports.live import content_policy, has_tools, live_json, scripts
from reports.templating import running_head, template
from reports.text_table import conformity_text, counted_text, margin_text, sides_text, worst_text
from reports.typical_section import spans_section, typical_section
from reports.wording import (
    DECISIONS,
    axis_values_text,
    condition_text,
    number_text,
    time_text,
    true_minus,
)
from sequences.units import duration_text, quantity_text

if TYPE_CHECKING:
    from datetime import date

    from reports.frames import HazardNote
    from reports.panel_figures import Figure
    from reports.summary import LimitResult, Report

#: Most events that the page lists; the store has them all. Ours: a night's warnings fit, more would bury them.
MOST_EVENTS = 200

_WORST_FIRST = ("fail", "conditional fail", "conditional pass", "pass", "not tested")

#: Kinds of events that say whether the chamber may be opened, and that it may not or nobody knows.
_DOOR = ("safe to open", "not safe to open")

#: Sections behind the figures.
_AFTER = (
    ("hazards", "Hazards and events"),
    ("bench", "Bench and calibration"),
    ("corrections", "Corrections and assumptions"),
    ("budgets", "Uncertainty budgets"),
    ("definitions", "How each figure was computed"),
    ("conditions", "Conditions"),
)

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
    from markupsafe import Markup

    # Drawings are ours: the converter has escaped their texts.
    numbered = [
        {"number": number, "name": one.name, "title": one.title, "caption": one.caption, "svg": Markup(one.svg)}
        | {"group": one.group, "live": Markup(live_json(one.live)) if one.live else ""}
        | {"table": table_link(one) if one.table else "", "tools": one.live is not None and has_tools(one.live)}
        for number, one in enumerate(figures, start=1)
    ]
    titles = dict.fromkeys(one.group for one in figures)
    cascades = cascade_section(report)
    if cascades:
        titles.setdefault(CASCADE_GROUP)
    groups = [
        {"title": group, "id": anchor(group), "figures": [one for one in numbered if one["group"] == group]}
        for group in titles
    ]
    facts = report.facts
    head = running_head(f"{report.part.part.name}, unit {facts.unit}, run {facts.run}")
    over = {"typical": typical_section(report), "spans": spans_section(report)}
    sections = {"groups": groups, "cascades": cascades, **over}
    # Only what there is a use for: a page without figures has no script at all.
    texts = scripts() if any(one.live for one in figures) else ()
    security = {"policy": content_policy(texts), "scripts": [Markup(text) for text in texts]}
    return template("report.html").render(page=_page(report) | sections | security, head=head)


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
        "door": _door(report.events),
        "remark": report.remark,
        "decisions": [_decision(limit) for limit in report.limits],
        "rule_text": _rule_text(report.limits),
        "coverage": report.coverage_statement,
        "caveats": report.caveats,
        "findings": [_finding(finding) for finding in findings(report)],
        "findings_title": _findings_title(report.limits),
        "untested": _untested(report.limits),
        "hazards": [_hazard(hazard) for hazard in report.hazards],
        "events": _events(report.events),
        "events_summary": _events_summary(report.events),
        "events_open": facts.state != "done",  # how a night ended early is wanted at once
        "events_left_out": _left_out(len(report.events)),
        "instruments": [_instrument(row, facts.began.date()) for row in report.instruments.to_dict("records")],
        "calibration_text": f"Due dates are held against the day on which the run began, {facts.began:%Y-%m-%d}.",
        "corrections": corrections_section(report),
        "budgets": [budget_overview(budget) for budget in report.budgets],
        "budgets_file": BUDGETS_FILE,
        "definitions": _definitions(report),
        "definitions_file": DEFINITIONS_FILE,
        "after": _AFTER,
        "conditions": list(_conditions(report)),
        "colophon": f"Made by nightbench {facts.tool_version} from run {facts.run}.",
        "inputs": inputs_text(report.inputs),
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
    if len(report.skipped):
        yield "Skipped", f"{len(report.skipped):,} conditions; a limit that lacks one is a conditional pass at most"
    flagged = int((report.conditions["flag"] != "").sum())
    if flagged:
        yield "Flagged", f"{flagged:,} conditions, see below"


def _door(events: pd.DataFrame) -> str:
    """The last word on whether the chamber may be opened; empty if the run has said none since it went on."""
    said = events[events["kind"].isin([*_DOOR, "run began", "run resumed"])]
    if said.empty or said["kind"].iloc[-1] not in _DOOR:
        return ""
    kind, text, at = said["kind"].iloc[-1], true_minus(said["text"].iloc[-1]), time_text(said["at"].iloc[-1])
    return f"safe to open since {at} UTC: {text}" if kind == _DOOR[0] else f"{text} (said {at} UTC)"


def _decision(limit: LimitResult) -> dict[str, Any]:
    side = {name: "–" if bound is None else number_text(bound) for name, bound in _sides(limit).items()}
    return {
        **side,
        "title": CHARACTERISTICS[limit.characteristic].title,
        "link": link(limit.characteristic),
        "where": true_minus(limit.where) or "all conditions",
        "unit": limit.unit,
        "worst": worst_text(limit).removesuffix(f" {limit.unit}"),
        "margin": margin_text(limit),
        "at": condition_text(limit.worst_condition) or "–",
        "counted": f"worst of {counted_text(limit)}" if limit.conditions else "",
        # "> 99.9 %" stays on one line.
        "conformity": "" if limit.conformity_probability is None else f"conforms {_together(conformity_text(limit))}",
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
    others = [(n, limit.guard_band_factor) for n, limit in enumerate(limits, start=1) if limit.rule == "guard band"]
    texts += [f"Limit {n} has w = {number_text(factor)}·U." for n, factor in others if factor != 1]
    if "simple" in rules:
        texts.append("Simple acceptance (ILAC-G8:09/2019, 4.2.1): pass up to and at the limit, fail beyond.")
    texts.append(
        "Conforms: probability that the true value lies within the limit, at the condition where that is least "
        "likely (JCGM 106:2012, 7)."
    )
    texts.append("Decided on unrounded values; typical values decide nothing.")
    return " ".join(texts)


def _finding(finding: Finding) -> dict[str, Any]:
    title = CHARACTERISTICS[finding.characteristic].title
    return {"decision": _shown(finding.decision), "title": f"{title}:", "text": finding.text}


def _findings_title(limits: Sequence[LimitResult]) -> str:
    """What the section of the findings holds; empty if every limit was tested and passed."""
    decisions = {limit.decision for limit in limits}
    if "not tested" not in decisions:
        return "What did not pass" if decisions - {"pass"} else ""
    return "What did not pass or was not tested" if decisions - {"pass", "not tested"} else "What was not tested"


def _untested(limits: Sequence[LimitResult]) -> dict[str, Any]:
    """Limits without a condition in one place: a run of one kind of readings leaves many of them."""
    texts = [
        f"No. {place}, {CHARACTERISTICS[limit.characteristic].title}: {sides_text(limit)}; "
        f"{true_minus(limit.where) or 'all conditions'}"
        for place, limit in enumerate(limits, start=1)
        if limit.decision == "not tested"
    ]
    text = "this limit" if len(texts) == 1 else f"these {len(texts)} limits"
    return {"decision": _shown("not tested"), "limits": texts, "text": text}


def _together(text: str) -> str:
    return text.replace(" ", "\u00a0")


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


def _events_summary(events: pd.DataFrame) -> str:
    """How many there are, and from when to when, for a table that is folded."""
    if events.empty:
        return ""
    first, last = events["at"].iloc[0], events["at"].iloc[-1]
    return f"{len(events):,} event{'s' if len(events) > 1 else ''}, {time_text(first)} to {time_text(last)}"


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


def _definitions(report: Report) -> list[dict[str, str]]:
    held = set(report.characteristics["characteristic"].unique())
    return [
        {"title": item.title, "unit": item.unit or "1", "formula": item.formula, "link": link(word)}
        for word, item in CHARACTERISTICS.items()
        if word in held
    ]


def _conditions(report: Report) -> Iterator[tuple[str, str]]:
    yield "Conditions", f"{_conditions_text(report)}, with {len(report.readings):,} readings"
    for flag, count in report.conditions["flag"].value_counts().items():
        if flag:
            yield "Flagged", f"{count:,} conditions: {flag}"
    for reason, count in report.skipped["reason"].value_counts().items():
        yield "Skipped", f"{count:,} conditions, which failed in every attempt: {reason}"
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
