"""What a run looked like in time: temperatures, supply current and events on one axis of hours.

Rule: only what the store holds is drawn: a reading at the end of each condition, and what a soak's end and the return
to room temperature say. A line between two points joins them; it is no measurement.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reports.chart_parts import CATEGORIES, FAINT, INK, Rows, described, layers
from reports.figure_tables import FigureTable
from reports.live import live_times
from reports.panel_figures import Figure
from reports.svg_text import svg_text
from reports.wording import fixed_text, time_text, true_minus

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reports.summary import Report

GROUP = "Course of the run"

#: Most points of one line; a night of ten thousand conditions has more than a drawing is wide.
MOST_POINTS = 240

#: Most events that are marked; of more, the first and the last.
MOST_EVENTS = 120

#: Most rows of the table.
MOST_ROWS = 250

#: Kind of event → word for the legend. Others (identification, bring-up, hazards) say nothing about the course.
_MARKED = {
    "soak ended": "soak ended",
    "soak timed out": "soak timed out",
    "interlock": "interlock",
    "tripped": "tripped",
    "stopped": "stopped or held",
    "paused": "stopped or held",
    "waiting": "stopped or held",
    "going on": "went on",
    "run resumed": "went on",
    "taken over": "went on",
    "rechecked": "rechecked",
    "retrying": "retried or skipped",
    "skipped": "retried or skipped",
    "unsafe": "not safe",
    "not safe to open": "not safe",
    "safe to open": "safe to open",
}
_SHAPES = (
    "triangle-up", "triangle-down", "square", "cross", "diamond", "circle", "triangle-right", "stroke",
    "wedge", "triangle-left",
)  # fmt: skip

_LINES = {"set point": FAINT, "air": CATEGORIES[0], "board": CATEGORIES[1]}
_WIDTH = 800


def night_line(report: Report) -> Figure | None:
    """The figure; None if the run has no two conditions whose times are known."""
    wide = _readings_in_time(report)
    if len(wide) < 2:
        return None
    rows = [*_temperatures(report, wide), *_currents(report, wide), *_events(report)]
    chart = _chart(report, rows)
    told = {"shown": "Value", "series": "What", "time": "Time (UTC)"}
    title = "Temperatures, supply current and events of the run"
    caption = (
        "Times are UTC. Points: readings at the end of each condition, and what the end of a soak says; the lines join "
        "them and are no measurement. Set point: the temperature that was asked for."
    )
    if len(wide) > MOST_POINTS:
        caption += " Of so many conditions the lowest and the highest value of each stretch of time are drawn."
    drawing = svg_text(chart, "night", title)
    return Figure("night", title, caption, drawing, GROUP, live_times(chart, told), _table(report, wide))


def _readings_in_time(report: Report) -> pd.DataFrame:
    """A row for each condition whose time is known: ``at``, the set point, the mode and the readings, in time."""
    names = ["air_temperature_c", "board_temperature_c", "supply_current_a"]
    readings = report.readings[report.readings["quantity"].isin(names)].astype({"quantity": "str"})
    means = readings.groupby(["condition", "quantity"], observed=True)["value"].mean().unstack("quantity")
    table = report.conditions[["temperature_c", "supply_mode"]].join(report.times, how="inner").join(means)
    return table.rename(columns={"completed": "at"}).sort_values("at", kind="stable")


def _ms(at: datetime) -> int:
    return round(at.timestamp() * 1000)


def _point(panel: str, series: str, at: Any, y: float, unit: str) -> dict[str, Any]:
    shown = f"{fixed_text(y, 2)} {unit}"
    return {"kind": panel, "series": series, "x": _ms(at), "y": round(y, 4), "shown": shown, "time": time_text(at)}


def _temperatures(report: Report, wide: pd.DataFrame) -> Rows:
    points: list[tuple[str, Any, float]] = []
    for name, column in (("air", "air_temperature_c"), ("board", "board_temperature_c")):
        if column in wide:
            known = wide[wide[column].notna()]
            places = _thinned(known[column].to_numpy(dtype=np.float64))
            pairs = zip(known["at"].iloc[places], known[column].iloc[places], strict=True)
            points += [(name, at, float(value)) for at, value in pairs]
    asked = wide["temperature_c"].to_numpy(dtype=np.float64)
    changes = np.flatnonzero((np.diff(asked, prepend=np.nan) != 0) | (np.diff(asked, append=np.nan) != 0))
    points += [("set point", wide["at"].iloc[place], float(asked[place])) for place in changes]
    points += _from_events(report)
    points.sort(key=lambda point: (point[0], point[1]))
    # What was asked for last stays asked for.
    last = max(at for _, at, _ in points)
    points.append(("set point", last, [y for name, _, y in points if name == "set point"][-1]))
    return [_point("temperature", name, at, y, "°C") for name, at, y in points]


def _from_events(report: Report) -> list[tuple[str, Any, float]]:
    """What the ends of soaks and the return to room temperature say; a soak's target was asked for when it began."""
    points: list[tuple[str, Any, float]] = []
    if "facts" in report.events:
        for at, facts in zip(report.events["at"], report.events["facts"], strict=True):
            for name, key in (
                ("air", "air_temperature_c"),
                ("board", "board_temperature_c"),
                ("set point", "target_c"),
            ):
                if isinstance(facts.get(key), int | float):
                    points.append((name, at, float(facts[key])))
            if isinstance(facts.get("target_c"), int | float) and isinstance(facts.get("waited_s"), int | float):
                points.append(("set point", at - timedelta(seconds=float(facts["waited_s"])), float(facts["target_c"])))
    return points


