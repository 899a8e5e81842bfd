"""Report → summary.json: the decisions of a run for machines, and the JSON Schema (draft 2020-12) that it follows.

Rule: the keys are a promise to other tools; a new one may come, none may go or change its meaning. A new one comes with
a new ``SCHEMA_VERSION`` and a new ``$id`` of the schema.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from importlib import resources
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reports.summary import LimitResult, Report

#: Name of the schema's file, beside a summary as well as in this package.
SCHEMA_FILE = "summary.schema.json"

#: Version of the schema: the first number changes if a key goes or changes its meaning, the second if one comes.
SCHEMA_VERSION = "1.0"

#: ``$id`` of the schema: a name, not an address.
SCHEMA_ID = "urn:uuid:e7f34f32-225d-4c3d-91be-f48983fd556e"

_LIMIT_KEYS = (
    "characteristic", "unit", "where", "min", "max", "worst_value", "expanded_uncertainty", "margin", "decision",
    "worst_condition", "conditions", "bounded", "rule", "conformity_probability",
    "skipped",
)  # fmt: skip


def summary_json(report: Report) -> str:
    """``run``, ``unit``, ``part``, ``decision``, ``skipped``, ``limits``, ``cascades``, ``typical``; null: not there.

    ``schema`` and ``schema_version`` say which schema it follows. ``state`` is that of the run, and ``conditions`` how
    many were planned and are complete: a run that was tripped has decisions, too, on what it has measured.

    Values of a limit are in its own ``unit``; ``worst_condition`` maps axes to values in SI base units and °C.
    ``typical`` holds the values over several units, see ``TypicalValue``; it is empty for a unit by itself. Its
    ``limit`` counts ``limits`` from 1, and its values are in the unit of that limit. ``cascades`` says of each cascade
    that was predicted how many rows it has in ``cascades.csv``, how many of them were measured, and how many of these
    differ from their prediction by more than U. Ends in a newline.
    """
    facts = report.facts
    summary = {
        "schema": SCHEMA_ID,
        "schema_version": SCHEMA_VERSION,
        "run": facts.run,
        "state": facts.state,
        "began": facts.began.isoformat(),
        "ended": None if facts.ended is None else facts.ended.isoformat(),
        "tool_version": facts.tool_version,
        "conditions": {"planned": facts.planned, "complete": len(report.conditions)},
        "unit": facts.unit,
        "part": report.part.part.name,
        "decision": report.decision,
        "skipped": [
            {"condition": int(str(number)), "reason": row["reason"]} for number, row in report.skipped.iterrows()
        ],
        "limits": [_limit(limit) for limit in report.limits],
        "cascades": _cascades(report),
        "typical": [{key: _plain(fact) for key, fact in asdict(line).items()} for line in report.typical],
    }
    return json.dumps(summary, ensure_ascii=False, allow_nan=False, indent=2) + "\n"


def schema_text() -> str:
    """The JSON Schema that every summary of this version follows."""
    return (resources.files("reports") / "schemas" / SCHEMA_FILE).read_text(encoding="utf-8")


def _cascades(report: Report) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for spec in report.part.cascade:
        table = report.cascades[report.cascades["cascade"] == spec.name]
        beyond = table["difference"].abs() > table["difference_expanded_uncertainty"]
        facts = {"rows": len(table), "measured": int(table["measured"].count()), "beyond_u": int(beyond.sum())}
        if facts["rows"]:
            found.append({"name": spec.name, "stages": list(spec.stages), **facts})
    return found


def _limit(limit: LimitResult) -> dict[str, object]:
    facts: dict[str, object] = {key: _plain(getattr(limit, key)) for key in _LIMIT_KEYS}
    facts["worst_condition"] = {axis: _plain(value) for axis, value in limit.worst_condition.items()}
    return facts


def _plain(value: object) -> object:
    """A numpy number as Python's own, and a number that JSON cannot hold as null."""
    item = getattr(value, "item", None)
    plain = item() if callable(item) else value
    return None if isinstance(plain, float) and not math.isfinite(plain) else plain
