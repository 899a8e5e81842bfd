"""Comparison → figures: the runs over each other, and E_n of each characteristic on one axis.

Rule: as in a run's report, a figure without data is left out, and nothing is told by colour alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.chart_parts import CATEGORIES, INK, Rows, category_colours, commonest_slice, described, layers
from reports.comparison_words import ratio_name
from reports.explanations import GROUPS, OTHER, group_of
from reports.figure_tables import FigureTable
from reports.frames import AXES
from reports.live import live_cells
from reports.panel_figures import AXIS_TITLES, Figure, panels_figure, unit_of
from reports.panels_chart import Panels
from reports.svg_text import svg_text
from reports.wording import condition_text, difference_unit, fixed_text, value_text

if TYPE_CHECKING:
    from reports.comparison import Comparison, Pair

#: What is drawn over what: the first axis of these that both runs sweep.
_X = ("gain_code", "temperature_c", "tone_level_dbm", "frequency_hz", "load_ohm")

#: Most characteristics that are overlaid, those that differ most. Ours: a page that can be read to its end.
MOST_OVERLAID = 12

_MEGA = 1e-6


def comparison_figures(comparison: Comparison) -> tuple[Figure, ...]:
    """The E_n chart of each pair, then the runs over each other, worst characteristics first."""
    charts = [_ratio_figure(pair, number) for number, pair in enumerate(comparison.pairs, start=1)]
    overlaid = [_overlaid(comparison, word) for word in _worst_first(comparison)]
    drawn = [one for one in overlaid if one is not None][:MOST_OVERLAID]
    return tuple(one for one in (*charts, *drawn) if one is not None)


def _worst_first(comparison: Comparison) -> list[str]:
    worst = pd.concat([pair.compared for pair in comparison.pairs]).groupby("characteristic")["ratio"]
    known = worst.apply(lambda ratios: ratios.abs().max())
    return [str(word) for word in known.sort_values(ascending=False, kind="stable").index]


def _overlaid(comparison: Comparison, word: str) -> Figure | None:
    """All runs over the first swept axis at one combination of the others; a band of U on the first run."""
    labels = [side.label for side in comparison.sides]
    found = [
        table[table["characteristic"] == word].assign(line=label)
        for table, label in zip(comparison.tables, labels, strict=True)
    ]
    texts = {axis: "str" for axis, kind in AXES.items() if kind == "str"}
    table = pd.concat(found).astype(texts).sort_values(list(AXES), kind="stable")
    x = next((axis for axis in _X if all(one[axis].nunique() > 1 for one in found)), None)
    if x is None:
        return None
    fixed = [axis for axis in AXES if axis not in (x, "channel", "supply_mode")]
    preferred: dict[str, object] = {
        "temperature_c": comparison.reference_temperature_c,
        "load_ohm": comparison.part.part.reference_load_ohm,
    }
    table, held = commonest_slice(table, fixed, preferred)
    if table[x].nunique() < 2:
        return None
    unit, factor = unit_of(word)
    # What matches channels is of the first and the other.
    before = f"{comparison.part.part.channels[0]} and " if group_of(word) == "Matching" else ""
    panel = "Channel " + before + table["channel"] + ", " + table["supply_mode"] + " mode"
    table = table.assign(panel=panel, x=table[x])
    if x == "frequency_hz":
        table = table.assign(x=table["x"] * _MEGA)
    names = (*comparison.part.part.channels, *comparison.part.modes)
    rank = {name: place for place, name in enumerate(names)}
    in_order = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(rank))["panel"]
    definition = CHARACTERISTICS[word]
    figure = Panels(
        title=f"{definition.title}, runs over each other",
        subtitle=f"at {condition_text(held)}",
        rows=_rows(table, labels, factor),
        panels=tuple(in_order.unique()),
        columns=2,
        x_title=AXIS_TITLES[x],
        y_title=f"{definition.title} / {unit or '1'}",
        series_title="Run",
        series=tuple(labels),
        colours=category_colours(len(labels)),
        x_ticks=() if x == "gain_code" else tuple(sorted(table["x"].unique())),
        x_log=x == "load_ohm",
        markers=True,
    )
    worst = _worst_text(comparison, word)
    caption = f"Bands: expanded uncertainty U of each run, about 95 %, with all that the runs share. {worst}"
    group = group_of(word)
    return panels_figure(figure, f"overlaid_{word}", definition.title, caption, group if group in GROUPS else OTHER)


def _rows(table: pd.DataFrame, labels: list[str], factor: float) -> Rows:
    rows: Rows = []
    names = ("panel", "x", "line", "value", "expanded_uncertainty", "bound")
    for panel, x, line, y, u, bound in zip(*(table[name].tolist() for name in names), strict=True):
        place = {"panel": panel, "x": x, "series": line}
        shown = value_text(y * factor, u * factor, "", int(bound))
        rows.append({**place, "kind": "value", "y": y * factor, "bound": int(bound), "shown": shown})
        if not bound:
            rows.append({**place, "kind": "band", "low": (y - u) * factor, "high": (y + u) * factor})
    return sorted(rows, key=lambda row: labels.index(row["series"]))


def _worst_text(comparison: Comparison, word: str) -> str:
    rows = pd.concat([pair.compared for pair in comparison.pairs])
    rows = rows[rows["characteristic"] == word]
    row = rows.iloc[int(rows["ratio"].abs().to_numpy().argmax())]
    unit, factor = unit_of(word)
    gap = value_text(row["difference"] * factor, row["expanded"] * factor, difference_unit(unit))
    return f"Worst difference: {gap} at {condition_text({axis: row[axis] for axis in AXES})}."


def _ratio_figure(pair: Pair, number: int) -> Figure | None:
    """Where the values of each characteristic lie between −1 and 1, and how far out the worst is."""
    known = pair.compared
    if known.empty:
        return None
    rows: Rows = []
    for word, ratios in known.groupby("characteristic", sort=False)["ratio"]:
        name = CHARACTERISTICS[str(word)].title
        low, high = float(ratios.min()), float(ratios.max())
        within = int((ratios.abs() <= 1).sum())
        text = f"{within} of {len(ratios)} within"
        rows.append({"name": name, "low": low, "high": high, "middle": float(ratios.median()), "text": text})
    title = f"{ratio_name(pair)} of each characteristic"
    subtitle = f"{pair.other.label} less {pair.reference.label}"
    chart = _ratio_chart(rows, title, subtitle, ratio_name(pair))
    caption = (
        f"Bar: from the lowest to the highest {ratio_name(pair)} of a characteristic, dot: their median. Between the "
        "dashed lines the difference is within its expanded uncertainty."
    )
    name = f"ratios_{number}"
    columns = ("Characteristic", f"Lowest {ratio_name(pair)}", "Median", "Highest", "Within ± 1")
    cells = tuple(
        (row["name"], *(fixed_text(row[key], 2) for key in ("low", "middle", "high")), row["text"]) for row in rows
    )
    table = FigureTable(columns, cells, 1, subtitle)
    live = live_cells(chart, {"name": "Characteristic", "text": "Conditions"})
    return Figure(name, title, caption, svg_text(chart, name, title), "Overview", live, table)


def _ratio_chart(rows: Rows, title: str, subtitle: str, x_title: str) -> dict[str, Any]:
    import altair as alt

    reach = 1.15 * max(1.5, *(abs(row[key]) for row in rows for key in ("low", "high")))
    scale = alt.Scale(domain=[-reach, 1.45 * reach], nice=False)
    base = alt.Chart().encode(
        y=alt.Y(
            "name:N",
            sort=[row["name"] for row in rows],
            title=None,
            axis=alt.Axis(labelLimit=330, grid=True, ticks=False, domain=False, labelPadding=8),
        )
    )
    edges = [
        alt.Chart().mark_rule(color="#98a2ad", strokeDash=[4, 3]).encode(x=alt.XDatum(ratio, title=x_title))
        for ratio in (-1, 0, 1)
    ]
    x = alt.X("low:Q", title=x_title, scale=scale, axis=alt.Axis(grid=False))
    charts = [
        *edges,
        base.mark_rule(strokeWidth=5, color=CATEGORIES[0], opacity=0.55).encode(x=x, x2="high:Q"),
        base.mark_point(size=55, filled=True, opacity=1, color=INK).encode(x=alt.X("middle:Q", title=x_title)),
        # Behind all bars and lines, so that nothing strikes a word through.
        base.mark_text(align="left", fontSize=10.5, color=INK).encode(
            x=alt.XDatum(1.03 * reach, title=x_title), text="text:N"
        ),
    ]
    return described({"layer": layers(*charts), "width": 560, "height": {"step": 24}}, title, subtitle, rows)
