from __future__ import annotations

import csv
import dataclasses
import io

import numpy as np
import pandas as pd
import pytest

from reports import table_csv
from reports.frames import AXES
from reports.summary import Report
from reports.table_csv import cascades_csv, characteristics_csv, readings_csv


def test_characteristics_read_back_as_they_were_by_pandas(report: Report) -> None:
    """Same numbers to the last bit, infinite degrees of freedom included; the bound is in words."""
    read = pd.read_csv(io.StringIO(characteristics_csv(report)))
    table = report.characteristics.reset_index(drop=True)
    words = {0: "measured", 1: "at least", -1: "at most"}

    assert list(read.columns) == [
        "characteristic", "condition", *AXES, "value", "standard_uncertainty", "expanded_uncertainty", "dof",
        "bound", "unit", "flag",
    ]  # fmt: skip
    for column in ("value", "standard_uncertainty", "expanded_uncertainty", "dof", "temperature_c", "frequency_hz"):
        np.testing.assert_array_equal(read[column], table[column])
    assert read["bound"].tolist() == [words[flag] for flag in table["bound"]]
    assert read["unit"].tolist() == table["unit"].tolist()


def test_cascades_read_back_with_blanks_where_nothing_was_measured(
    report: Report, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Same numbers, the bound in words; what is missing is an empty field, also of a cascade with fewer stages.

    Lines are made in portions; here of one.
    """
    monkeypatch.setattr(table_csv, "CHUNK", 1)
    table = pd.DataFrame(
        {
            "cascade": pd.Categorical(["A into B", "A, B, A"]), "quantity": pd.Categorical(["gain", "gain"]),
            "gain_code_1": pd.array([0, 3], dtype="Int64"), "gain_code_3": pd.array([None, 7], dtype="Int64"),
            "value": [46.123456789012345, 1 / 3], "dof": [np.inf, 12.5], "bound": [0, -1],
            "measured": [np.nan, 46.0], "measured_expanded_uncertainty": [np.nan, 0.1],
            "difference": [np.nan, -0.25], "difference_expanded_uncertainty": [np.nan, 0.2],
        }
    )  # fmt: skip
    text = cascades_csv(dataclasses.replace(report, cascades=table))
    first, second = csv.DictReader(io.StringIO(text, newline=""))
    read = pd.read_csv(io.StringIO(text))

    assert (first["gain_code_3"], first["measured"], first["difference"]) == ("", "", "")
    assert (second["gain_code_3"], second["bound"], second["cascade"]) == ("7", "at most", "A, B, A")
    for column in ("value", "dof", "measured", "difference"):
        np.testing.assert_array_equal(read[column], table[column])


def test_readings_read_back_with_their_axes_and_units(report: Report) -> None:
    """Each reading stands beside the swept values of its condition and the unit of its quantity."""
    read = pd.read_csv(io.StringIO(readings_csv(report)))
    conditions = report.conditions.loc[report.readings["condition"]]

    assert list(read.columns) == ["condition", *AXES, "repeat", "quantity", "value", "unit"]
    np.testing.assert_array_equal(read["value"], report.readings["value"])
    np.testing.assert_array_equal(read["gain_code"], conditions["gain_code"])
    assert read["supply_mode"].tolist() == conditions["supply_mode"].tolist()
    assert set(zip(read["quantity"], read["unit"], strict=True)) == {
        ("source_1_level_dbm", "dBm"), ("supply_current_a", "A"),
    }  # fmt: skip


def test_a_name_with_comma_quote_and_line_break_survives(report: Report) -> None:
    """RFC 4180, 2.5 to 2.7: such a field is quoted and its quotes are doubled; lines end with CR LF (2.1)."""
    odd = 'low, "slow"\npower'
    conditions = report.conditions.head(2).assign(supply_mode=odd)
    readings = report.readings[report.readings["condition"].isin(conditions.index)]
    text = readings_csv(_with(report, conditions, readings))

    assert text.endswith("\r\n")
    assert '"low, ""slow""\npower"' in text
    assert {row["supply_mode"] for row in csv.DictReader(io.StringIO(text, newline=""))} == {odd}


def test_no_line_is_wider_than_the_head(report: Report) -> None:
    """RFC 4180, 2.4: every line has the same number of fields."""
    rows = list(csv.reader(io.StringIO(characteristics_csv(report), newline="")))

    assert {len(row) for row in rows} == {16}
    assert len(rows) == len(report.characteristics) + 1


def _with(report: Report, conditions: pd.DataFrame, readings: pd.DataFrame) -> Report:
    return dataclasses.replace(report, conditions=conditions, readings=readings)
