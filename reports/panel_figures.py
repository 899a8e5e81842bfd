"""Figures of one characteristic over one axis: a panel for each channel and mode, a line for each value of another.

Rule: nothing is derived here beyond choosing rows and, for supply currents, their mean and span at a temperature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.chart_parts import Rows, category_colours, commonest_slice, limit_rows, temperature_colours
from reports.explanations import group_of
from reports.figure_tables import FigureTable, panels_table
from reports.frames import AXES
from reports.live import live_panels
from reports.panels_chart import Panels, panels_chart
from reports.svg_text import svg_text
from reports.wording import axis_text, condition_text, fixed_text, shown_unit, value_text
from sequences.units import to_si

if TYPE_CHECKING:
    from reports.summary import Report
    from sequences.part_file import Limit

Extreme = Literal["lowest", "highest", "largest"]

AXIS_TITLES = {
    "gain_code": "Gain code",
    "temperature_c": "Temperature / °C",
    "load_ohm": "Differential load / Ω",
    "tone_level_dbm": "Tone level / dBm",
    "frequency_hz": "Frequency / MHz",
}

_SERIES_TITLES = {"gain_code": "Gain code", "temperature_c": "Temperature", "load_ohm": "Load"}

#: Axis → factor from the unit of the tables to that of its title.
_AXIS_FACTORS = {"frequency_hz": 1e-6}

#: Most gain codes that one figure tells apart by colour; more lines cannot be followed.
_MOST_CODES = 4


@dataclass(frozen=True, slots=True)
class Figure:
    """One drawing: ``name`` is its file name without ending, ``caption`` says what is drawn and what stands out.

    ``group`` is the section that it stands in; ``live`` the description of what the page shows in place of the drawing
    to whoever hovers, zooms and filters; ``table`` what is drawn, as text.
    """

    name: str
    title: str
    caption: str
    svg: str
    group: str
    live: dict[str, Any] | None = None
    table: FigureTable | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """One figure of a characteristic.

    Attributes:
        name: Its file name without ending.
        characteristic: What is drawn.
        heading: Its title.
        x: Axis that runs to the right.
        series: Axis that the colours tell apart.
        extreme: What the caption points at.
        extra: More rows of kind guide or mark, from the report and the rows that are drawn (columns ``panel``, ``x``,
            ``line``, ``value`` in the unit of the tables); their ``y`` in that unit, too.
        guide: What the guides are.
        group: Section to stand in, if not the characteristic's own.
    """

    name: str
    characteristic: str
    heading: str
    x: str
    series: str
    extreme: Extreme
    extra: Callable[[Report, pd.DataFrame], Rows] | None = None
    guide: str = ""
    group: str = ""


def panels(report: Report, plan: Plan) -> Figure | None:
    """A panel for each channel and mode, a line for each value of ``plan.series``; None without two places on ``x``."""
    table = rows_of(report, plan.characteristic)
    if table.empty:
        return None
    table, fixed = one_slice(report, table, (plan.x, plan.series))
    table = _longest_lines(table, plan)
    if plan.series == "gain_code":
        table = table[table["gain_code"].isin(_spread(sorted(table["gain_code"].unique()), _MOST_CODES))]
    if table[plan.x].nunique() < 2:
        return None
    names = sorted(table[plan.series].unique())
    table = table.assign(
        panel=panel_names(report, plan.characteristic, table),
        x=table[plan.x] * _AXIS_FACTORS.get(plan.x, 1.0),
        line=table[plan.series].map({name: axis_text(plan.series, name) for name in names}),
    )
    unit, factor = unit_of(plan.characteristic)
    lines = [axis_text(plan.series, name) for name in names]
    shown = axis_text(plan.series, _one_of(names, report.sequence.sequence.reference_temperature_c))
    extra = plan.extra(report, table) if plan.extra else []
    is_temperature = plan.series == "temperature_c"
    modes = table["supply_mode"].nunique()
    in_order = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(rank(report)))["panel"]
    figure = Panels(
        title=plan.heading,
        subtitle=f"at {condition_text(fixed)}",
        rows=_value_rows(table, factor)
        + _band_rows(table, factor, shown)
        + [row | {"y": row["y"] * factor} for row in extra]
        + _limits(report, table, plan),
        panels=tuple(in_order.unique()),
        columns=modes if modes > 1 else 2,
        x_title=AXIS_TITLES[plan.x],
        y_title=y_title(plan.characteristic, unit),
        series_title=_SERIES_TITLES[plan.series],
        series=tuple(lines),
        colours=tuple(temperature_colours(len(names))) if is_temperature else category_colours(len(names)),
        x_ticks=() if plan.x == "gain_code" else tuple(sorted(table["x"].unique())),
        x_log=plan.x == "load_ohm",
        markers=not is_temperature,
        guide=plan.guide,
    )
    return drawn(plan, figure, extreme_text(table, plan) + _band_text(figure, shown) + _bounded_text(table))


def by_mode(report: Report, plan: Plan) -> Figure | None:
    """Mean and span of each supply mode over temperature; None with one temperature alone."""
    table = rows_of(report, plan.characteristic)
    if table.empty or table["temperature_c"].nunique() < 2:
        return None
    unit, factor = unit_of(plan.characteristic)
    table = table.assign(panel="", x=table["temperature_c"])
    rows: Rows = []
    for (mode, temperature), values in table.groupby(["supply_mode", "temperature_c"])["value"]:
        place = {"panel": "", "x": temperature, "series": mode}
        low, mean, high = (one * factor for one in (values.min(), values.mean(), values.max()))
        shown = f"{fixed_text(mean, 2)} ({fixed_text(low, 2)} … {fixed_text(high, 2)})"
        rows.append({**place, "kind": "value", "y": mean, "bound": 0, "shown": shown})
        rows.append({**place, "kind": "band", "low": low, "high": high})
    modes = sorted(table["supply_mode"].unique(), key=rank(report).__getitem__)
    figure = Panels(
        title=plan.heading,
        subtitle=f"{f'{modes[0]} mode, ' if len(modes) == 1 else ''}all codes, loads, levels, frequencies and channels",
        rows=rows + _limits(report, table, plan),
        panels=("",),
        columns=1,
        x_title=AXIS_TITLES["temperature_c"],
        y_title=y_title(plan.characteristic, unit),
        series_title="Supply mode",
        series=tuple(modes),
        colours=category_colours(len(modes)),
        x_ticks=tuple(sorted(table["temperature_c"].unique())),
        markers=True,
        width=640,
        height=260,
    )
    caption = f"{extreme_text(table, plan)} Line: mean of all conditions at a temperature; band: lowest to highest."
    return drawn(plan, figure, caption)


def compact(report: Report, plan: Plan) -> Figure | None:
    """One panel with a line for each channel and mode, for what is one number for a whole unit at each ``plan.x``."""
    table = rows_of(report, plan.characteristic)
    if table.empty:
        return None
    table, fixed = one_slice(report, table, (plan.x,))
    if table[plan.x].nunique() < 2:
        return None
    names = panel_names(report, plan.characteristic, table)
    table = table.assign(panel="", x=table[plan.x] * _AXIS_FACTORS.get(plan.x, 1.0), line=names)
    lines = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(rank(report)))["line"].unique()
    unit, factor = unit_of(plan.characteristic)
    figure = Panels(
        title=plan.heading,
        subtitle=f"at {condition_text(fixed)}",
        rows=_value_rows(table, factor)
        + _band_rows(table, factor, lines[0])
        + [row | {"y": row["y"] * factor} for row in (plan.extra(report, table) if plan.extra else [])]
        + _limits(report, table, plan),
        panels=("",),
        columns=1,
        x_title=AXIS_TITLES[plan.x],
        y_title=y_title(plan.characteristic, unit),
        series_title="Channel and mode",
        series=tuple(lines),
        colours=category_colours(len(lines)),
        x_ticks=() if plan.x == "gain_code" else tuple(sorted(table["x"].unique())),
        x_log=plan.x == "load_ohm",
        markers=True,
        guide=plan.guide,
        width=640,
        height=260,
    )
    return drawn(plan, figure, extreme_text(table, plan) + _band_text(figure, lines[0]) + _bounded_text(table))


def compared(report: Report, plan: Plan, words: dict[str, str]) -> Figure | None:
    """Several characteristics of one unit in the same panels, at the reference temperature.

    Args:
        report: The run.
        plan: Of the first of them.
        words: Characteristic → name of its line; drawn only if the run holds two of them.
    """
    found = {word: rows_of(report, word) for word in words}
    tables = {word: table for word, table in found.items() if not table.empty}
    if len(tables) < 2:
        return None
    table = pd.concat([one.assign(line=words[word]) for word, one in tables.items()])
    shown_c = _one_of(sorted(table["temperature_c"].unique()), report.sequence.sequence.reference_temperature_c)
    table = table[table["temperature_c"] == shown_c]
    table, fixed = one_slice(report, table, (plan.x,))
    if table[plan.x].nunique() < 2:
        return None
    table = table.assign(panel=panel_names(report, plan.characteristic, table), x=table[plan.x])
    unit, factor = unit_of(plan.characteristic)
    in_order = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(rank(report)))["panel"]
    lines = [words[word] for word in tables]
    figure = Panels(
        title=plan.heading,
        subtitle=f"at {condition_text(fixed)}",
        rows=_value_rows(table, factor) + _band_rows(table, factor, lines[0]),
        panels=tuple(in_order.unique()),
        columns=max(table["supply_mode"].nunique(), 2),
        x_title=AXIS_TITLES[plan.x],
        y_title=f"Error / {unit}",
        series_title="Error of gain",
        series=tuple(lines),
        colours=category_colours(len(lines)),
        markers=True,
    )
    return drawn(plan, figure, extreme_text(table, plan) + _band_text(figure, lines[0]))


def drawn(plan: Plan, figure: Panels, caption: str) -> Figure:
    """The drawing of a plan."""
    group = plan.group or group_of(plan.characteristic)
    return panels_figure(figure, plan.name, plan.heading, caption, group)


def panels_figure(figure: Panels, name: str, title: str, caption: str, group: str) -> Figure:
    """Drawing, live view and table of one figure of panels."""
    chart = panels_chart(figure)
    return Figure(
        name, title, caption, svg_text(chart, name, title), group, live_panels(chart, figure), panels_table(figure)
    )


def rows_of(report: Report, characteristic: str) -> pd.DataFrame:
    """Rows of one characteristic in the order of the axes, so that no choice below depends on the order of the run."""
    table = report.characteristics
    table = table[table["characteristic"] == characteristic]
    # Names may come as categories, which neither join as text nor group without their absent members.
    texts = {axis: "str" for axis, kind in AXES.items() if kind == "str"}
    return table.astype(texts).sort_values(list(AXES), kind="stable")


def unit_of(characteristic: str) -> tuple[str, float]:
    """The unit to draw in, and the factor from that of the tables."""
    return shown_unit(CHARACTERISTICS[characteristic].unit)


def y_title(characteristic: str, unit: str) -> str:
    """Title of an axis of values."""
    title = CHARACTERISTICS[characteristic].title
    return f"{title} / {unit or '1'}"


def rank(report: Report) -> dict[str, int]:
    """Channels and modes in the order of the part file."""
    names = (*report.part.part.channels, *report.part.modes)
    return {name: place for place, name in enumerate(names)}


def one_slice(report: Report, table: pd.DataFrame, varied: tuple[str, ...]) -> tuple[pd.DataFrame, dict[str, object]]:
    """Rows of all channels and modes at one value of every axis that is not ``varied``."""
    fixed = [axis for axis in AXES if axis not in (*varied, "channel", "supply_mode")]
    part, sequence = report.part.part, report.sequence.sequence
    preferred: dict[str, object] = {
        "temperature_c": sequence.reference_temperature_c,
        "load_ohm": part.reference_load_ohm,
    }
    for axis in ("tone_level_dbm", "frequency_hz"):
        # The part has no reference for these; the middle of what was swept is what a sweep is laid around.
        values = sorted(table[axis].unique())
        preferred[axis] = values[len(values) // 2]
    return commonest_slice(table, fixed, preferred)


def _longest_lines(table: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Only the lines with as many places as the longest: a single dot is no line over anything."""
    places = table.groupby(plan.series)[plan.x].transform("nunique")
    longest: pd.DataFrame = table[places == places.max()]
    return longest


