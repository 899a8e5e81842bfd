"""What a figure shows besides values: lines of a model that the values are held against, and single points of note.

Rule: a guide is drawn from numbers of the report alone, and only where none of them is a bound.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from reports.frames import AXES
from reports.wording import number_text

if TYPE_CHECKING:
    from reports.chart_parts import Rows
    from reports.summary import Report

THREE_TO_ONE = "3:1 from the lowest level"
ONE_DB_BELOW = "1 dB below the gain at the lowest level"
DIVIDER = "voltage divider with the fitted output resistance"

#: Third-order products rise 3 dB per dB of the tones, so relative to a tone 2 dB per dB.
_RELATIVE_SLOPE = 2.0

#: How far above the 3:1 line the knee is: its definition.
_KNEE_DB = 1.0

#: Fall of the gain at the compression point.
_COMPRESSION_DB = 1.0

#: Points of a curved guide; ours: no corner can be seen at this size.
_POINTS = 25

#: Bound → sign in front of the number.
_SIGNS = {0: "", 1: "≥ ", -1: "≤ "}


def third_order(report: Report, table: pd.DataFrame) -> Rows:
    """The 3:1 line through each line's lowest level, and the lowest knee of each panel."""
    rows: Rows = []
    highest = float(table["x"].max())
    for (panel, line), values in table.groupby(["panel", "line"], sort=False):
        first = values.iloc[int(values["x"].to_numpy().argmin())]
        if first["bound"]:
            continue
        for x in (float(first["x"]), highest):
            y = first["value"] + _RELATIVE_SLOPE * (x - first["x"])
            rows.append({"kind": "guide", "panel": panel, "series": line, "x": x, "y": y})
    return rows + _knees(report, table)


def compression(_report: Report, table: pd.DataFrame) -> Rows:
    """1 dB below the gain at the lowest level of each line."""
    rows: Rows = []
    for (panel, line), values in table.groupby(["panel", "line"], sort=False):
        small = float(values["value"].to_numpy()[values["x"].to_numpy().argmin()])
        for x in (float(table["x"].min()), float(table["x"].max())):
            rows.append({"kind": "guide", "panel": panel, "series": line, "x": x, "y": small - _COMPRESSION_DB})
    return rows


def _knees(report: Report, table: pd.DataFrame) -> Rows:
    knees = _beside(report, "im3_knee_level", table, "tone_level_dbm")
    rows: Rows = []
    for panel, found in knees.groupby("panel", sort=False):
        knee = found.iloc[int(found["value"].to_numpy().argmin())]
        level, highest = float(knee["value"]), float(table["x"].max())
        # Tones are measured, so the highest level of a bound may lie just beyond the highest setting that is drawn.
        x = min(level, highest) if knee["bound"] else level
        if not table["x"].min() <= x <= highest:
            continue
        lowest = table[(table["panel"] == panel) & (table["line"] == knee["line"])].sort_values("x").iloc[0]
        y = lowest["value"] + _RELATIVE_SLOPE * (x - lowest["x"]) + _KNEE_DB
        text = f"knee {_SIGNS[int(knee['bound'])]}{number_text(round(level, 1))} dBm, {knee['line']}"
        rows.append({"kind": "mark", "panel": panel, "x": x, "y": float(y), "text": text})
    return rows


def load_divider(report: Report, table: pd.DataFrame) -> Rows:
    """Level against load as the fitted output resistance has it, per line: the fit that the resistance came from."""
    fitted = _beside(report, "output_resistance", table, "load_ohm")
    fitted = fitted[fitted["bound"] == 0]
    resistances_ohm: list[float] = fitted["value"].tolist()
    named = list(zip(fitted["panel"].tolist(), fitted["line"].tolist(), resistances_ohm, strict=True))
    reference = report.part.part.reference_load_ohm
    low, high = math.log(table["x"].min()), math.log(table["x"].max())
    loads = [math.exp(low + (high - low) * place / (_POINTS - 1)) for place in range(_POINTS)]
    return [
        {"kind": "guide", "panel": panel, "series": line, "x": load, "y": _change_db(load, reference, ohm)}
        for panel, line, ohm in named
        for load in loads
    ]


def _change_db(load_ohm: float, reference_ohm: float, output_ohm: float) -> float:
    """Level into a load against that into the reference load, dB, behind an output resistance: V ∝ R/(R + Ro), V²/R."""

    def level_db(ohm: float) -> float:
        return 20 * math.log10(ohm / (ohm + output_ohm)) - 10 * math.log10(ohm)

    return level_db(load_ohm) - level_db(reference_ohm)


def _beside(report: Report, characteristic: str, table: pd.DataFrame, along: str) -> pd.DataFrame:
    """Rows of another characteristic with the panel and line of the rows of ``table`` that they go with.

    They agree on every axis but ``along``, the one that the other characteristic was made over.
    """
    every = report.characteristics
    other = every[every["characteristic"] == characteristic]
    other = other.astype({axis: "str" for axis, kind in AXES.items() if kind == "str"})
    same = [axis for axis in AXES if axis != along]
    return other[[*same, "value", "bound"]].merge(table[[*same, "panel", "line"]].drop_duplicates(), on=same)
