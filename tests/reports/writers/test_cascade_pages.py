"""Cascades as figures and tables, from a table made by hand."""

from __future__ import annotations

import dataclasses
import itertools
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from reports.cascade_chart import MOST_CODES, cascade_figures
from reports.cascade_section import MOST_COMPARED, cascade_section
from reports.cascade_table import MOST_COMBINATIONS
from reports.page_html import page_html
from reports.summary import Report
from sequences.part_file import Cascade

QUANTITIES = {"gain": "dB", "gain_range": "dB", "noise_figure": "dB", "oip3": "dBm", "oip3_non_coherent": "dBm"}


def _table(codes: range, *, same: bool = False) -> pd.DataFrame:
    """Gain 46 − 0.75·(a + b) dB and what goes with it, at two temperatures; with ``same`` both codes are equal."""
    rows = []
    for one, two, celsius, (quantity, unit) in itertools.product(codes, codes, (25.0, 85.0), QUANTITIES.items()):
        if (same and one != two) or (quantity == "gain_range" and (one, two) != (codes[0], codes[0])):
            continue
        value = 46 - 0.75 * (one + two) - 0.01 * (celsius - 25)
        rows.append(("A into B", quantity, one, two, celsius, "nominal", 3.0, 60e6, unit, value, 0.2, 0.4, np.inf, 0))
    columns = [
        "cascade", "quantity", "gain_code_1", "gain_code_2", "temperature_c", "supply_mode", "tone_level_dbm",
        "frequency_hz", "unit", "value", "standard_uncertainty", "expanded_uncertainty", "dof", "bound",
    ]  # fmt: skip
    table = pd.DataFrame(rows, columns=pd.Index(columns))
    unknown = ("measured", "measured_expanded_uncertainty", "difference", "difference_expanded_uncertainty")
    return table.assign(**dict.fromkeys(unknown, np.nan))


@pytest.fixture
def with_cascade(report: Report) -> Callable[[pd.DataFrame], Report]:
    spec = Cascade.model_validate({"name": "A into B", "stages": ("A", "B"), "loss_db": (1.5,), "uncertainty_db": 0.1})
    part = report.part.model_copy(update={"cascade": (spec,)})
    return lambda table: dataclasses.replace(report, part=part, cascades=table)


def _texts(svg: str) -> list[str]:
    return [text.text or "" for text in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]


def test_pairs_of_codes_make_a_map(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """Three panels at the reference temperature; 31 codes are thinned, and numbers stand beside the shades."""
    (figure,) = cascade_figures(with_cascade(_table(range(31))))
    texts = _texts(figure.svg)

    assert (figure.name, figure.group) == ("cascade_1", "Cascade")
    assert {"Gain / dB", "Noise figure / dB", "OIP3 / dBm", "Gain code of A"} <= set(texts)
    assert "predicted, at 25 °C, nominal mode, 3 dBm per tone, 60 MHz" in texts
    assert f"{46 - 0.75 * (2 + 2):.1f}" in texts
    assert figure.svg.count("<path") < 3 * (MOST_CODES + 2) ** 2


def test_a_map_is_the_same_to_the_byte_whatever_was_drawn_before(
    with_cascade: Callable[[pd.DataFrame], Report],
) -> None:
    """Its colour bars have ids of the figure's own, and each is used; the converter counts on from chart to chart."""
    report = with_cascade(_table(range(4)))
    first, second = (next(iter(cascade_figures(report))).svg for _ in range(2))
    ids = set(re.findall(r' id="([^"]+)"', first))

    assert first == second
    assert ids == {f"cascade_1-{part}" for part in ("title", 1, 2, 3)}
    assert set(re.findall(r"url\(#([^)]+)\)", first)) == ids - {"cascade_1-title"}


def test_equal_codes_make_lines(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """With all stages at one code there is nothing to map."""
    (figure,) = cascade_figures(with_cascade(_table(range(6), same=True)))

    assert "Gain code of all stages" in _texts(figure.svg)


def test_a_single_pair_is_told_and_not_drawn(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """One code: no figure, but its numbers in the table."""
    lonely = with_cascade(_table(range(1)))

    assert list(cascade_figures(lonely)) == []
    assert cascade_section(lonely)[0]["rows"][0]["first"] == "46.00 ± 0.40 dB"


def test_both_ends_and_the_range_are_told(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """46 dB at codes 0, 0 and 46 − 0.75·60 = 1 dB at 30, 30; the range has one value."""
    (told,) = cascade_section(with_cascade(_table(range(31))))
    rows = {row["title"]: row for row in told["rows"]}

    assert (rows["Gain"]["first"], rows["Gain"]["first_codes"]) == ("46.00 ± 0.40 dB", "0, 0")
    assert (rows["Gain"]["last"], rows["Gain"]["last_codes"]) == ("1.00 ± 0.40 dB", "30, 30")
    assert rows["Gain range"]["last"] == "–"
    assert told["stages"] == "A into B; loss between them 1.5 dB ± 0.1 dB"


def test_measured_cascades_are_compared_and_the_rest_is_counted(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """0.3 dB off with U = 0.5 dB is within, 0.6 dB is beyond."""
    table = _table(range(6))
    measured = table["quantity"] == "gain"
    off = np.where(table["gain_code_1"] == 0, 0.3, 0.6)
    table = table.assign(
        measured=(table["value"] + off).where(measured),
        measured_expanded_uncertainty=0.3,
        difference=pd.Series(off).where(measured),
        difference_expanded_uncertainty=0.5,
    )
    (told,) = cascade_section(with_cascade(table))

    assert {(row["codes"][0], row["verdict"]) for row in told["compared"]} >= {("0", "within U"), ("1", "beyond U")}
    assert (len(told["compared"]), told["left_out"]) == (MOST_COMPARED, 6 * 6 * 2 - MOST_COMPARED)


def test_a_noise_figure_that_nobody_measured_is_said(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """Stated by the part file and taken as exact, it leaves the cascade's own with nearly no U."""
    report = with_cascade(_table(range(3)))
    spec = report.part.cascade[0].model_copy(update={"noise_figure_db": (10.0,)})
    part = report.part.model_copy(update={"cascade": (spec,)})
    (told,) = cascade_section(dataclasses.replace(report, part=part))

    assert told["stages"].endswith("; noise figure of a stage 10 dB as stated by the part file, taken as exact")


def test_a_limit_on_the_combinations_is_said(with_cascade: Callable[[pd.DataFrame], Report]) -> None:
    """Where all stages are at one code, the reader is told that the others are left out, and why; else nothing."""
    (limited,) = cascade_section(with_cascade(_table(range(6), same=True)))
    (whole,) = cascade_section(with_cascade(_table(range(6))))
    page = page_html(with_cascade(_table(range(6), same=True)), ())

    assert f"more than {MOST_COMBINATIONS:,}" in limited["limited"]
    assert limited["limited"] in page
    assert whole["limited"] == ""


def test_the_page_has_a_section_for_them(with_cascade: Callable[[pd.DataFrame], Report], report: Report) -> None:
    """With a table even without a drawing; without cascades no section."""
    assert '<section id="group-cascade"' in page_html(with_cascade(_table(range(3))), ())
    assert "group-cascade" not in page_html(report, ())
