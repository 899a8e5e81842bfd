from __future__ import annotations

import dataclasses
import json
import math
from typing import Any

import numpy as np

from reports.summary import Report
from reports.summary_json import summary_json
from reports.typical_values import TypicalValue

LIMIT_KEYS = {
    "characteristic", "unit", "where", "min", "max", "worst_value", "expanded_uncertainty", "margin", "decision",
    "worst_condition", "conditions", "bounded", "rule", "conformity_probability", "skipped",
}  # fmt: skip


def _refuse(constant: str) -> None:
    raise AssertionError(f"{constant} is not JSON (RFC 8259, 6)")


def _read(report: Report) -> Any:
    return json.loads(summary_json(report), parse_constant=_refuse)


def test_the_summary_has_the_promised_keys_and_no_others(report: Report) -> None:
    """Other tools rely on them: fourteen of the run, and fifteen for each limit; one unit has no typical values."""
    summary = _read(report)

    assert set(summary) == {
        "schema", "schema_version", "run", "state", "began", "ended", "tool_version", "conditions", "unit", "part",
        "decision", "skipped", "limits", "cascades", "typical",
    }  # fmt: skip
    assert summary["typical"] == []
    assert [set(limit) for limit in summary["limits"]] == [LIMIT_KEYS] * len(report.limits)


def test_the_summary_says_what_the_report_decided(report: Report) -> None:
    """The faulty step is the third limit of the made-up part file; the last one was never measured."""
    summary = _read(report)
    step, untested = summary["limits"][2], summary["limits"][-1]

    assert (summary["unit"], summary["part"], summary["decision"]) == ("VG2-0013", "VIRGA-2", "fail")
    assert (step["decision"], step["max"], step["unit"]) == ("fail", 0.25, "dB")
    assert step["worst_value"] == report.limits[2].worst_value
    assert step["worst_condition"]["gain_code"] == 17
    assert step["worst_condition"]["channel"] == "B"
    assert untested["decision"] == "not tested"
    assert untested["worst_value"] is None
    assert untested["worst_condition"] == {}


def test_typical_values_over_units_have_the_promised_keys(report: Report) -> None:
    """``limit`` counts ``limits`` from 1; the values are in that limit's unit."""
    line = TypicalValue(3, ("VG2-0013", "VG2-0014"), 12, 1, -0.1, 0.05, 0.378, 0.02, 0.06)
    typical = _read(dataclasses.replace(report, typical=(line,)))["typical"]

    assert typical == [
        {
            "limit": 3, "units": ["VG2-0013", "VG2-0014"], "conditions": 12, "left_out": 1,
            "lowest": -0.1, "typical": 0.05, "highest": 0.378, "spread": 0.02, "expanded_uncertainty": 0.06,
        }
    ]  # fmt: skip


def test_numbers_that_json_cannot_hold_become_null(report: Report) -> None:
    """An infinite margin or uncertainty must not print as ``Infinity``; numpy's numbers print as plain ones."""
    odd = dataclasses.replace(
        report.limits[0], margin=math.inf, expanded_uncertainty=math.nan, worst_condition={"gain_code": np.int64(4)}
    )
    limit = _read(dataclasses.replace(report, limits=(odd,)))["limits"][0]

    assert limit["margin"] is None
    assert limit["expanded_uncertainty"] is None
    assert limit["worst_condition"] == {"gain_code": 4}
