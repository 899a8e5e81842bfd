"""What all charts are made of: colours, slices of a table, limit lines, and one look.

Rule: a chart holds its data inline and its own configuration, so that nothing outside can change how it looks.
Colours of categories: Okabe and Ito, "Color Universal Design", 2008 (from memory of the published palette, not seen).
Colours of temperature: samples of a perceptually uniform map from blue to orange that grows lighter all the way, so
that the order survives colour blindness and grey printing (from memory of the map "plasma", first four fifths).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

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

Rows = list[dict[str, Any]]

#: Name of a chart's own data set.
ROWS = "rows"


def temperature_colours(count: int) -> list[str]:
    """``count`` colours from cold to hot, evenly spread over the map; one alone is its middle."""
    last = len(_COLD_TO_HOT) - 1
    places = [last * index / (count - 1) for index in range(count)] if count > 1 else [last / 2]
    return [_between(_COLD_TO_HOT[int(place)], _COLD_TO_HOT[math.ceil(place)], place % 1) for place in places]


def _between(first: str, second: str, share: float) -> str:
    pairs = [(int(first[i : i + 2], 16), int(second[i : i + 2], 16)) for i in (1, 3, 5)]
    return "#" + "".join(f"{round(a + (b - a) * share):02x}" for a, b in pairs)


def commonest_slice(
    table: pd.DataFrame, fixed: Sequence[str], preferred: Mapping[str, object]
) -> tuple[pd.DataFrame, dict[str, object]]:
    """Rows at the one combination of the ``fixed`` axes that holds most rows, and that combination.

    Of combinations with equally many rows the one with most of the ``preferred`` values is taken, then the one that
    comes first in the table. ``table`` is not empty.
    """
    columns = list(fixed)
    counts = table.groupby(columns, sort=False).size().reset_index(name="rows")
    liked = sum((counts[axis] == value).astype(int) for axis, value in preferred.items() if axis in columns)
    # A row more weighs more than any number of preferred values.
    chosen = counts.iloc[int((counts["rows"] * (len(columns) + 1) + liked).to_numpy().argmax())]
    keep = pd.Series(data=True, index=table.index)
    for column in columns:
        keep &= table[column] == chosen[column]
    return table[keep], {column: chosen[column] for column in columns}


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


def layers(*charts: Any) -> list[dict[str, Any]]:
    """Charts as layers of one description: marks, encodings and transforms.

    Put together as plain dicts, since the chart library copies every chart whole each time that it joins some.
    """
    kept = ("transform", "mark", "encoding")
    described = [chart.to_dict(validate=False) for chart in charts]
    return [{key: one[key] for key in kept if key in one} for one in described]


def described(body: dict[str, Any], title: str, subtitle: str, rows: Rows) -> dict[str, Any]:
    """A Vega-Lite description: ``body`` (``layer`` or ``facet``) on the data set ``rows``, in the look of all."""
    heading = {"text": title, "subtitle": subtitle, "anchor": "start", "offset": 14}
    return {"title": heading, "config": _look(), "data": {"name": ROWS}, "datasets": {ROWS: rows}} | body


@cache
def _look() -> dict[str, Any]:
    """Configuration that all figures share."""
    import altair as alt

    chart = alt.Chart().configure(font=FONT, aria=False, background="white").configure_view(stroke="#c9d0d7")
    chart = chart.configure_title(fontSize=15, subtitleFontSize=12, color=INK, subtitleColor=FAINT)
    chart = chart.configure_axis(
        labelFontSize=11, titleFontSize=12, titleFontWeight="normal", titlePadding=8,
        labelColor=INK, titleColor=INK, gridColor="#e6eaee", domainColor="#98a2ad", tickColor="#98a2ad",
    )  # fmt: skip
    chart = chart.configure_legend(
        labelFontSize=11, titleFontSize=11, titleFontWeight="normal", titleColor=FAINT, labelColor=INK,
        symbolStrokeWidth=2,
    )  # fmt: skip
    look: dict[str, Any] = chart.mark_point().to_dict(validate=False)["config"]
    return look


def category_colours(count: int) -> tuple[str, ...]:
    """``count`` colours for things without order; beyond six they repeat, and dash and label tell them apart."""
    return tuple(CATEGORIES[index % len(CATEGORIES)] for index in range(count))
