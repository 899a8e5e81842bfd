"""Report → figures as SVG text: the same bytes for the same report.

Rule: a figure that the run has no data for is left out, never drawn empty.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from typing import TYPE_CHECKING

from reports.characteristics import CHARACTERISTICS
from reports.explanations import GROUPS, OTHER
from reports.margin_chart import margin_chart
from reports.panel_figures import Figure, Plan, by_mode, panels, rows_of
from reports.svg_text import svg_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from reports.summary import Report

#: Section of the figures that show all limits at once.
OVERVIEW = "Overview"

_PANELS = (
    Plan("oip3_by_gain_code", "oip3", "OIP3 at each gain code", "gain_code", "temperature_c", "lowest"),
    Plan("oip3_by_temperature", "oip3", "OIP3 over temperature", "temperature_c", "gain_code", "lowest"),
    Plan("oip3_by_load", "oip3", "OIP3 into each load", "load_ohm", "temperature_c", "lowest"),
    Plan("oip3_by_level", "oip3", "OIP3 over tone level", "tone_level_dbm", "gain_code", "lowest"),
    Plan("hd2", "hd2", "Second harmonic at each gain code", "gain_code", "temperature_c", "highest"),
    Plan("hd3", "hd3", "Third harmonic at each gain code", "gain_code", "temperature_c", "highest"),
    Plan("gain_step_error", "gain_step_error", "Error of each gain step", "gain_code", "temperature_c", "largest"),
    Plan(
        "cumulative_gain_error",
        "cumulative_gain_error",
        "Gain error added up from the highest gain",
        "gain_code",
        "temperature_c",
        "largest",
    ),
    Plan("gain_match", "gain_match", "Gain match between channels", "gain_code", "temperature_c", "largest"),
)

_BY_MODE = (
    Plan(
        "supply_current", "supply_current", "Supply current over temperature", "temperature_c", "supply_mode", "highest"
    ),
    Plan(
        "supply_current_drift",
        "supply_current_drift",
        "Supply-current drift over temperature",
        "temperature_c",
        "supply_mode",
        "largest",
    ),
)

#: Not drawn: parts of another figure, or the same curve in another unit.
_SHOWN_ELSEWHERE = frozenset(
    {"oip3_lower", "oip3_upper", "gain", "supply_current_change", "supply_current_box", "supply_power"}
)

#: Axes that may run to the right in a figure nobody has planned; the first that the run sweeps is taken.
_HABITUAL_X = ("gain_code", "temperature_c", "tone_level_dbm", "load_ohm", "frequency_hz")


def draw_figures(report: Report) -> tuple[Figure, ...]:
    """All figures that the run has data for: the overview of the margins, then group by group."""
    drawn = [figure for figure in (draw(report) for draw in _drawings(report)) if figure is not None]
    order = (OVERVIEW, *GROUPS, OTHER)
    return tuple(sorted(drawn, key=lambda figure: order.index(figure.group)))


def _drawings(report: Report) -> Iterator[Callable[[Report], Figure | None]]:
    yield _margins
    yield from (partial(panels, plan=plan) for plan in _PANELS)
    yield from (partial(by_mode, plan=plan) for plan in _BY_MODE)
    planned = {plan.characteristic for plan in (*_PANELS, *_BY_MODE)} | _SHOWN_ELSEWHERE
    held = set(report.characteristics["characteristic"].unique())
    unplanned = [word for word in CHARACTERISTICS if word in held - planned]
    plans = (_habitual_plan(report, word) for word in unplanned)
    yield from (partial(panels, plan=plan) for plan in plans if plan is not None)


def _habitual_plan(report: Report, characteristic: str) -> Plan | None:
    """A figure over the first axis that is swept, for a characteristic that has no plan of its own."""
    table = rows_of(report, characteristic)
    swept = [axis for axis in _HABITUAL_X if table[axis].nunique() > 1]
    if not swept:
        return None
    series = "temperature_c" if swept[0] != "temperature_c" else "gain_code"
    title = CHARACTERISTICS[characteristic].title
    return Plan(characteristic, characteristic, title, swept[0], series, "highest")


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
    return Figure("margins", title, caption, svg_text(chart, "margins", title), OVERVIEW)
