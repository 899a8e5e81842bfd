from __future__ import annotations

import dataclasses
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable

import pandas as pd
import pytest

from reports import figures as figures_module
from reports import panel_figures
from reports.figures import draw_figures
from reports.panel_figures import Figure
from reports.summary import Report

NAMES = [
    "margins", "oip3_by_gain_code", "oip3_by_temperature", "oip3_by_level", "hd2", "hd3", "gain_step_error",
    "gain_step_error_map", "cumulative_gain_error", "gain_match", "supply_current", "supply_current_drift",
    "oip3_by_load",
]  # fmt: skip


@pytest.fixture(scope="module")
def figures(report: Report) -> dict[str, Figure]:
    return {figure.name: figure for figure in draw_figures(report)}


def _texts(figure: Figure) -> list[str]:
    return [text.text or "" for text in ET.fromstring(figure.svg).iter("{http://www.w3.org/2000/svg}text")]


def test_a_full_night_has_all_figures(figures: dict[str, Figure]) -> None:
    """Thirteen drawings, the overview of the margins first, then group by group."""
    assert list(figures) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_names_what_it_shows_and_its_units(figures: dict[str, Figure], name: str) -> None:
    """The title is drawn and told to screen readers; each axis of a quantity ends with its unit after a slash."""
    figure = figures[name]
    root = ET.fromstring(figure.svg)
    titles = [text for text in _texts(figure) if " / " in text]

    assert figure.title in _texts(figure)
    assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert root.get("role") == "img"
    assert titles
    assert all(re.search(r" / (dBm|dBc|dB|mA|%|°C|Ω|expanded uncertainty U)$", title) for title in titles)


def test_figures_state_their_fixed_conditions(figures: dict[str, Figure]) -> None:
    """What is not swept in the drawing stands under its title."""
    assert "at 200 Ω, 3 dBm per tone, 60 MHz" in _texts(figures["oip3_by_gain_code"])
    assert "at code 0, 3 dBm per tone, 60 MHz" in _texts(figures["oip3_by_load"])


def test_channels_and_modes_are_told_apart_by_words(figures: dict[str, Figure]) -> None:
    """Each panel is headed by its channel and mode, in the order of the part file."""
    heads = [text for text in _texts(figures["gain_step_error"]) if text.startswith("Channel")]

    assert heads == [
        "Channel A, nominal mode", "Channel A, low power mode", "Channel B, nominal mode", "Channel B, low power mode",
    ]  # fmt: skip


def test_limits_are_drawn_with_their_numbers(figures: dict[str, Figure]) -> None:
    """A limit for one temperature says so; a limit for one mode stands only in that mode's panels."""
    texts = _texts(figures["oip3_by_gain_code"])

    assert texts.count("min 38 dBm") == 2
    assert texts.count("min 40 dBm, 25 °C") == 2
    assert "max 230 mA, nominal mode" in _texts(figures["supply_current"])


def test_a_limit_is_labelled_where_no_value_crosses_the_text(report: Report) -> None:
    """Values beyond the limit at the high codes only: its label stands at the low codes, and the other way round."""
    table = report.characteristics
    code = table["gain_code"]
    is_step = table["characteristic"] == "gain_step_error"

    def anchor(bad: pd.Series[bool]) -> str:
        values = table["value"].where(~(is_step & bad), 0.4).where(~(is_step & ~bad), 0.0)
        odd = dataclasses.replace(report, characteristics=table[is_step].assign(value=values[is_step]))
        drawn = next(figure for figure in draw_figures(odd) if figure.name == "gain_step_error")
        root = ET.fromstring(drawn.svg)
        return next(text.get("text-anchor", "") for text in root.iter() if text.text == "max 0.25 dB")

    assert anchor(code > 25) == "start"
    assert anchor(code < 5) == "end"