def panel_names(report: Report, characteristic: str, table: pd.DataFrame) -> pd.Series[str]:
    """Channel and mode of each row, in words; of a match, which channels it is between."""
    first = report.part.part.channels[0]
    before = "Channel "
    if group_of(characteristic) == "Matching":
        before = f"{first} minus " if characteristic.endswith("_match") else f"Channels {first} and "
    return before + table["channel"] + ", " + table["supply_mode"] + " mode"


def _spread(values: list[int], most: int) -> list[int]:
    """At most ``most`` values, evenly spread, both ends included."""
    if len(values) <= most:
        return values
    return [values[round(index * (len(values) - 1) / (most - 1))] for index in range(most)]


def _one_of(values: list[float], wanted: float) -> float:
    return wanted if wanted in values else values[0]


def _value_rows(table: pd.DataFrame, factor: float) -> Rows:
    names = ("panel", "x", "line", "value", "expanded_uncertainty", "bound")
    return [
        {
            "kind": "value",
            "panel": panel,
            "x": x,
            "series": line,
            "y": y * factor,
            "bound": int(bound),
            "shown": value_text(y * factor, u * factor, "", int(bound)),
        }
        for panel, x, line, y, u, bound in zip(*(table[name].tolist() for name in names), strict=True)
    ]


