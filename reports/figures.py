"""Report → figures as SVG text: the same bytes for the same report.

Rule: a figure that the run has no data for is left out, never drawn empty.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from reports import guides
from reports.cascade_chart import cascade_figures
from reports.characteristics import CHARACTERISTICS
from reports.explanations import GROUPS, OTHER
from reports.heat_map import heat_map
from reports.live import live_cells
from reports.margin_chart import margin_chart, margin_table
from reports.night_line import GROUP as COURSE
from reports.night_line import night_line
from reports.panel_figures import Figure, Plan, by_mode, compact, compared, panels, rows_of
from reports.svg_text import svg_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from reports.summary import Report

#: Section of the figures that show all limits at once.
OVERVIEW = "Overview"

_CODE, _TEMPERATURE, _LEVEL, _LOAD = "gain_code", "temperature_c", "tone_level_dbm", "load_ohm"

#: The figures that were thought about, in the order in which each group shows them.
_DRAWINGS: tuple[tuple[Callable[[Report, Plan], Figure | None], Plan], ...] = (
    (panels, Plan("oip3_by_gain_code", "oip3", "OIP3 at each gain code", _CODE, _TEMPERATURE, "lowest")),
    (panels, Plan("oip3_by_temperature", "oip3", "OIP3 over temperature", _TEMPERATURE, _CODE, "lowest")),
    (panels, Plan("oip3_by_level", "oip3", "OIP3 over tone level", _LEVEL, _CODE, "lowest")),
    (
        panels,
        Plan(
            "im3_by_level", "im3", "Third-order product over tone level", _LEVEL, _CODE, "highest",
            guides.third_order, guides.THREE_TO_ONE,
        ),
    ),
    (panels, Plan("im3_slope", "im3_slope", "Slope of the third-order product", _LEVEL, _CODE, "highest")),
    (compact, Plan("im3_knee_level", "im3_knee_level", "Knee over temperature", _TEMPERATURE, _CODE, "lowest")),
    (panels, Plan("oip2", "oip2", "OIP2 at each gain code", _CODE, _TEMPERATURE, "lowest")),
    (panels, Plan("hd2", "hd2", "Second harmonic at each gain code", _CODE, _TEMPERATURE, "highest")),
    (panels, Plan("hd3", "hd3", "Third harmonic at each gain code", _CODE, _TEMPERATURE, "highest")),
    (panels, Plan("gain_step_error", "gain_step_error", "Error of each gain step", _CODE, _TEMPERATURE, "largest")),
    (
        heat_map,
        Plan(
            "gain_step_error_map", "gain_step_error", "Error of each gain step over code and temperature", _CODE,
            _TEMPERATURE, "largest",
        ),
    ),
    (
        panels,
        Plan(
            "cumulative_gain_error", "cumulative_gain_error", "Gain error added up from the highest gain", _CODE,
            _TEMPERATURE, "largest",
        ),
    ),
    (
        partial(
            compared,
            words={
                "cumulative_gain_error": "added up from the highest gain",
                "gain_end_point_error": "from the end-point line",
                "gain_best_fit_error": "from the best-fit line",
            },
        ),
        Plan("gain_errors", "gain_end_point_error", "Three ways to state a gain error", _CODE, _TEMPERATURE, "largest"),
    ),
    (compact, Plan("gain_range", "gain_range", "Gain range over temperature", _TEMPERATURE, _CODE, "lowest")),
    (compact, Plan("gain_monotonicity", "gain_monotonicity", "Smallest gain step", _TEMPERATURE, _CODE, "lowest")),
    (compact, Plan("gain_tempco", "gain_tempco", "Gain temperature coefficient", _CODE, _TEMPERATURE, "largest")),
    (panels, Plan("gain_flatness", "gain_flatness", "Gain flatness over frequency", _TEMPERATURE, _CODE, "highest")),
    (panels, Plan("phase_change", "phase_change", "Phase change over gain codes", _CODE, _TEMPERATURE, "largest")),
    (
        panels,
        Plan("small_signal_flatness", "small_signal_flatness", "Small-signal flatness", _CODE, _TEMPERATURE, "highest"),
    ),
    (panels, Plan("gain_match", "gain_match", "Gain match between channels", _CODE, _TEMPERATURE, "largest")),
    (
        panels,
        Plan(
            "small_signal_gain_match", "small_signal_gain_match", "Small-signal gain match", _CODE, _TEMPERATURE,
            "largest",
        ),
    ),
    (panels, Plan("phase_match", "phase_match", "Phase match between channels", _CODE, _TEMPERATURE, "largest")),
    (
        panels,
        Plan("image_rejection", "image_rejection", "Image rejection at each code", _CODE, _TEMPERATURE, "lowest"),
    ),
    (by_mode, Plan("supply_current", "supply_current", "Supply current over temperature", _TEMPERATURE, "", "highest")),
    (
        by_mode,
        Plan(
            "supply_current_drift", "supply_current_drift", "Supply-current drift over temperature", _TEMPERATURE, "",
            "largest",
        ),
    ),
    (by_mode, Plan("mode_power_saving", "mode_power_saving", "Power saved by the mode", _TEMPERATURE, "", "lowest")),
    (by_mode, Plan("dissipated_power", "dissipated_power", "Power turned into heat", _TEMPERATURE, "", "highest")),
    (
        compact,
        Plan(
            "level_load_change", "level_load_change", "Output level into each load", _LOAD, _TEMPERATURE, "lowest",
            guides.load_divider, guides.DIVIDER,
        ),
    ),
    (panels, Plan("oip3_by_load", "oip3", "OIP3 into each load", _LOAD, _TEMPERATURE, "lowest", group="Load")),
    (compact, Plan("output_resistance", "output_resistance", "Output resistance", _TEMPERATURE, _CODE, "highest")),
    (panels, Plan("noise_figure", "noise_figure", "Noise figure at each gain code", _CODE, _TEMPERATURE, "highest")),
    (
        panels,
        Plan(
            "compression", "single_gain", "Gain of a single tone over its level", _LEVEL, _CODE, "lowest",
            guides.compression, guides.ONE_DB_BELOW,
        ),
    ),
    (panels, Plan("op1db", "op1db", "Compression point at each gain code", _CODE, _TEMPERATURE, "lowest")),
)  # fmt: skip

#: Not drawn: parts of another figure, the same curve in another unit, or one number for all temperatures.
_SHOWN_ELSEWHERE = frozenset(
    {
        "oip3_lower", "oip3_upper", "im3_departure_level", "gain", "gain_step", "gain_best_fit_error",
        "supply_current_change", "supply_current_box", "supply_current_slope", "supply_power", "oip3_load_change",
        "series_resistor", "series_resistor_loss", "noise_figure_y", "noise_figure_gain", "small_signal_gain",
        "phase",
    }
)  # fmt: skip

#: Axes that may run to the right in a figure nobody has planned; the first that the run sweeps is taken.
_HABITUAL_X = ("gain_code", "temperature_c", "tone_level_dbm", "load_ohm", "frequency_hz")


def draw_figures(report: Report) -> tuple[Figure, ...]:
    """All figures that the run has data for: the overview of the margins, then group by group."""
    figures = [_margins(report), *(draw(report, plan) for draw, plan in _DRAWINGS)]
    figures += [panels(report, plan) for plan in _unplanned(report)]
    figures += [*cascade_figures(report), night_line(report)]
    order = (OVERVIEW, *GROUPS, OTHER, COURSE)
    return tuple(sorted((one for one in figures if one is not None), key=lambda figure: order.index(figure.group)))


def _unplanned(report: Report) -> list[Plan]:
    """Plans for what the run holds and nobody planned a figure of, in the order of the definitions."""
    planned = {plan.characteristic for _, plan in _DRAWINGS} | _SHOWN_ELSEWHERE
    held = set(report.characteristics["characteristic"].unique())
    plans = [_habitual_plan(report, word) for word in CHARACTERISTICS if word in held - planned]
    return [plan for plan in plans if plan is not None]


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
        "The dashed lines at −1, 0 and 1 part fail, conditional fail, conditional pass and pass where w = U; "
        "below 0 the value lies beyond the limit. "
        "The scale is linear between −1 and 1 and logarithmic outside."
    )
    live = live_cells(chart, {"name": "Limit", "text": "Margin", "worst": "Worst value", "decision": "Decision"})
    table = margin_table(report.limits)
    return Figure("margins", title, caption, svg_text(chart, "margins", title), OVERVIEW, live, table)
