"""Report → figures as SVG text: the same bytes for the same report.

Rule: a figure that the run has no data for is left out, never drawn empty. Nothing is derived here beyond choosing rows
and, for supply currents, their mean and span at a temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.chart_parts import Rows, category_colours, commonest_slice, limit_rows, temperature_colours
from reports.frames import AXES
from reports.margin_chart import margin_chart
from reports.panels_chart import Panels, panels_chart
from reports.svg_text import svg_text
from reports.wording import axis_text, condition_text, shown_unit, value_text
from sequences.units import to_si

if TYPE_CHECKING:
    from reports.summary import Report
    from sequences.part_file import Limit

_AXIS_TITLES = {
    "gain_code": "Gain code",
    "temperature_c": "Temperature / °C",
    "load_ohm": "Differential load / Ω",
}

#: Most gain codes that one figure tells apart by colour; more lines cannot be followed.
_MOST_CODES = 4


@dataclass(frozen=True, slots=True)
class Figure:
    """One drawing: ``name`` is its file name without ending, ``caption`` says what is drawn and what stands out."""

    name: str
    title: str
    caption: str
    svg: str


@dataclass(frozen=True, slots=True)
class _Plan:
    """One figure of a characteristic: what runs to the right, what the colours tell apart, what to point at."""

    name: str
    characteristic: str
    heading: str
    x: str
    series: str
    extreme: Literal["lowest", "highest", "largest"]


_PANEL_PLANS = (
    _Plan("oip3_by_gain_code", "oip3", "OIP3 at each gain code", "gain_code", "temperature_c", "lowest"),
    _Plan("oip3_by_temperature", "oip3", "OIP3 over temperature", "temperature_c", "gain_code", "lowest"),
    _Plan("oip3_by_load", "oip3", "OIP3 into each load", "load_ohm", "temperature_c", "lowest"),
    _Plan("gain_step_error", "gain_step_error", "Error of each gain step", "gain_code", "temperature_c", "largest"),
    _Plan(
        "cumulative_gain_error",
        "cumulative_gain_error",
        "Gain error added up from the highest gain",
        "gain_code",
        "temperature_c",
        "largest",
    ),
    _Plan("gain_match", "gain_match", "Gain match between channels", "gain_code", "temperature_c", "largest"),
    _Plan("hd2", "hd2", "Second harmonic at each gain code", "gain_code", "temperature_c", "highest"),
    _Plan("hd3", "hd3", "Third harmonic at each gain code", "gain_code", "temperature_c", "highest"),
)

_MODE_PLANS = (
    _Plan(
        "supply_current", "supply_current", "Supply current over temperature", "temperature_c", "supply_mode", "highest"
    ),
    _Plan(
        "supply_current_drift",
        "supply_current_drift",
        "Supply-current drift over temperature",
        "temperature_c",
        "supply_mode",
        "largest",
    ),
)


def draw_figures(report: Report) -> tuple[Figure, ...]:
    """All figures that the run has data for, the overview of the margins first."""
    figures = [_margins(report)]
    figures += [_panels(report, plan) for plan in _PANEL_PLANS]
    figures += [_by_mode(report, plan) for plan in _MODE_PLANS]
    return tuple(figure for figure in figures if figure is not None)


def _margins(report: Report) -> Figure | None:
    chart = margin_chart(report.limits)
    if chart is None:
        return None
    title = "Margin of each limit against its uncertainty"
    caption = (
        "Margin of the worst condition of each limit, in multiples of its expanded uncertainty U; the bar is ± U. "
        "From 1 on the limit is kept with the guard band, below 0 the value lies beyond the limit. "
        "The scale is linear between −1 and 1 and logarithmic outside."
    )
    return Figure("margins", title, caption, svg_text(chart, "margins", title))


def _panels(report: Report, plan: _Plan) -> Figure | None:
    table = _table(report, plan.characteristic)
    if table.empty:
        return None
    fixed_axes = [axis for axis in AXES if axis not in (plan.x, plan.series, "channel", "supply_mode")]
    table, fixed = commonest_slice(table, fixed_axes)
    if plan.series == "gain_code":
        table = table[table["gain_code"].isin(_spread(sorted(table["gain_code"].unique()), _MOST_CODES))]
    if table[plan.x].nunique() < 2:
        return None
    first = report.part.part.channels[0]
    before = f"{first} minus " if plan.characteristic == "gain_match" else "Channel "
    table = table.assign(panel=before + table["channel"] + ", " + table["supply_mode"] + " mode")
    unit, factor = _unit(plan.characteristic)
    names = sorted(table[plan.series].unique())
    shown = _one_of(names, report.sequence.sequence.reference_temperature_c)
    is_temperature = plan.series == "temperature_c"
    modes = table["supply_mode"].nunique()
    panels = table.sort_values(["channel", "supply_mode"], key=lambda column: column.map(_rank(report)))["panel"]
    figure = Panels(
        title=plan.heading,
        subtitle=f"at {condition_text(fixed)}",
        rows=_value_rows(table, plan, factor) + _band_rows(table, plan, factor, shown) + _limits(report, table, plan),
        panels=tuple(panels.unique()),
        columns=modes if modes > 1 else 2,
        x_title=_AXIS_TITLES[plan.x],
        y_title=f"{CHARACTERISTICS[plan.characteristic].title} / {unit}",
        series_title="Temperature" if is_temperature else "Gain code",
        series=tuple(axis_text(plan.series, name) for name in names),
        colours=tuple(temperature_colours(len(names))) if is_temperature else category_colours(len(names)),
        x_ticks=() if plan.x == "gain_code" else tuple(sorted(table[plan.x].unique())),
        x_log=plan.x == "load_ohm",
        markers=not is_temperature,
    )
    caption = f"{_extreme_text(table, plan)} Band: expanded uncertainty U of the {axis_text(plan.series, shown)} line."
    return Figure(plan.name, plan.heading, caption, svg_text(panels_chart(figure), plan.name, plan.heading))


def _by_mode(report: Report, plan: _Plan) -> Figure | None:
    table = _table(report, plan.characteristic)
    if table.empty or table["temperature_c"].nunique() < 2:
        return None
    unit, factor = _unit(plan.characteristic)
    table = table.assign(panel="")
    rows: Rows = []
    for (mode, temperature), values in table.groupby(["supply_mode", "temperature_c"])["value"]:
        place = {"panel": "", "x": temperature, "series": mode}
        rows.append({**place, "kind": "value", "y": values.mean() * factor, "bound": 0})
        rows.append({**place, "kind": "band", "low": values.min() * factor, "high": values.max() * factor})
    modes = sorted(table["supply_mode"].unique(), key=_rank(report).__getitem__)
    figure = Panels(
        title=plan.heading,
        subtitle="all gain codes, loads, levels, frequencies and channels",
        rows=rows + _limits(report, table, plan),
        panels=("",),
        columns=1,
        x_title=_AXIS_TITLES["temperature_c"],
        y_title=f"{CHARACTERISTICS[plan.characteristic].title} / {unit}",
        series_title="Supply mode",
        series=tuple(modes),
        colours=category_colours(len(modes)),
        x_ticks=tuple(sorted(table["temperature_c"].unique())),
        markers=True,
        width=640,
        height=260,
    )
    caption = f"{_extreme_text(table, plan)} Line: mean of all conditions at a temperature; band: lowest to highest."
    return Figure(plan.name, plan.heading, caption, svg_text(panels_chart(figure), plan.name, plan.heading))


def _table(report: Report, characteristic: str) -> pd.DataFrame:
    """Rows of one characteristic in the order of the axes, so that no choice below depends on the order of the run."""
    table = report.characteristics
    table = table[table["characteristic"] == characteristic]
    # Names may come as categories, which neither join as text nor group without their absent members.
    texts = {axis: "str" for axis, kind in AXES.items() if kind == "str"}
    return table.astype(texts).sort_values(list(AXES), kind="stable")


def _unit(characteristic: str) -> tuple[str, float]:
    """The unit to draw in, and the factor from that of the tables."""
    return shown_unit(CHARACTERISTICS[characteristic].unit)


def _rank(report: Report) -> dict[str, int]:
    """Channels and modes in the order of the part file."""
    names = (*report.part.part.channels, *report.part.modes)
    return {name: place for place, name in enumerate(names)}


def _spread(values: list[int], most: int) -> list[int]:
    """At most ``most`` values, evenly spread, both ends included."""
    if len(values) <= most:
        return values
    return [values[round(index * (len(values) - 1) / (most - 1))] for index in range(most)]


def _one_of(values: list[float], wanted: float) -> float:
    return wanted if wanted in values else values[0]


def _value_rows(table: pd.DataFrame, plan: _Plan, factor: float) -> Rows:
    columns = (table["panel"], table[plan.x], table[plan.series], table["value"], table["bound"])
    return [
        {
            "kind": "value",
            "panel": panel,
            "x": x,
            "series": axis_text(plan.series, series),
            "y": y * factor,
            "bound": int(b),
        }
        for panel, x, series, y, b in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _band_rows(table: pd.DataFrame, plan: _Plan, factor: float, shown: float) -> Rows:
    band = table[(table[plan.series] == shown) & (table["bound"] == 0)]
    columns = (band["panel"], band[plan.x], band["value"], band["expanded_uncertainty"])
    name = axis_text(plan.series, shown)
    return [
        {"kind": "band", "panel": panel, "x": x, "series": name, "low": (y - u) * factor, "high": (y + u) * factor}
        for panel, x, y, u in zip(*(column.tolist() for column in columns), strict=True)
    ]


def _limits(report: Report, table: pd.DataFrame, plan: _Plan) -> Rows:
    """Limit lines, unit by unit, since each limit is stated in its own."""
    shown, factor = _unit(plan.characteristic)
    table = table.assign(y=table["value"] * factor)
    lines: Rows = []
    by_unit: dict[str, list[Limit]] = {}
    for limit in report.part.limit:
        if limit.characteristic == plan.characteristic:
            by_unit.setdefault(limit.unit, []).append(limit)
    for unit, limits in by_unit.items():
        told = [axis for axis in AXES if axis != plan.x]
        lines += limit_rows(table, limits, plan.x, told, to_si(1.0, unit) / to_si(1.0, shown))
    return lines


def _extreme_text(table: pd.DataFrame, plan: _Plan) -> str:
    """The value that stands out, with its uncertainty and condition."""
    unit, factor = _unit(plan.characteristic)
    ordered = table["value"].abs() if plan.extreme == "largest" else table["value"]
    numbers = ordered.to_numpy()
    row = table.iloc[int(numbers.argmin() if plan.extreme == "lowest" else numbers.argmax())]
    value = value_text(row["value"] * factor, row["expanded_uncertainty"] * factor, unit, int(row["bound"]))
    where = condition_text({axis: row[axis] for axis in AXES})
    return f"{plan.extreme.capitalize()}: {value} at {where}."