def _band_rows(table: pd.DataFrame, factor: float, shown: str) -> Rows:
    band = table[(table["line"] == shown) & (table["bound"] == 0)]
    columns = (band["panel"], band["x"], band["value"], band["expanded_uncertainty"])
    return [
        {"kind": "band", "panel": panel, "x": x, "series": shown, "low": (y - u) * factor, "high": (y + u) * factor}
        for panel, x, y, u in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _limits(report: Report, table: pd.DataFrame, plan: Plan) -> Rows:
    """Limit lines, unit by unit, since each limit is stated in its own."""
    _, factor = unit_of(plan.characteristic)
    own_unit = CHARACTERISTICS[plan.characteristic].unit
    table = table.assign(y=table["value"] * factor)
    lines: Rows = []
    by_unit: dict[str, list[Limit]] = {}
    for limit in report.part.limit:
        if limit.characteristic == plan.characteristic:
            by_unit.setdefault(limit.unit, []).append(limit)
    for unit, limits in by_unit.items():
        told = [axis for axis in AXES if axis != plan.x]
        lines += limit_rows(table, limits, "x", told, factor * to_si(1.0, unit) / to_si(1.0, own_unit))
    return lines


def extreme_text(table: pd.DataFrame, plan: Plan) -> str:
    """The value that stands out, with its uncertainty and condition."""
    unit, factor = unit_of(plan.characteristic)
    ordered = table["value"].abs() if plan.extreme == "largest" else table["value"]
    numbers = ordered.to_numpy()
    row = table.iloc[int(numbers.argmin() if plan.extreme == "lowest" else numbers.argmax())]
    value = value_text(row["value"] * factor, row["expanded_uncertainty"] * factor, unit, int(row["bound"]))
    where = condition_text({axis: row[axis] for axis in AXES})
    return f"{plan.extreme.capitalize()}: {value} at {where}."


def _band_text(figure: Panels, shown: str) -> str:
    """What the band is, and of which line; nothing if there is none, as where all values of the line are bounds."""
    if not any(row["kind"] == "band" for row in figure.rows):
        return ""
    of_line = f" of the line “{shown}”" if len(figure.series) > 1 else ""
    return f" Band: expanded uncertainty U{of_line}."


def _bounded_text(table: pd.DataFrame) -> str:
    """How many of the drawn values are bounds."""
    count = int((table["bound"] != 0).sum())
    if not count:
        return ""
    return f" {count} of {len(table)} values are bounds: the triangle points to where the true value lies."