def _currents(report: Report, wide: pd.DataFrame) -> Rows:
    rows: Rows = []
    if "supply_current_a" not in wide:
        return rows
    for mode in report.part.modes:
        known = wide[(wide["supply_mode"].astype("str") == mode) & wide["supply_current_a"].notna()]
        values = known["supply_current_a"].to_numpy(dtype=np.float64)
        places = _thinned(values)
        pairs = zip(known["at"].iloc[places], values[places], strict=True)
        rows += [_point("current", f"{mode} mode", at, float(value) * 1000, "mA") for at, value in pairs]
    return rows


def _thinned(values: NDArray[np.float64]) -> NDArray[np.intp]:
    """Places of at most ``MOST_POINTS`` values: the lowest and the highest of each stretch, in order."""
    if len(values) <= MOST_POINTS:
        return np.arange(len(values))
    edges = np.linspace(0, len(values), MOST_POINTS // 2 + 1).astype(np.intp)
    kept = [
        start + place
        for start, stop in pairwise(edges)
        for place in {int(values[start:stop].argmin()), int(values[start:stop].argmax())}
    ]
    return np.array(sorted(kept), dtype=np.intp)


def _marked(report: Report) -> pd.DataFrame:
    events = report.events[report.events["kind"].isin(_MARKED)]
    if len(events) <= MOST_EVENTS:
        return events
    return pd.concat([events.head(MOST_EVENTS // 2), events.tail(MOST_EVENTS // 2)])


def _events(report: Report) -> Rows:
    columns = ("at", "kind", "text")
    return [
        {
            "kind": "event",
            "series": _MARKED[kind],
            "x": _ms(at),
            "shown": true_minus(text),
            "time": time_text(at),
        }
        for at, kind, text in zip(*(_marked(report)[column] for column in columns), strict=True)
    ]


def _chart(report: Report, rows: Rows) -> dict[str, Any]:
    panels: list[dict[str, Any]] = [
        {"layer": layers(*_temperature_lines()), "width": _WIDTH, "height": 230},
        {"layer": layers(_current_points(rows)), "width": _WIDTH, "height": 110},
    ]
    kinds = list(dict.fromkeys(row["series"] for row in rows if row["kind"] == "event"))
    if kinds:
        panels.append({"layer": layers(_event_marks(kinds)), "width": _WIDTH, "height": {"step": 20}})
    # Hours stand below the lowest panel only.
    for layer in panels[-1]["layer"]:
        axis = {**layer["encoding"]["x"]["axis"], "labels": True, "ticks": True}
        layer["encoding"]["x"] = {**layer["encoding"]["x"], "title": "Time (UTC)", "axis": axis}
    apart = dict.fromkeys(("color", "shape", "y"), "independent")
    body = {"vconcat": panels, "resolve": {"scale": {"x": "shared", **apart}}, "spacing": 14}
    facts = report.facts
    return described(body, "Course of the run", f"run {facts.run[:8]}, began {time_text(facts.began)} UTC", rows)


def _hours() -> Any:
    import altair as alt

    # No domain of its own: as dates of an expression it would be misread where expressions are interpreted.
    scale = alt.Scale(type="utc", nice=False, padding=8)
    axis = alt.Axis(format="%H:%M", labelOverlap="greedy", tickCount=12, labels=False, ticks=False)
    return alt.X("x:T", title=None, scale=scale, axis=axis)


def _temperature_lines() -> list[Any]:
    import altair as alt

    scale = alt.Scale(domain=list(_LINES), range=list(_LINES.values()))
    colour = alt.Color("series:N", scale=scale, legend=alt.Legend(title="Temperature"))
    y = alt.Y("y:Q", title="Temperature / °C", scale=alt.Scale(zero=False))
    base = alt.Chart().transform_filter("datum.kind === 'temperature'").encode(x=_hours(), y=y, color=colour)
    step = base.transform_filter("datum.series === 'set point'").mark_line(interpolate="step-after", strokeDash=[5, 3])
    rest = base.transform_filter("datum.series !== 'set point'")
    return [step, rest.mark_line(strokeWidth=1.5), rest.mark_point(size=9, filled=True, opacity=1)]


def _current_points(rows: Rows) -> Any:
    import altair as alt

    modes = list(dict.fromkeys(row["series"] for row in rows if row["kind"] == "current"))
    scale = alt.Scale(domain=modes, range=[CATEGORIES[(2 + place) % len(CATEGORIES)] for place in range(len(modes))])
    colour = alt.Color("series:N", scale=scale, legend=alt.Legend(title="Supply current"))
    y = alt.Y("y:Q", title="Supply current / mA", scale=alt.Scale(zero=False))
    base = alt.Chart().transform_filter("datum.kind === 'current'").encode(x=_hours(), y=y, color=colour)
    return base.mark_point(size=9, filled=True, opacity=1)


def _event_marks(kinds: list[str]) -> Any:
    import altair as alt

    shape = alt.Shape("series:N", scale=alt.Scale(domain=kinds, range=list(_SHAPES[: len(kinds)])), legend=None)
    y = alt.Y("series:N", title=None, sort=kinds)
    base = alt.Chart().transform_filter("datum.kind === 'event'").encode(x=_hours(), y=y, shape=shape)
    return base.mark_point(size=70, filled=True, color=INK, opacity=1)


def _table(report: Report, wide: pd.DataFrame) -> FigureTable:
    """Events, and readings in time, thinned to what can be read."""
    step = -(-len(wide) // MOST_ROWS)
    kept = wide.iloc[sorted({*range(0, len(wide), step), len(wide) - 1})]
    rows = [
        (at, (time_text(at), "reading", fixed_text(asked, 1), *(_cell(row, key, scale) for key, scale in _CELLS)))
        for (_, row), at, asked in zip(kept.iterrows(), kept["at"], kept["temperature_c"], strict=True)
    ]
    for at, kind, text in zip(*(_marked(report)[column] for column in ("at", "kind", "text")), strict=True):
        rows.append((at, (time_text(at), f"{kind}: {true_minus(text)}", "", "", "", "")))
    rows.sort(key=lambda pair: pair[0])
    every = "every condition" if step == 1 else f"one condition in {step}"
    columns = ("Time (UTC)", "What", "Set point / °C", "Air / °C", "Board / °C", "Supply current / mA")
    return FigureTable(columns, tuple(texts for _, texts in rows), 2, f"Readings of {every}, and the marked events.")


_CELLS = (("air_temperature_c", 1.0), ("board_temperature_c", 1.0), ("supply_current_a", 1000.0))


def _cell(row: pd.Series[Any], key: str, scale: float) -> str:
    return fixed_text(float(row[key]) * scale, 2) if key in row else "–"
