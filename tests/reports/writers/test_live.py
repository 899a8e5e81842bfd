from __future__ import annotations

import base64
import dataclasses
import hashlib
import html
import json
import re
from collections.abc import Callable
from importlib.metadata import version
from typing import Any

import pandas as pd
import pytest

from reports.figure_tables import tables_html
from reports.heat_map import heat_map
from reports.live import content_policy, live_json, scripts
from reports.night_line import MOST_POINTS, night_line
from reports.page_html import page_html
from reports.panel_figures import Figure, Plan, panels
from reports.summary import Report

PLAN = Plan("gain_step_error", "gain_step_error", "Error of each gain step", "gain_code", "temperature_c", "largest")


@pytest.fixture(scope="module")
def figure(report: Report) -> Figure:
    drawn = panels(report, PLAN)
    assert drawn is not None
    return drawn


@pytest.fixture(scope="module")
def night(report: Report) -> Report:
    """The made-up night with the time of each condition, a reading of air and current, and the events of a soak."""
    began, count = report.facts.began, len(report.conditions)
    times = pd.DataFrame(
        {"completed": pd.date_range(began, periods=count, freq="4s", unit="us")}, index=report.conditions.index
    )
    target = {"target_c": 85.0, "air_temperature_c": 84.9, "board_temperature_c": 84.5, "waited_s": 600.0}
    events = pd.DataFrame(
        [
            (began, "run began", "overnight", {}),
            (began + pd.Timedelta(minutes=30), "soak ended", "air 84.90 °C", target),
            (began + pd.Timedelta(minutes=40), "tripped", "air too warm", {}),
        ],
        columns=pd.Index(["at", "kind", "text", "facts"]),
    )
    columns = {"air_temperature_c": report.conditions["temperature_c"], "supply_current_a": 0.2}
    readings = pd.concat(
        pd.DataFrame({"condition": times.index, "repeat": 0, "quantity": name, "value": values})
        for name, values in columns.items()
    )
    return dataclasses.replace(report, times=times, events=events, readings=readings)


def _held(page: str) -> list[dict[str, Any]]:
    """What the page's figures are made of."""
    texts = re.findall(r'<script type="application/json">(.*?)</script>', page, re.DOTALL)
    return [json.loads(text) for text in texts]


def test_a_live_view_is_the_drawing_and_what_answers_to_a_reader(figure: Figure) -> None:
    """The same layers in the same order, then one that shows the nearest value; lines and panels can be hidden."""
    assert figure.live is not None
    layers = figure.live["spec"]["layer"]
    marks = [layer["mark"]["type"] for layer in layers]

    assert marks[-1] == "point"
    assert {one["name"] for one in layers[-1]["params"]} == {"hover", "zoom"}
    assert all(layer["mark"]["clip"] for layer in layers)
    assert [one["title"] for one in figure.live["usermeta"]["filters"]] == ["Panels", "Temperature"]
    assert "−40 °C" in figure.live["usermeta"]["filters"][1]["values"]


def test_every_value_of_a_live_view_is_told_with_its_uncertainty(figure: Figure) -> None:
    """The faulty step of the made-up night: 0.378 ± 0.031 dB."""
    assert figure.live is not None
    rows = figure.live["datasets"]["rows"]
    values = [row for row in rows if row["kind"] == "value"]

    assert all("±" in row["shown"] for row in values)
    assert any(row["shown"] == "0.378 ± 0.031" for row in values)
    assert figure.live["usermeta"]["told"]["shown"] == "Gain step error / dB"


def test_rows_are_packed_and_read_back_as_they_were(figure: Figure) -> None:
    """Texts that come again stand once; numbers keep six digits; the page's script unpacks in the same way."""
    assert figure.live is not None
    text = live_json(figure.live)
    rows = [
        {one["key"]: one["words"][one["values"][n]] if "words" in one else one["values"][n] for one in group["columns"]}
        for group in json.loads(text)["datasets"]["rows"]
        for n in range(group["count"])
    ]
    before = figure.live["datasets"]["rows"]
    key = str

    assert len(rows) == len(before)
    assert sorted(key(sorted(row.items())) for row in rows) == sorted(
        key(
            sorted((name, float(f"{value:.6g}") if isinstance(value, float) else value) for name, value in row.items())
        ).replace(".0)", ")")
        for row in before
    )
    assert len(text) < len(json.dumps(figure.live)) / 2


def test_no_name_of_a_person_ends_the_script_that_holds_it(
    make_report: Callable[..., Report], sweep: pd.DataFrame
) -> None:
    """A serial that closes a script and opens another is shown as typed, and stays text inside the figures' data."""
    odd = "</script><script>alert(1)</script><!--<script>"
    report = make_report(unit=odd, operator=odd, conditions=sweep)
    drawn = panels(report, PLAN)
    assert drawn is not None
    assert drawn.live is not None
    hostile = dataclasses.replace(drawn, live={**drawn.live, "title": {"text": odd}})
    page = page_html(report, (hostile,))

    assert [one["title"]["text"] for one in _held(page)] == [odd]
    assert "alert(1)</script>" not in page
    assert page.count("<script") == 3
    assert page.count("</script>") == 3


def test_the_policy_of_a_page_names_its_own_scripts_and_nothing_else(report: Report, figure: Figure) -> None:
    """Nothing may be fetched, and only what has these hashes may run (Content Security Policy 3, 2.3.1 and 6.1)."""
    page = page_html(report, (figure,))
    policy = html.unescape(page.split('Content-Security-Policy" content="')[1].split('"')[0])
    inside = re.findall(r"<script>(.*?)</script>", page, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for text in inside]

    assert inside == list(scripts())
    assert policy == content_policy(scripts())
    assert f"script-src 'sha256-{hashes[0]}' 'sha256-{hashes[1]}';" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe-eval" not in policy
    assert "http" not in policy


