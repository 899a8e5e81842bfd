"""One layout for most figures: small panels with the same axes; lines, bands, guides, limits, bounded values.

Rule: what a line means is never told by colour alone: markers and dashes differ too, and bounded values carry words.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from reports.chart_parts import FAINT, INK, LIMIT, Rows, described, layers

#: A panel's plotting area. Two beside each other with axis and legend fill the width of the page.
PANEL_WIDTH, PANEL_HEIGHT = 350, 220

#: Most places along the axis at which values get a dot of their own; with more, dots hide lines and fill the page.
MOST_DOTS = 12

#: Most bounded values that get a sign beside their triangle; more would hide the lines, and the legend must do.
MOST_SIGNS = 60

#: Letters of an axis title that fit beside a panel.
LONGEST_TITLE = 36

#: Bound → words in the legend.
BOUNDED_WORDS = {1: "≥ true value at least this", -1: "≤ true value at most this"}

_DASHES = ([1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [10, 4], [4, 1])

#: Dashes of things in an order, as temperatures: the shorter, the higher. Lines are drawn in this order, so that where
#: they coincide each shows through the gaps of the next.
_ORDERED_DASHES = ([1, 0], [18, 3], [12, 3], [8, 2.5], [5, 2], [3, 2], [1.5, 1.5])

#: Area of a line's sign in the legend: long enough to see its dashes.
_SYMBOL_AREA = 900


@dataclass(frozen=True)
class Panels:
    """One figure of small panels, all with the same axes.

    Attributes:
        title, subtitle: What one sees; under which fixed conditions.
        rows: Data: ``kind`` value, band, guide, mark or limit; ``panel``, ``x``, ``y``; values also ``series`` and
            ``bound``, bands ``series``, ``low`` and ``high``, guides (thin lines of a model) ``series``, marks (single
            points of note) ``text`` and ``bound``, limits as ``limit_rows`` gives them.
        panels: Names of the panels in reading order; ``columns`` of them stand beside each other.
        x_title, y_title: With unit.
        x_ticks: Where to write numbers; empty lets the chart choose. ``x_log`` spaces by ratio.
        series_title, series, colours: Legend of the lines.
        markers: Whether lines are things without order, told apart by unlike dashes; else dashes shrink with the order.
        guide: What the thin dotted lines are, for the legend; empty if there are none.
    """

    title: str
    subtitle: str
    rows: Rows
    panels: tuple[str, ...]
    columns: int
    x_title: str
    y_title: str
    series_title: str
    series: tuple[str, ...]
    colours: tuple[str, ...]
    x_ticks: tuple[float, ...] = ()
    x_log: bool = False
    markers: bool = False
    guide: str = ""
    width: int = PANEL_WIDTH
    height: int = PANEL_HEIGHT


def panels_chart(figure: Panels) -> dict[str, Any]:
    """The Vega-Lite description of a figure of panels."""
    y = _y_axis(figure)
    charts = [*_limit_layers(figure, y), *_value_layers(figure, y), *_mark_layers(figure, y)]
    panel: dict[str, Any] = {"layer": layers(*charts), "width": figure.width, "height": figure.height}
    if len(figure.panels) == 1 and not figure.panels[0]:
        return described(panel, figure.title, figure.subtitle, figure.rows)
    header = {"title": None, "labelFontSize": 12, "labelFontWeight": "bold", "labelColor": INK, "labelAnchor": "start"}
    facet = {"field": "panel", "type": "nominal", "sort": list(figure.panels), "header": header}
    body = {"facet": facet, "columns": figure.columns, "spec": panel}
    return described(body, figure.title, figure.subtitle, figure.rows)


def _y_axis(figure: Panels) -> Any:
    import altair as alt

    heights = [row[key] for row in figure.rows for key in ("y", "low", "high") if key in row]
    low, high = min(heights), max(heights)
    pad = 0.11 * (high - low) or max(abs(high) * 0.01, 0.1)
    scale = alt.Scale(domain=[low - pad, high + pad], zero=False, nice=False)
    return alt.Y("y:Q", title=_in_lines(figure.y_title), scale=scale)


def _in_lines(title: str) -> str | list[str]:
    """A title that is longer than a panel is high in two lines, broken where both are about as long."""
    if len(title) <= LONGEST_TITLE:
        return title
    words = title.split()
    breaks = [(" ".join(words[:place]), " ".join(words[place:])) for place in range(1, len(words))]
    above, below = min(breaks, key=lambda pair: abs(len(pair[0]) - len(pair[1])))
    return [above, below]


def _x_axis(figure: Panels) -> Any:
    import altair as alt

    places = [row[key] for row in figure.rows for key in ("x", "x2") if key in row]
    axis = alt.Axis()
    if figure.x_ticks:
        # An expression and not a format: the axis would fit the format's precision to the distance of its own ticks.
        axis = alt.Axis(values=list(figure.x_ticks), labelOverlap="greedy", labelExpr="format(datum.value, '~g')")
    scale = alt.Scale(
        type="log" if figure.x_log else "linear", domain=[min(places), max(places)], nice=False, zero=False, padding=6
    )
    return alt.X("x:Q", title=figure.x_title, axis=axis, scale=scale)


def _of_kind(kind: str) -> Any:
    import altair as alt

    return alt.Chart().transform_filter(f"datum.kind === '{kind}'")


def _value_layers(figure: Panels, y: Any) -> list[Any]:
    import altair as alt

    x, kinds = _x_axis(figure), {row["kind"] for row in figure.rows}
    legend = (
        alt.Legend(title=figure.series_title, symbolType="stroke", symbolOpacity=1, symbolSize=_SYMBOL_AREA)
        if len(figure.series) > 1
        else None
    )
    colour = alt.Color(
        "series:N", scale=alt.Scale(domain=list(figure.series), range=list(figure.colours)), legend=legend
    )
    values = _of_kind("value").encode(x=x, y=y, color=colour)
    scale = alt.Scale(domain=list(figure.series), range=_dashes(figure))
    charts = [
        values.mark_line(strokeWidth=1.6).encode(strokeDash=alt.StrokeDash("series:N", scale=scale, legend=legend))
    ]
    if len({row["x"] for row in figure.rows if row["kind"] == "value"}) <= MOST_DOTS:
        charts.append(values.mark_circle(size=13, opacity=1))
    if "band" in kinds:
        area = _of_kind("band").mark_area(opacity=0.22, line=False)
        charts.insert(0, area.encode(x=x, y=alt.Y("low:Q", title=_in_lines(figure.y_title)), y2="high:Q", color=colour))
    if "guide" in kinds:
        charts.insert(0, _guide_layer(figure, x, y, colour))
    bounded = sum(row["kind"] == "value" and bool(row["bound"]) for row in figure.rows)
    if bounded:
        charts.append(_bounded_layer(values))
    if 0 < bounded <= MOST_SIGNS:
        signs = values.transform_filter("datum.bound !== 0").transform_calculate(sign="datum.bound > 0 ? '≥' : '≤'")
        charts.append(signs.mark_text(dx=8, dy=-7, fontSize=10).encode(text="sign:N"))
    return charts


def _dashes(figure: Panels) -> list[list[float]]:
    """A dash for each line, so that a grey print tells them apart."""
    count = len(figure.series)
    if figure.markers:
        return [list(_DASHES[index % len(_DASHES)]) for index in range(count)]
    last = len(_ORDERED_DASHES) - 1
    return [list(_ORDERED_DASHES[round(last * index / max(count - 1, 1))]) for index in range(count)]


def _guide_layer(figure: Panels, x: Any, y: Any, colour: Any) -> Any:
    """Thin dotted lines in the colour of the line that they belong to; the opacity's legend says what they are."""
    import altair as alt

    legend = alt.Legend(
        title=None, orient="bottom", symbolType="stroke", symbolSize=260, symbolDash=[2, 3], labelLimit=500
    )
    name = alt.Opacity("guide:N", scale=alt.Scale(domain=[figure.guide], range=[0.85]), legend=legend)
    lines = _of_kind("guide").transform_calculate(guide=f"'{figure.guide}'")
    return lines.mark_line(strokeWidth=1.0, strokeDash=[2, 3]).encode(
        x=x, y=y, color=colour, detail="series:N", opacity=name
    )


