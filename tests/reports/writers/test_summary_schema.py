"""``summary.json`` follows the JSON Schema that is published with it, and the schema refuses what does not."""

from __future__ import annotations

import copy
import dataclasses
import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pandas as pd
import pytest
from jsonschema import Draft202012Validator

from reports.summary import Report
from reports.summary_json import SCHEMA_ID, SCHEMA_VERSION, schema_text, summary_json
from reports.typical_values import TypicalValue
from sequences.part_file import Cascade

SCHEMA = json.loads(schema_text())
VALIDATOR = Draft202012Validator(SCHEMA)

STATES = ("running", "done", "incomplete", "tripped", "stopped", "interrupted")


def faults(summary: object) -> list[str]:
    return [f"{error.json_path}: {error.message}" for error in VALIDATOR.iter_errors(summary)]


@pytest.fixture(scope="module")
def summary(report: Report) -> dict[str, Any]:
    """A summary with everything in it: tested and untested limits, skipped conditions, a cascade, several units."""
    line = TypicalValue(3, ("VG2-0013", "VG2-0014"), 12, 1, -0.1, 0.05, 0.378, 0.02, 0.06)
    skipped = report.conditions.head(1).drop(columns="flag").assign(reason="the supply was silent")
    spec = Cascade.model_validate({"name": "A into B", "stages": ("A", "B")})
    part = report.part.model_copy(update={"cascade": (spec,)})
    cascades = pd.DataFrame(
        {"cascade": ["A into B"], "measured": [46.0], "difference": [-0.25], "difference_expanded_uncertainty": [0.2]}
    )
    whole = dataclasses.replace(report, typical=(line,), skipped=skipped, part=part, cascades=cascades)
    read = json.loads(summary_json(whole))
    assert isinstance(read, dict)
    return read


def test_the_schema_is_one_and_names_itself() -> None:
    """Draft 2020-12; its ``$id`` is a name and no address, and a summary carries it with the version."""
    Draft202012Validator.check_schema(SCHEMA)

    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert SCHEMA["$id"] == SCHEMA_ID
    assert SCHEMA_ID.startswith("urn:uuid:")
    assert SCHEMA["properties"]["schema"]["const"] == SCHEMA_ID
    assert SCHEMA["properties"]["schema_version"]["const"] == SCHEMA_VERSION
    assert SCHEMA_VERSION in SCHEMA["title"]


def test_every_key_of_the_schema_says_what_it_is() -> None:
    """At every level but where the meaning stands at the place that is pointed to."""
    undescribed = [
        key
        for table in (SCHEMA, SCHEMA["$defs"]["limit"], SCHEMA["$defs"]["typical"])
        for key, said in table["properties"].items()
        if "description" not in said and key not in ("schema_version", "decision")
    ]

    assert undescribed == []


def test_a_summary_with_everything_follows_the_schema(summary: dict[str, Any]) -> None:
    """Limits tested and not, skipped conditions, cascades, values over several units."""
    assert faults(summary) == []
    assert (summary["cascades"][0]["beyond_u"], summary["typical"][0]["limit"], len(summary["skipped"])) == (1, 3, 1)
    assert {limit["decision"] for limit in summary["limits"]} >= {"fail", "not tested"}


@pytest.mark.parametrize("state", STATES)
def test_a_run_in_any_state_follows_the_schema(report: Report, state: str) -> None:
    """Also one that has not ended, and one whose times have fractions of a second."""
    began = report.facts.began + timedelta(microseconds=4700)
    ended = None if state == "running" else began + timedelta(hours=8)
    facts = dataclasses.replace(report.facts, state=state, began=began, ended=ended, planned=2000)
    read = json.loads(summary_json(dataclasses.replace(report, facts=facts)))

    assert faults(read) == []
    assert (read["state"], read["conditions"]["planned"]) == (state, 2000)


def test_a_run_that_measured_nothing_follows_the_schema(
    make_report: Callable[..., Report], sweep: pd.DataFrame
) -> None:
    """Tripped before its first condition: every limit is untested."""
    report = make_report(conditions=sweep.head(0))
    read = json.loads(summary_json(dataclasses.replace(report, decision="not tested")))

    assert faults(read) == []
    assert {limit["decision"] for limit in read["limits"]} == {"not tested"}


def test_a_summary_without_any_one_of_its_keys_is_refused(summary: dict[str, Any]) -> None:
    """At the top, in limits, and in what stands beside them."""
    for part in ((), ("limits", 0), ("typical", 0), ("cascades", 0), ("skipped", 0), ("conditions",)):
        for key in _at(summary, part):
            broken = copy.deepcopy(summary)
            del _at(broken, part)[key]
            assert faults(broken), (part, key)


def test_a_key_that_the_schema_does_not_know_is_refused(summary: dict[str, Any]) -> None:
    """A new key needs a new version."""
    for part in ((), ("limits", 0), ("limits", 0, "worst_condition"), ("typical", 0), ("cascades", 0), ("skipped", 0)):
        broken = copy.deepcopy(summary)
        _at(broken, part)["new"] = 1
        assert faults(broken), part


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [
        ((), "decision", "passed"),
        ((), "state", "over"),
        ((), "began", "yesterday"),
        ((), "schema_version", "2.0"),
        ((), "schema", "urn:uuid:00000000-0000-0000-0000-000000000000"),
        ((), "limits", {}),
        (("conditions",), "complete", -1),
        (("limits", 0), "min", "40"),
        (("limits", 0), "expanded_uncertainty", -0.1),
        (("limits", 0), "conformity_probability", 1.2),
        (("limits", 0), "rule", "guess"),
        (("limits", 0), "worst_value", None),
        (("limits", 0), "worst_condition", {}),
        (("limits", 0, "worst_condition"), "gain_code", 1.5),
        (("limits", 5), "worst_value", 3.0),
        (("typical", 0), "units", ["VG2-0013"]),
        (("typical", 0), "limit", 0),
        (("cascades", 0), "rows", 0),
        (("skipped", 0), "reason", ""),
    ],
)  # fmt: skip
def test_a_value_of_another_kind_is_refused(
    summary: dict[str, Any], part: tuple[str | int, ...], key: str, value: object
) -> None:
    """Limit 5 was not tested, so that it can have no worst value."""
    broken = copy.deepcopy(summary)
    _at(broken, part)[key] = value

    assert faults(broken)


def _at(summary: Any, part: tuple[str | int, ...]) -> Any:
    for key in part:
        summary = summary[key]
    return summary