def test_a_page_without_figures_runs_no_script(report: Report) -> None:
    """Nothing is carried that nothing needs."""
    page = page_html(report, ())

    assert "<script" not in page
    assert "script-src &#39;none&#39;" in page


def test_a_figure_and_its_table_lead_to_each_other(report: Report, figure: Figure) -> None:
    """From the caption to the table of what is drawn, and back; the drawing alone is a file."""
    page, tables = page_html(report, (figure,)), tables_html(report, (figure,))

    assert 'href="tables.html#table-gain_step_error"' in page
    assert 'href="figures/gain_step_error.svg"' in page
    assert 'id="figure-gain_step_error"' in page
    assert 'id="table-gain_step_error"' in tables
    assert 'href="report.html#figure-gain_step_error"' in tables
    assert "http" not in tables.replace("http-equiv", "")


def test_a_table_holds_every_value_of_its_figure(figure: Figure) -> None:
    """A row for each panel and code, a column for each temperature."""
    assert figure.table is not None
    assert figure.table.columns == (
        "Panel", "Gain code", "−40 °C", "−20 °C", "0 °C", "25 °C", "45 °C", "65 °C", "85 °C"
    )  # fmt: skip
    assert len(figure.table.rows) == 4 * 30
    assert ("Channel B, nominal mode", "17", "0.378 ± 0.031") in {row[:3] for row in figure.table.rows}


def test_a_map_frames_what_lies_beyond_a_limit_and_names_the_largest(report: Report) -> None:
    """Code 17 of channel B below 0 °C, two temperatures in two modes: 4 fields of 840 beyond ±0.25 dB."""
    drawn = heat_map(report, dataclasses.replace(PLAN, name="map"))
    assert drawn is not None
    assert drawn.live is not None
    rows = drawn.live["datasets"]["rows"]

    assert "Of 840 values: 4 with a frame lie beyond a limit." in drawn.caption
    assert {(row["x"], row["row"]) for row in rows if row["beyond"]} == {(17, -40.0), (17, -20.0)}
    assert [row["text"] for row in rows if row["text"]] == ["0.38"]
    words = re.findall(r">([^<]+)</text>", drawn.svg)
    assert {"0.25 limit", "−0.25 limit"} <= set(words)
    assert {word for word in words if word.isdigit() and int(word) % 25} >= {"2", "4", "16", "30"}
    assert not {"1", "3", "9", "17", "29"} & set(words)


def test_a_map_of_limits_that_hold_says_so(report: Report) -> None:
    """Without the faulty code nothing has a frame."""
    table = report.characteristics
    good = dataclasses.replace(report, characteristics=table[table["gain_code"] != 17])
    drawn = heat_map(good, dataclasses.replace(PLAN, name="map"))
    assert drawn is not None

    assert "none lies beyond a limit" in drawn.caption


def test_the_course_of_a_run_shows_readings_soaks_and_what_happened(night: Report) -> None:
    """The set point is that of the soak from when it began; the trip is marked; bring-up and the like are not."""
    drawn = night_line(night)
    assert drawn is not None
    assert drawn.live is not None
    assert drawn.table is not None
    rows = drawn.live["datasets"]["rows"]
    began = round(night.facts.began.timestamp() * 1000)
    asked = {row["x"] - began: row["y"] for row in rows if row["series"] == "set point"}

    assert asked[20 * 60_000] == 85.0
    assert [row["series"] for row in rows if row["kind"] == "event"] == ["soak ended", "tripped"]
    assert ("2026-11-02 19:10:00", "tripped: air too warm") in {row[:2] for row in drawn.table.rows}
    assert "Supply current / mA" in drawn.svg


def test_the_course_of_a_long_run_stays_light(night: Report) -> None:
    """Of each stretch the lowest and the highest stay, so that no excursion is lost."""
    odd = night.readings["value"].where(night.readings["condition"] != 333, 99.0)
    drawn = night_line(dataclasses.replace(night, readings=night.readings.assign(value=odd)))
    assert drawn is not None
    assert drawn.live is not None
    air = [row["y"] for row in drawn.live["datasets"]["rows"] if row["series"] == "air"]

    assert len(night.conditions) > 2 * MOST_POINTS
    assert len(air) <= MOST_POINTS + 1
    assert max(air) == 99.0


def test_a_run_whose_times_nobody_knows_has_no_course(report: Report) -> None:
    """Frames that were made without times are no reason to draw something."""
    assert night_line(report) is None


@pytest.mark.slow
def test_the_kept_chart_library_is_what_the_converter_puts_out() -> None:
    """Nothing was changed by hand: behind its license stands the bundle of the named converter."""
    import vl_convert

    made_with = version("vl-convert-python")
    kept = scripts()[0]
    named = re.search(r"vl-convert-python (\S+) puts", kept)
    assert named is not None
    if named[1] != made_with:
        pytest.skip(f"made with vl-convert-python {named[1]}, installed is {made_with}")

    # Its stub asks for a snippet that the function can do without.
    bundle = vl_convert.javascript_bundle()  # type: ignore[call-arg]
    assert kept.split("*/\n", 1)[1] == bundle + "\n"
    assert "University of Washington Interactive Data Lab" in kept.split("*/", 1)[0]
