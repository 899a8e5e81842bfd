"""All limits on one axis: margin over expanded uncertainty, where the four outcomes are four stretches of the axis."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from reports.characteristics import CHARACTERISTICS
from reports.chart_parts import INK, Rows, described, layers
from reports.figure_tables import FigureTable
from reports.text_table import margin_text, sides_text, worst_text
from reports.wording import DECISIONS, condition_text, fixed_text, true_minus

if TYPE_CHECKING:
    from reports.summary import LimitResult

#: Colour-blind-safe, of the same palette as the categories of the other charts; the word stands beside each.
DECISION_COLOURS = {
    "pass": "#009E73",
    "conditional pass": "#56B4E9",
    "conditional fail": "#E69F00",
    "fail": "#D55E00",
}

_SHAPES = {"pass": "circle", "conditional pass": "diamond", "conditional fail": "square", "fail": "cross"}


def limit_name(place: int, limit: LimitResult) -> str:
    """``3  OIP3 ≥ 34 dBm``: the limit's number in the tables, its characteristic and its sides."""
    return f"{place}  {CHARACTERISTICS[limit.characteristic].title}, {sides_text(limit)}"


def margin_chart(limits: Sequence[LimitResult]) -> dict[str, Any] | None:
    """The Vega-Lite description; None if no limit has both a margin and an uncertainty."""
    import altair as alt

    rows = _rows(limits)
    if not rows:
        return None
    # Beyond the outermost bars stay free: on the right for the label of the last one.
    low = min(-3.0, 1.5 * min(row["low"] for row in rows))
    high = 6 * max(3.0, *(row["high"] for row in rows))
    decades = [10.0**power for power in range(1, 8)]
    ticks = [*(-decade for decade in decades), -3, -1, 0, 1, 3, *decades]
    names = [row["name"] for row in rows]
    x_title = "Margin / expanded uncertainty U"
    x = alt.X(
        "ratio:Q",
        title=x_title,
        scale=alt.Scale(type="symlog", constant=1, domain=[low, high], nice=False),
        axis=alt.Axis(values=[tick for tick in ticks if low <= tick <= high], format=",d", grid=False),
    )
    y = alt.Y(
        "name:N",
        sort=names,
        title=None,
        axis=alt.Axis(labelLimit=420, grid=True, ticks=False, domain=False, labelPadding=8),
    )
    words = [DECISIONS[word][0] for word in DECISION_COLOURS]
    colour = alt.Color(
        "decision:N",
        scale=alt.Scale(domain=words, range=list(DECISION_COLOURS.values())),
        legend=alt.Legend(title="Decision", orient="bottom", direction="horizontal"),
    )
    shape = alt.Shape("decision:N", scale=alt.Scale(domain=words, range=list(_SHAPES.values())))
    base = alt.Chart().encode(y=y)
    edges = [
        alt.Chart().mark_rule(color="#98a2ad", strokeDash=[4, 3]).encode(x=alt.XDatum(ratio, title=x_title))
        for ratio in (-1, 0, 1)
    ]
    charts = [
        *edges,
        base.mark_rule(strokeWidth=2).encode(x=alt.X("low:Q", title=x_title), x2="high:Q", color=colour),
        base.mark_point(size=75, filled=True, opacity=1).encode(x=x, color=colour, shape=shape),
        base.mark_text(align="left", dx=10, dy=-7, fontSize=10.5, color=INK).encode(x=x, text="text:N"),
    ]
    body = {"layer": layers(*charts), "width": 520, "height": {"step": 30}}
    return described(body, "Margin of each limit against its uncertainty", "worst condition of each limit", rows)


def _rows(limits: Sequence[LimitResult]) -> Rows:
    rows: Rows = []
    for place, limit in enumerate(limits, start=1):
        if limit.margin is None or not limit.expanded_uncertainty:
            continue
        ratio = limit.margin / limit.expanded_uncertainty
        rows.append(
            {
                "name": limit_name(place, limit),
                "ratio": ratio,
                "low": ratio - 1,
                "high": ratio + 1,
                "decision": DECISIONS[limit.decision][0],
                "text": margin_text(limit),
                "worst": worst_text(limit),
            }
        )
    return rows


def margin_table(limits: Sequence[LimitResult]) -> FigureTable:
    """A row for each limit that is drawn."""
    rows = []
    for place, limit in enumerate(limits, start=1):
        if limit.margin is not None and limit.expanded_uncertainty:
            where = true_minus(limit.where) or "all conditions"
            ratio = fixed_text(limit.margin / limit.expanded_uncertainty, 2)
            told = (DECISIONS[limit.decision][0], condition_text(limit.worst_condition))
            rows.append((limit_name(place, limit), where, *told, worst_text(limit), margin_text(limit), ratio))
    columns = ("Limit", "Conditions", "Decision", "At", "Worst value ± U", "Margin", "Margin / U")
    return FigureTable(columns, tuple(rows), 4, "The worst condition of each limit.")
