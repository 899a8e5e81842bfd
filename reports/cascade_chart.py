"""Figures of a cascade: what it does over the gain codes of two stages, or over one code for all stages.

Rule: shade grows lighter with the value all the way, so that it survives grey printing, and numbers stand in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.cascade_table import POINT, QUANTITIES
from reports.chart_parts import ROWS, Rows, category_colours, commonest_slice, described, layers
from reports.figure_tables import FigureTable
from reports.live import live_cells
from reports.panel_figures import Figure, panels_figure
from reports.panels_chart import Panels
from reports.svg_text import svg_text
from reports.wording import condition_text, fixed_text, value_text

if TYPE_CHECKING:
    from reports.summary import Report

GROUP = "Cascade"

#: Quantity → name of its panel.
TITLES = {"gain": "Gain", "noise_figure": "Noise figure", "oip3": "OIP3"}

#: Most codes of a stage that a map shows; with more, the drawing grows heavy and no field can be told.
MOST_CODES = 16

_SIZE = 250


def cascade_figures(report: Report) -> Iterator[Figure]:
    """One figure per cascade of the run, at one point."""
    for number, (name, table) in enumerate(report.cascades.groupby("cascade", sort=False), start=1):
        known = table[table["quantity"].isin(TITLES) & table["value"].notna()]
        if known.empty:
            continue
        known, point = one_point(report, known)
        stages = next(one.stages for one in report.part.cascade if one.name == name)
        codes = [f"gain_code_{stage}" for stage in range(1, len(stages) + 1)]
        is_map = len(stages) == 2 and known.duplicated(["quantity", codes[0]]).any()
        title = f"Cascade {name}, each pair of gain codes" if is_map else f"Cascade {name}"
        subtitle = f"predicted, at {condition_text(point)}"
        file = f"cascade_{number}"
        if is_map:
            chart = _map(known, stages, title, subtitle)
            fields = {"one": f"Gain code of {stages[0]}", "two": f"Gain code of {stages[1]}"}
            live = live_cells(chart, {"shown": "Value", "quantity": "Quantity"} | fields)
            told = _map_table(chart["datasets"][ROWS], (*fields.values(),), subtitle)
            yield Figure(file, title, _MAP_CAPTION, svg_text(chart, file, title), GROUP, live, told)
        elif known[codes[0]].nunique() > 1:
            yield panels_figure(_lines(known, codes[0], title, subtitle), file, title, _LINES_CAPTION, GROUP)


def one_point(report: Report, table: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, object]]:
    """Rows of a cascade at one point: at the reference temperature and in the first mode, if they were measured."""
    preferred = {
        "temperature_c": report.sequence.sequence.reference_temperature_c,
        "supply_mode": report.part.supply_mode[0].name,
    }
    return commonest_slice(table.astype({"supply_mode": "str"}), POINT, preferred)


_MAP_CAPTION = (
    "Each field is a pair of gain codes, predicted from what both stages do alone and the loss between them; the "
    "lighter, the higher. Numbers stand near the ends and in the middle of both ranges. OIP3: coherent addition."
)
_LINES_CAPTION = "All stages at the same gain code; band: expanded uncertainty U. OIP3: coherent addition."


def _map(table: pd.DataFrame, stages: tuple[str, ...], title: str, subtitle: str) -> dict[str, Any]:
    first, second = (_thinned(table[f"gain_code_{stage}"]) for stage in (1, 2))
    kept = table[table["gain_code_1"].isin(first) & table["gain_code_2"].isin(second)]
    told = (_told(first), _told(second))
    rows: Rows = []
    for word, of_one in kept.groupby("quantity", sort=False):
        middle = (of_one["value"].min() + of_one["value"].max()) / 2
        columns = ("gain_code_1", "gain_code_2", "value", "expanded_uncertainty", "bound")
        for one, two, value, u, bound in zip(*(of_one[column].tolist() for column in columns), strict=True):
            text = fixed_text(value, 1) if one in told[0] and two in told[1] else ""
            ink = "black" if value > middle else "white"
            place = {"quantity": TITLES[str(word)], "one": int(one), "two": int(two)}
            shown = value_text(value, u, QUANTITIES[str(word)], int(bound))
            rows.append({**place, "value": value, "text": text, "ink": ink, "shown": shown})
    names = [quantity for quantity in TITLES if (kept["quantity"] == quantity).any()]
    body = {
        "hconcat": [_panel(quantity, stages) for quantity in names],
        "resolve": {"scale": {"color": "independent"}},
        "spacing": 26,
    }
    return described(body, title, subtitle, rows)


def _panel(quantity: str, stages: tuple[str, ...]) -> dict[str, Any]:
    import altair as alt

    unit = QUANTITIES[quantity]
    x = alt.X("one:O", title=f"Gain code of {stages[0]}", axis=alt.Axis(labelAngle=0, labelOverlap="greedy"))
    y = alt.Y("two:O", title=f"Gain code of {stages[1]}", axis=alt.Axis(labelOverlap="greedy"))
    legend = alt.Legend(title=unit, orient="bottom", gradientLength=_SIZE - 20, gradientThickness=9)
    colour = alt.Color("value:Q", scale=alt.Scale(scheme="viridis", zero=False, nice=False), legend=legend)
    base = alt.Chart().transform_filter(f"datum.quantity === '{TITLES[quantity]}'").encode(x=x, y=y)
    # A layer for each ink: a colour channel of the text would have to share the scale of the fields.
    charts = [base.mark_rect().encode(color=colour)]
    for ink in ("black", "white"):
        text = base.transform_filter(f"datum.text !== '' && datum.ink === '{ink}'")
        charts.append(text.mark_text(fontSize=10, fontWeight="bold", color=ink).encode(text="text:N"))
    heading = {"text": f"{TITLES[quantity]} / {unit}", "fontSize": 12, "anchor": "start", "offset": 6}
    return {"layer": layers(*charts), "width": _SIZE, "height": _SIZE, "title": heading}


def _map_table(rows: Rows, stages: tuple[str, ...], subtitle: str) -> FigureTable:
    """A row for each pair of codes, a column for each quantity."""
    cells: dict[tuple[int, int], dict[str, str]] = {}
    for row in rows:
        cells.setdefault((row["one"], row["two"]), {})[row["quantity"]] = row["shown"]
    names = list(dict.fromkeys(row["quantity"] for row in rows))
    texts = tuple(
        (str(one), str(two), *(cells[one, two].get(name, "–") for name in names)) for one, two in sorted(cells)
    )
    return FigureTable((*stages, *names), texts, 2, f"{subtitle.capitalize()}.")


def _lines(table: pd.DataFrame, code: str, title: str, subtitle: str) -> Panels:
    table = table.sort_values(code, kind="stable")
    names = [quantity for quantity in TITLES if (table["quantity"] == quantity).any()]
    panel_of = {quantity: f"{TITLES[quantity]} / {QUANTITIES[quantity]}" for quantity in names}
    columns = ("quantity", code, "value", "expanded_uncertainty", "bound")
    rows: Rows = []
    for quantity, x, y, u, bound in zip(*(table[column].tolist() for column in columns), strict=True):
        place = {"panel": panel_of[quantity], "x": x, "series": "cascade"}
        rows.append({**place, "kind": "value", "y": y, "bound": int(bound), "shown": value_text(y, u, "", int(bound))})
        rows.append({**place, "kind": "band", "low": y - u, "high": y + u})
    return Panels(
        title, subtitle, rows, tuple(panel_of.values()), 3, "Gain code of all stages", "", "", ("cascade",),
        category_colours(1), width=_SIZE, height=_SIZE - 50,
    )  # fmt: skip


def _thinned(codes: pd.Series[Any]) -> list[int]:
    """At most ``MOST_CODES`` codes, evenly spread, both ends included."""
    values = sorted(int(code) for code in codes.dropna().unique())
    if len(values) <= MOST_CODES:
        return values
    step = (len(values) - 1) / (MOST_CODES - 1)
    return [values[round(step * place)] for place in range(MOST_CODES)]


def _told(values: list[int]) -> set[int]:
    """Codes at which a number stands: one from either end, where it is not cut off, and in the middle."""
    return {values[min(1, len(values) - 1)], values[len(values) // 2], values[max(0, len(values) - 2)]}
