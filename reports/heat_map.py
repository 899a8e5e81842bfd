"""A characteristic over gain code and temperature as a map: one look tells where a unit is off, and in which heat.

Rule: shade and sign go together (blue below 0, orange above), and what matters is said without colour as well: a field
beyond its limit has a frame, and the value that lies farthest from 0 stands in words.
Colours: blue and orange are told apart with all common kinds of colour blindness (from memory of the scheme "PuOr",
with blue for its violet, not seen).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.chart_parts import INK, Rows, described, layers
from reports.explanations import group_of
from reports.figure_tables import pivot
from reports.limited import limited_rows
from reports.live import live_cells
from reports.panel_figures import (
    AXIS_TITLES,
    Figure,
    Plan,
    extreme_text,
    one_slice,
    panel_names,
    rank,
    rows_of,
    unit_of,
    y_title,
)
from reports.svg_text import svg_text
from reports.wording import axis_text, condition_text, number_text, value_text
from sequences.units import to_si

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.summary import Report

_BELOW, _ZERO, _ABOVE = "#1f5fa8", "#f7f7f7", "#b3570a"

#: Width of a map, and height of one of its rows.
_WIDTH, _ROW = 390, 25

#: Codes that have room at the axis of a map.
_MOST_NAMED = 16


def heat_map(report: Report, plan: Plan) -> Figure | None:
    """A map for each channel and mode; None without two codes and two temperatures."""
    table = rows_of(report, plan.characteristic)
    if table.empty:
        return None
    table, fixed = one_slice(report, table, ("gain_code", "temperature_c"))
    if table["gain_code"].nunique() < 2 or table["temperature_c"].nunique() < 2:
        return None
    unit, factor = unit_of(plan.characteristic)
    names = panel_names(report, plan.characteristic, table)
    table = table.assign(panel=names, y=table["value"] * factor, u=table["expanded_uncertainty"] * factor)
    table, bounds = _held_against(report, plan.characteristic, table, factor)
    rows = _rows(table)
    in_order = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(rank(report)))["panel"]
    panels = tuple(in_order.unique())
    subtitle, title = f"at {condition_text(fixed)}", y_title(plan.characteristic, unit)
    chart = _chart(rows, panels, (plan.heading, subtitle, title), bounds)
    told = {"shown": title, "x": AXIS_TITLES["gain_code"], "series": "Temperature", "panel": "Panel"}
    beyond = int(table["beyond"].sum())
    framed = f" {beyond} with a frame lie beyond a limit." if beyond else " None lies beyond a limit."
    lines = tuple(axis_text("temperature_c", value) for value in sorted(table["temperature_c"].unique()))
    return Figure(
        plan.name,
        plan.heading,
        extreme_text(table, plan) + (f" Of {len(rows)} values:{framed}".replace(": None", ": none") if bounds else ""),
        svg_text(chart, plan.name, plan.heading),
        plan.group or group_of(plan.characteristic),
        live_cells(chart, told, subtitle),
        pivot(rows, panels, lines, AXIS_TITLES["gain_code"], f"{title}, {subtitle}."),
    )


def _held_against(
    report: Report, characteristic: str, table: pd.DataFrame, factor: float
) -> tuple[pd.DataFrame, tuple[float, ...]]:
    """``table`` with the column ``beyond``, and all limits in the unit of the drawing."""
    beyond, bounds = pd.Series(data=False, index=table.index), set[float]()
    for limit in report.part.limit:
        if limit.characteristic == characteristic:
            scale = factor * to_si(1.0, limit.unit) / to_si(1.0, CHARACTERISTICS[characteristic].unit)
            meant = limited_rows(table, limit)
            if limit.min is not None:
                beyond |= meant & (table["y"] < limit.min * scale)
                bounds.add(limit.min * scale)
            if limit.max is not None:
                beyond |= meant & (table["y"] > limit.max * scale)
                bounds.add(limit.max * scale)
    return table.assign(beyond=beyond), tuple(sorted(bounds))


def _rows(table: pd.DataFrame) -> Rows:
    worst = int(table["y"].abs().to_numpy().argmax())
    middle = (table["gain_code"].min() + table["gain_code"].max()) / 2
    columns = (table[name].tolist() for name in ("panel", "gain_code", "temperature_c", "y", "u", "bound", "beyond"))
    return [
        {
            "kind": "value",
            "panel": panel,
            "x": int(code),
            "series": axis_text("temperature_c", temperature),
            "row": temperature,
            "y": y,
            "beyond": int(beyond),
            "shown": value_text(y, u, "", int(bound)),
            "text": number_text(y, 2) if place == worst else "",
            # Beside its field, on the side where there is room: on a dark field it could not be read.
            "side": "left" if code < middle else "right",
        }
        for place, (panel, code, temperature, y, u, bound, beyond) in enumerate(zip(*columns, strict=True))
    ]


def _chart(
    rows: Rows, panels: tuple[str, ...], texts: tuple[str, str, str], bounds: tuple[float, ...]
) -> dict[str, Any]:
    import altair as alt

    heading, subtitle, title = texts
    reach = max(abs(one) for one in (*bounds, *(row["y"] for row in rows))) or 1.0
    marks = sorted({-reach, 0.0, reach, *bounds})
    words = " : ".join(
        f"datum.value === {one!r} ? '{number_text(one, 2)}{' limit' if one in bounds else ''}'" for one in marks
    )
    legend = alt.Legend(title=title, values=marks, labelExpr=f"{words} : ''", gradientLength=150)
    colour = alt.Color(
        "y:Q",
        scale=alt.Scale(domain=[-reach, 0, reach], range=[_BELOW, _ZERO, _ABOVE], interpolate="lab"),
        legend=legend,
    )
    x = alt.X(
        "x:O", title=AXIS_TITLES["gain_code"], axis=alt.Axis(labelAngle=0, values=_named(row["x"] for row in rows))
    )
    y = alt.Y("row:O", title=AXIS_TITLES["temperature_c"], sort="descending", axis=alt.Axis(format="~g"))
    base = alt.Chart().encode(x=x, y=y)
    charts = [
        base.mark_rect().encode(color=colour),
        base.transform_filter("datum.beyond === 1").mark_rect(filled=False, stroke=INK, strokeWidth=1.8),
        *(_worst(base, side) for side in ("left", "right")),
    ]
    rows_high = len({row["row"] for row in rows})
    panel = {"layer": layers(*charts), "width": _WIDTH, "height": _ROW * rows_high}
    header = {"title": None, "labelFontSize": 12, "labelFontWeight": "bold", "labelColor": INK, "labelAnchor": "start"}
    facet = {"field": "panel", "type": "nominal", "sort": list(panels), "header": header}
    return described({"facet": facet, "columns": 2, "spec": panel}, heading, subtitle, rows)


def _named(codes: Iterable[int]) -> list[int]:
    """Codes that stand at the axis: all, or every second, fifth or tenth where they are too many; evenly spaced."""
    every = sorted(set(codes))
    step = next((one for one in (1, 2, 5) if len(every) <= one * _MOST_NAMED), 10)
    return [code for code in every if step == 1 or code % step == 0]


def _worst(base: Any, side: Literal["left", "right"]) -> Any:
    """The value that lies farthest from 0, aligned to its field's ``side``."""
    text = base.transform_filter(f"datum.text !== '' && datum.side === '{side}'")
    shift = {"left": 10, "right": -10}[side]
    return text.mark_text(fontSize=11, fontWeight="bold", color=INK, align=side, dx=shift).encode(text="text:N")
