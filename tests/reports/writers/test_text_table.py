from __future__ import annotations

import dataclasses

from reports.summary import Report
from reports.text_table import decision_table, margin_text, sides_text, told_apart, worst_text


def test_the_table_has_one_row_per_limit_in_the_order_of_the_part_file(report: Report) -> None:
    """All rows are as long as the head, and each ends with its decision in words."""
    table = decision_table(report)

    assert {len(row) for row in table.rows} == {len(table.columns)}
    assert [row[0] for row in table.rows][:3] == ["Output third-order intercept"] * 2 + ["Gain step error"]
    assert [row[-1] for row in table.rows] == ["✓ Pass", "✓ Pass", "✗ Fail", "✓ Pass", "✓ Pass", "– Not tested"]


def test_a_broken_limit_shows_value_margin_and_condition(report: Report) -> None:
    """Value and margin are rounded as their uncertainty is; the margin beyond a limit is negative."""
    row = decision_table(report).rows[2]

    assert row[1:6] == (
        "-0.25 … 0.25 dB", "0.378 ± 0.031 dB", "-0.128 dB", "< 0.1 %",
        "channel B, code 17, -40 °C, nominal mode, 200 Ω, 3 dBm per tone, 60 MHz",
    )  # fmt: skip


def test_a_terminal_gets_the_hyphen_and_no_other_minus(report: Report) -> None:
    """One way on the terminal, as in progress, plans, CSV and JSON; what pages take from here keeps the true minus."""
    assert not any("−" in cell for row in decision_table(report).rows for cell in row)
    assert sides_text(report.limits[2]).startswith("−0.25")


def test_bounded_conditions_are_counted_apart(report: Report) -> None:
    """A count that hides bounds would pass them off as measurements."""
    assert decision_table(report).rows[4][6] == "294 (112 bounded)"


def test_a_worst_value_that_only_bounds_says_so(report: Report) -> None:
    """HD3 of the made-up night is bounded at the low codes; at the worst one it was measured."""
    bounded = dataclasses.replace(report.limits[4], worst_bound=-1)

    assert worst_text(report.limits[4]) == "−92.0 ± 1.5 dBc"
    assert worst_text(bounded) == "≤ −92.0 ± 1.5 dBc"


def test_an_untested_limit_has_no_numbers(report: Report) -> None:
    """Dashes, and the side that the part file states."""
    untested = report.limits[-1]

    assert (worst_text(untested), margin_text(untested), sides_text(untested)) == ("–", "–", "min 70 dBm")


def test_a_margin_between_levels_is_in_decibels(report: Report) -> None:
    """Two levels in dBm lie some dB apart."""
    assert margin_text(report.limits[0]) == "3.70 dB"
    assert margin_text(dataclasses.replace(report.limits[3], margin=22.757)) == "22.76 mA"


def test_limits_of_one_characteristic_are_told_apart_by_their_conditions(report: Report) -> None:
    """Only by what differs: a condition that all of them have says nothing; the only limit needs none."""
    oip3 = report.limits[0]
    first = dataclasses.replace(oip3, where="supply mode nominal, load 100 Ω, 200 Ω, temperature 25 °C")
    second = dataclasses.replace(oip3, where="supply mode nominal, load 100 Ω, 200 Ω")
    third = dataclasses.replace(oip3, where="supply mode low power, load 100 Ω, 400 Ω")
    other = report.limits[2]

    assert told_apart(first, (first, second, other)) == "temperature 25 °C"
    assert told_apart(second, (first, second, other)) == ""
    assert told_apart(third, (first, third)) == "supply mode low power, load 100 Ω, 400 Ω"
    assert told_apart(other, (first, other)) == ""