def _bounded_layer(values: Any) -> Any:
    """Open triangles that point to where the true value lies."""
    import altair as alt

    words = list(BOUNDED_WORDS.values())
    shape = alt.Shape(
        "bounded:N",
        scale=alt.Scale(domain=words, range=["triangle-up", "triangle-down"]),
        legend=alt.Legend(title="Bounded", orient="bottom", direction="horizontal", labelLimit=260),
    )
    marks = values.transform_filter("datum.bound !== 0").transform_calculate(
        bounded=f"datum.bound > 0 ? '{words[0]}' : '{words[1]}'"
    )
    return marks.mark_point(size=46, filled=False, strokeWidth=1.3, opacity=1).encode(shape=shape)


def _mark_layers(figure: Panels, y: Any) -> list[Any]:
    """Single points of note, with their words beside them."""
    import altair as alt

    if not any(row["kind"] == "mark" for row in figure.rows):
        return []
    marks = _of_kind("mark").encode(x=_x_axis(figure), y=y)
    point = marks.mark_point(shape="diamond", size=80, filled=True, color=INK, opacity=1)
    text = marks.mark_text(align="right", dx=-8, dy=-6, fontSize=10.5, color=FAINT).encode(text=alt.Text("text:N"))
    return [point, text]


def _limit_layers(figure: Panels, y: Any) -> list[Any]:
    import altair as alt

    lines = [row for row in figure.rows if row["kind"] == "limit"]
    if not lines:
        return []
    limits = _of_kind("limit").encode(y=y)
    rule = limits.mark_rule(color=LIMIT, strokeDash=[7, 3], strokeWidth=1.1).encode(x=_x_axis(figure), x2="x2:Q")
    charts = [rule]
    x = alt.X("label_x:Q", title=figure.x_title)
    inward: dict[Literal["left", "center", "right"], int] = {"left": 3, "center": 0, "right": -3}
    for align, shift in inward.items():
        for side, offset in (("min", 11), ("max", -6)):
            if not any(row["align"] == align and row["side"] == side for row in lines):
                continue
            # A minimum is labelled below and a maximum above its line: on the side where no value should be.
            label = limits.transform_filter(f"datum.align === '{align}' && datum.side === '{side}'")
            text = label.mark_text(color=LIMIT, fontSize=10.5, align=align, dy=offset, dx=shift)
            charts.append(text.encode(x=x, text="label:N"))
    return charts