def test_bounded_values_have_a_marker_of_their_own(figures: dict[str, Figure]) -> None:
    """The legend of the triangles is there exactly where a value is only bounded."""
    assert "≤ true value at most this" in _texts(figures["hd3"])
    assert "≤ true value at most this" not in _texts(figures["hd2"])


def test_the_caption_names_the_value_that_stands_out(figures: dict[str, Figure]) -> None:
    """The faulty step of the made-up night: 0.42 dB at code 17 of channel B below 0 °C."""
    assert figures["gain_step_error"].caption.startswith("Largest: 0.378 ± 0.031 dB at channel B, code 17, −40 °C")


def test_drawings_of_one_page_share_no_id(figures: dict[str, Figure]) -> None:
    """A clip path that two drawings both call ``clip0`` would cut one by the frame of the other."""
    ids = [found for figure in figures.values() for found in re.findall(r'\bid="([^"]+)"', figure.svg)]
    used = [found for figure in figures.values() for found in re.findall(r"url\(#([^)]+)\)", figure.svg)]

    assert len(ids) == len(set(ids)) >= len(figures)
    assert set(used) <= set(ids)


def test_the_same_report_gives_the_same_bytes(report: Report) -> None:
    """Drawn a second time, from a table in another order; one figure of each kind."""
    table = report.characteristics
    table = table[table["characteristic"].isin(["hd3", "supply_current"])]
    tables = (table, table.sample(frac=1.0, random_state=3))
    first, second = (draw_figures(dataclasses.replace(report, characteristics=one)) for one in tables)

    assert len(first) == 3
    assert [figure.svg for figure in first] == [figure.svg for figure in second]


