from __future__ import annotations

import dataclasses

from reports.findings import findings
from reports.summary import Report


def test_a_failed_step_is_named_by_code_channel_and_temperature(report: Report) -> None:
    """The made-up fault sits in channel B at code 17 below 0 °C in both modes: four of 840 conditions."""
    first = findings(report)[0]

    assert (first.characteristic, first.decision) == ("gain_step_error", "fail")
    assert "0.378 ± 0.031 dB at channel B, code 17, −40 °C" in first.text
    assert "0.128 dB beyond the limit (−0.25 … 0.25 dB)" in first.text
    assert first.text.endswith("4 of 840 conditions (channel B; code 17; −40, −20 °C).")


def test_what_passes_is_not_a_finding(report: Report) -> None:
    """One of six limits of the made-up part file failed; one was not tested, which the page lists by itself."""
    assert [finding.decision for finding in findings(report)] == ["fail"]


def test_a_limit_in_milliamperes_is_held_against_currents_in_amperes(report: Report) -> None:
    """A limit of 205 mA is exceeded at 85 °C in the nominal mode only; a wrong factor would find none or all."""
    limit = report.part.limit[3].model_copy(update={"max": 205.0})
    part = report.part.model_copy(update={"limit": (*report.part.limit[:3], limit, *report.part.limit[4:])})
    result = dataclasses.replace(report.limits[3], max=205.0, margin=-2.24, decision="fail")
    limits = (*report.limits[:3], result, *report.limits[4:])
    text = findings(dataclasses.replace(report, part=part, limits=limits))[1].text

    assert "207.24 ± 0.23 mA" in text
    assert "122 of 854 conditions (85 °C)." in text


def test_a_conditional_pass_says_how_close_it_is(report: Report) -> None:
    """Kept, but by less than U; conditions that a bound leaves open are counted."""
    close = dataclasses.replace(report.limits[0], decision="conditional pass", margin=0.2, undecided=3)
    text = next(
        finding.text
        for finding in findings(dataclasses.replace(report, limits=(close, *report.limits[1:])))
        if finding.decision == "conditional pass"
    )

    assert "is kept by 0.20 dB, less than the uncertainty. 3 bounded values do not decide it." in text
