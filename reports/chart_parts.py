"""What all charts are made of: colours, slices of a table, limit lines, and one layout of small panels.

Rule: a chart holds its data inline and its own configuration, so that nothing outside can change how it looks.
Colours of categories: Okabe and Ito, "Color Universal Design", 2008 (from memory of the published palette, not seen).
Colours of temperature: samples of a perceptually uniform map from blue to orange that grows lighter all the way, so
that the order survives colour blindness and grey printing (from memory of the map "plasma", first four fifths).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from reports.limited import limited_rows
from reports.svg_text import FONT
from reports.wording import axis_values_text, number_text

if TYPE_CHECKING:
    from sequences.part_file import Limit

CATEGORIES = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9")
_COLD_TO_HOT = ("#0d0887", "#46039f", "#7201a8", "#9c179e", "#bd3786", "#d8576b", "#ed7953", "#fb9f3a")
INK = "#1d2733"
FAINT = "#5b6775"
LIMIT = "#1d2733"

#: A panel's plotting area. Two beside each other with axis and legend fill the width of the page.
PANEL_WIDTH, PANEL_HEIGHT = 350, 220

#: Most places along the axis at which values get a dot of their own; with more, dots hide lines and fill the page.
MOST_DOTS = 12

Rows = list[dict[str, Any]]


def temperature_colours(count: int) -> list[str]:
    """``count`` colours from cold to hot, evenly spread over the map; one alone is its middle."""
    last = len(_COLD_TO_HOT) - 1
    places = [last * index / (count - 1) for index in range(count)] if count > 1 else [last / 2]
    return [_between(_COLD_TO_HOT[int(place)], _COLD_TO_HOT[math.ceil(place)], place % 1) for place in places]


def _between(first: str, second: str, share: float) -> str:
    pairs = [(int(first[i : i + 2], 16), int(second[i : i + 2], 16)) for i in (1, 3, 5)]
    return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in pairs)


def commonest_slice(table: pd.DataFrame, fixed: Sequence[str]) -> tuple[pd.DataFrame, dict[str, object]]:
    """Rows at the one combination of the ``fixed`` axes that holds most rows, and that combination.

    Of combinations with equally many rows the one that comes first in the table is taken. ``table`` is not empty.
    """
    columns = list(fixed)
    counts = table.groupby(columns, sort=False).size()
    chosen = counts.index[int(counts.to_numpy().argmax())]
    values = chosen if isinstance(chosen, tuple) else (chosen,)
    keep = pd.Series(data=True, index=table.index)
    for column, value in zip(columns, values, strict=True):
        keep &= table[column] == value
    return table[keep], dict(zip(columns, values, strict=True))


def limit_rows(table: pd.DataFrame, limits: Sequence[Limit], x: str, told: Sequence[str], factor: float) -> Rows:
    """Lines of the limits in each panel, over the stretch of ``x`` for which each holds.

    Args:
        table: Rows that the figure shows; columns the axes, ``panel``, and ``y``, the value as drawn.
        limits: Limits of the characteristic that is shown.
        x: The axis that runs to the right.
        told: Axes whose values the label names if the limit is not for all of them.
        factor: From a limit's own unit to the figure's.
    """
    lines: Rows = []
    span = float(table[x].max() - table[x].min())
    for limit in limits:
        meant = table[limited_rows(table, limit)]
        for panel, rows in meant.groupby("panel", sort=False):
            whole = table[table["panel"] == panel]
            names = [axis for axis in told if rows[axis].nunique() < whole[axis].nunique()]
            where = "".join(f", {axis_values_text(axis, rows[axis])}" for axis in names)
            start, stop = float(rows[x].min()), float(rows[x].max())
            for side, bound in (("min", limit.min), ("max", limit.max)):
                if bound is not None:
                    label = f"{side} {number_text(bound)} {limit.unit}{where}"
                    line = {"kind": "limit", "panel": panel, "side": side, "label": label, "y": bound * factor}
                    lines.append(line | _stroke(start, stop, span) | {"free": _free_end(rows, x, side, bound * factor)})
    return _apart(lines)


def _stroke(start: float, stop: float, span: float) -> dict[str, Any]:
    """Where a limit line is drawn; a limit at one place alone still needs a stroke that can be seen."""
    beyond = (0.01 if stop > start else 0.04) * span
    return {"x": start - beyond, "x2": stop + beyond, "label_x": (start + stop) / 2, "short": stop == start}


def _free_end(rows: pd.DataFrame, x: str, side: str, bound: float) -> str | None:
    """The end of a limit line at which no value lies beyond it, where a label would be struck through; None: either."""
    beyond = rows[x][rows["y"] < bound] if side == "min" else rows[x][rows["y"] > bound]
    middle = (rows[x].min() + rows[x].max()) / 2
    on_left, on_right = bool((beyond < middle).any()), bool((beyond > middle).any())
    if on_left == on_right:
        return None
    return "right" if on_left else "left"


def _apart(lines: Rows) -> Rows:
    """Labels stand in the middle of short lines, else at the free end, else by turns at the right and the left end."""
    seen: dict[tuple[object, object], int] = {}
    for line in sorted(lines, key=lambda line: line["y"]):
        place = (line["panel"], line["side"])
        is_even = seen.get(place, 0) % 2 == 0
        free = line.pop("free") or ("right" if is_even else "left")
        line["align"] = "center" if line.pop("short") else free
        line["label_x"] = {"center": line["label_x"], "right": line["x2"], "left": line["x"]}[line["align"]]
        seen[place] = seen.get(place, 0) + 1
    return lines


@dataclass(frozen=True)
class Panels:
    """One figure of small panels, all with the same axes.

    Attributes:
        title, subtitle: What one sees; under which fixed conditions.
        rows: Data: ``kind`` value, band or limit; ``panel``, ``x``, ``y``; values also ``series`` and ``bound``, bands
            ``low`` and ``high``, limits as ``limit_rows`` gives them.
        panels: Names of the panels in reading order; ``columns`` of them stand beside each other.
        x_title, y_title: With unit.
        x_ticks: Where to write numbers; empty lets the chart choose. ``x_log`` spaces by ratio.
        series_title, series, colours: Legend of the lines.
        markers: Whether lines also differ by dash and marker, as categories do.
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
    width: int = PANEL_WIDTH
    height: int = PANEL_HEIGHT