def test_nothing_is_drawn_without_its_axis(report: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """One temperature, one load: no figure over temperature or load is left, and none is empty."""
    for module in (figures_module, panel_figures):
        monkeypatch.setattr(module, "svg_text", lambda _description, name, _title: name)
    table = report.characteristics
    at_one = table[(table["temperature_c"] == 25) & (table["load_ohm"] == 200)]
    names = {figure.name for figure in draw_figures(dataclasses.replace(report, characteristics=at_one))}

    assert names == set(NAMES) - {
        "oip3_by_temperature", "oip3_by_load", "supply_current", "supply_current_drift", "gain_step_error_map",
    }  # fmt: skip


def test_a_run_that_was_not_measured_has_no_figures(report: Report) -> None:
    """No values and no limits: nothing to draw, and no error."""
    nothing = dataclasses.replace(report, characteristics=report.characteristics.head(0), limits=())

    assert draw_figures(nothing) == ()


def test_names_that_look_like_markup_are_drawn_as_text(make_report: Callable[..., Report], sweep: pd.DataFrame) -> None:
    """A supply mode called ``<b>&`` neither breaks the drawing nor becomes an element."""
    odd = sweep[(sweep["load_ohm"] == 200) & (sweep["temperature_c"] < 0) & (sweep["gain_code"] < 3)]
    odd = odd.replace({"supply_mode": {"low power": '<b>&"'}})
    odd_report = make_report(conditions=odd, modes=("nominal", '<b>&"'))
    figures = {figure.name: figure for figure in draw_figures(odd_report)}

    assert 'Channel A, <b>&" mode' in _texts(figures["oip3_by_gain_code"])


def _renamed(report: Report, characteristic: str, word: str, keep: pd.Series[bool] | None = None) -> pd.DataFrame:
    """Rows of one characteristic under the name of another."""
    table = report.characteristics
    rows = table[table["characteristic"] == characteristic]
    return (rows if keep is None else rows[keep[rows.index]]).assign(characteristic=word)


def _drawn(report: Report, *tables: pd.DataFrame) -> dict[str, Figure]:
    found = dataclasses.replace(report, characteristics=pd.concat(tables), limits=())
    return {figure.name: figure for figure in draw_figures(found)}


def test_products_over_level_show_the_line_they_should_keep_to(report: Report) -> None:
    """Only codes that were measured at several levels are drawn, and the guide is named."""
    figure = _drawn(report, _renamed(report, "hd2", "im3"))["im3_by_level"]
    texts = _texts(figure)

    assert "3:1 from the lowest level" in texts
    assert {"code 0", "code 15", "code 30"} <= set(texts)
    assert "code 10" not in texts
    assert "at 25 °C, 200 Ω, 60 MHz" in texts


def test_one_number_per_channel_and_mode_makes_one_panel(report: Report) -> None:
    """Gain range over temperature: four lines that words and dashes tell apart."""
    figure = _drawn(report, _renamed(report, "gain", "gain_range"))["gain_range"]

    assert "Channel B, low power mode" in _texts(figure)
    assert "Band: expanded uncertainty U of the line “Channel A, nominal mode”." in figure.caption


def test_three_gain_errors_are_drawn_together_at_the_reference_temperature(report: Report) -> None:
    """Only where a run has two of them; the drawing names each."""
    both = (
        _renamed(report, "cumulative_gain_error", word) for word in ("cumulative_gain_error", "gain_best_fit_error")
    )
    texts = _texts(_drawn(report, *both)["gain_errors"])

    assert {
        "added up from the highest gain",
        "from the best-fit line",
        "at 25 °C, 200 Ω, 3 dBm per tone, 60 MHz",
    } <= set(texts)
    assert "from the end-point line" not in texts
    assert "gain_errors" not in _drawn(report, _renamed(report, "cumulative_gain_error", "cumulative_gain_error"))


def test_what_nobody_planned_is_drawn_over_the_first_axis_that_is_swept(report: Report) -> None:
    """Group delay has no plan of its own: it gets one over the gain code, in its own group, in nanoseconds."""
    figure = _drawn(report, _renamed(report, "hd2", "group_delay"))["group_delay"]

    assert figure.group == "Gain"
    assert "Group delay / ns" in _texts(figure)


def test_bounded_values_are_counted_in_the_caption_and_signed_where_few(report: Report) -> None:
    """HD3 of the made-up night is bounded at codes below 8; a knee that is bounded everywhere carries a sign each."""
    table = report.characteristics
    figures = _drawn(report, table[table["characteristic"] == "hd3"], _renamed(report, "hd3", "im3_knee_level"))

    assert "values are bounds: the triangle points to where the true value lies." in figures["hd3"].caption
    assert _texts(figures["hd3"]).count("≤") == 0
    assert _texts(figures["im3_knee_level"]).count("≤") == 28


def test_a_savings_figure_names_the_one_mode_it_shows(report: Report) -> None:
    """With one line there is no legend, so the subtitle says which mode saves."""
    low = report.characteristics["supply_mode"] == "low power"
    saving = _renamed(report, "supply_current_drift", "mode_power_saving", low)

    assert "low power mode, all codes, loads, levels, frequencies and channels" in _texts(
        _drawn(report, saving)["mode_power_saving"]
    )


def test_lines_of_one_panel_differ_in_more_than_their_colour(figures: dict[str, Figure]) -> None:
    """A grey print: each temperature has dashes of its own, as each code has."""
    for name in ("oip3_by_gain_code", "oip3_by_temperature", "supply_current"):
        paths = ET.fromstring(figures[name].svg).iter("{http://www.w3.org/2000/svg}path")
        lines = {
            (path.get("stroke"), path.get("stroke-dasharray", "whole"))
            for path in paths
            if path.get("aria-roledescription") is None and path.get("stroke-width") == "1.6"
        }

        assert len(lines) > 1
        assert len({dash for _, dash in lines}) == len({colour for colour, _ in lines}) == len(lines), name


def test_a_caption_speaks_of_no_band_where_none_is_drawn(report: Report) -> None:
    """A line of bounds alone has no uncertainty to draw."""
    table = _renamed(report, "gain", "gain_range")
    figure = _drawn(report, table.assign(bound=1))["gain_range"]

    assert "Band" not in figure.caption
    assert "values are bounds" in figure.caption