def panels_chart(figure: Panels) -> dict[str, Any]:
    """The Vega-Lite description of a figure of panels."""
    import altair as alt

    y = _y_axis(figure)
    layers = [*_limit_layers(figure, y), *_value_layers(figure, y)]
    panel = alt.layer(*layers, data=alt.InlineData(values=figure.rows)).properties(
        width=figure.width, height=figure.height
    )
    header = alt.Header(title=None, labelFontSize=12, labelFontWeight="bold", labelColor=INK, labelAnchor="start")
    if len(figure.panels) == 1 and not figure.panels[0]:
        return described(panel, figure.title, figure.subtitle)
    facet = alt.Facet("panel:N", sort=list(figure.panels), header=header)
    return described(panel.facet(facet, columns=figure.columns), figure.title, figure.subtitle)


def described(chart: Any, title: str, subtitle: str) -> dict[str, Any]:
    """A chart with title and the look that all figures share, as a Vega-Lite description."""
    import altair as alt

    heading = alt.Title(title, subtitle=subtitle, anchor="start", offset=14)
    configured = chart.properties(title=heading).configure(font=FONT, aria=False, background="white")
    configured = configured.configure_title(fontSize=15, subtitleFontSize=12, color=INK, subtitleColor=FAINT)
    configured = configured.configure_axis(
        labelFontSize=11, titleFontSize=12, titleFontWeight="normal", titlePadding=8,
        labelColor=INK, titleColor=INK, gridColor="#e6eaee", domainColor="#98a2ad", tickColor="#98a2ad",
    )  # fmt: skip
    configured = configured.configure_legend(
        labelFontSize=11,
        titleFontSize=11,
        titleFontWeight="normal",
        titleColor=FAINT,
        labelColor=INK,
        symbolStrokeWidth=2,
    )
    described: dict[str, Any] = configured.configure_view(stroke="#c9d0d7").to_dict()
    return described


def _y_axis(figure: Panels) -> Any:
    import altair as alt

    heights = [row[key] for row in figure.rows for key in ("y", "low", "high") if key in row]
    low, high = min(heights), max(heights)
    pad = 0.11 * (high - low) or max(abs(high) * 0.01, 0.1)
    return alt.Y("y:Q", title=figure.y_title, scale=alt.Scale(domain=[low - pad, high + pad], zero=False, nice=False))


def _x_axis(figure: Panels) -> Any:
    import altair as alt

    places = [row[key] for row in figure.rows for key in ("x", "x2") if key in row]
    axis = alt.Axis(values=list(figure.x_ticks), labelOverlap="greedy") if figure.x_ticks else alt.Axis()
    scale = alt.Scale(
        type="log" if figure.x_log else "linear", domain=[min(places), max(places)], nice=False, zero=False, padding=6
    )
    return alt.X("x:Q", title=figure.x_title, axis=axis, scale=scale)


def _value_layers(figure: Panels, y: Any) -> list[Any]:
    import altair as alt

    x = _x_axis(figure)
    legend = (
        alt.Legend(title=figure.series_title, symbolType="stroke", symbolOpacity=1, symbolSize=260)
        if len(figure.series) > 1
        else None
    )
    colour = alt.Color(
        "series:N", scale=alt.Scale(domain=list(figure.series), range=list(figure.colours)), legend=legend
    )
    values = alt.Chart().transform_filter("datum.kind === 'value'").encode(x=x, y=y, color=colour)
    dash: dict[str, Any] = {}
    if figure.markers:
        patterns = [[1, 0], [6, 3], [2, 2], [8, 3, 2, 3], [10, 4], [4, 1]]
        scale = alt.Scale(domain=list(figure.series), range=patterns[: len(figure.series)])
        dash = {"strokeDash": alt.StrokeDash("series:N", scale=scale, legend=legend)}
    band = (
        alt.Chart()
        .transform_filter("datum.kind === 'band'")
        .mark_area(opacity=0.22, line=False)
        .encode(x=x, y=alt.Y("low:Q", title=figure.y_title), y2="high:Q", color=colour)
    )
    layers = [values.mark_line(strokeWidth=1.6).encode(**dash)]
    if len({row["x"] for row in figure.rows if row["kind"] == "value"}) <= MOST_DOTS:
        layers.append(values.mark_circle(size=13, opacity=1))
    if any(row["kind"] == "band" for row in figure.rows):
        layers.insert(0, band)
    if any(row.get("bound") for row in figure.rows):
        layers.append(_bounded_layer(values))
    return layers


def _bounded_layer(values: Any) -> Any:
    """Open triangles that point to where the true value lies."""
    import altair as alt

    words = {"true value at least this": "triangle-up", "true value at most this": "triangle-down"}
    shape = alt.Shape(
        "bounded:N",
        scale=alt.Scale(domain=list(words), range=list(words.values())),
        legend=alt.Legend(title="Bounded", orient="bottom", direction="horizontal"),
    )
    marks = values.transform_filter("datum.bound !== 0").transform_calculate(
        bounded="datum.bound > 0 ? 'true value at least this' : 'true value at most this'"
    )
    return marks.mark_point(size=46, filled=False, strokeWidth=1.3, opacity=1).encode(shape=shape)


def _limit_layers(figure: Panels, y: Any) -> list[Any]:
    import altair as alt

    if not any(row["kind"] == "limit" for row in figure.rows):
        return []
    limits = alt.Chart().transform_filter("datum.kind === 'limit'").encode(y=y)
    rule = limits.mark_rule(color=LIMIT, strokeDash=[7, 3], strokeWidth=1.1).encode(x=_x_axis(figure), x2="x2:Q")
    layers = [rule]
    x = alt.X("label_x:Q", title=figure.x_title)
    inward: dict[Literal["left", "center", "right"], int] = {"left": 3, "center": 0, "right": -3}
    for align, shift in inward.items():
        for side, offset in (("min", 11), ("max", -6)):
            # A minimum is labelled below and a maximum above its line: on the side where no value should be.
            label = limits.transform_filter(f"datum.align === '{align}' && datum.side === '{side}'")
            text = label.mark_text(color=LIMIT, fontSize=10.5, align=align, dy=offset, dx=shift)
            layers.append(text.encode(x=x, text="label:N"))
    return layers


def category_colours(count: int) -> tuple[str, ...]:
    """``count`` colours for things without order; beyond six they repeat, and dash and label tell them apart."""
    return tuple(CATEGORIES[index % len(CATEGORIES)] for index in range(count))
