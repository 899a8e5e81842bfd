"""Report → CSV text for spreadsheets and other tools: RFC 4180 (CRLF, quotes where needed), units in head or column.

Rule: numbers are written in full, so that reading the file gives the same floats; rounding is for people.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Collection
from typing import TYPE_CHECKING

from reports.cascade_table import MEASURED
from reports.frames import AXES, READINGS

if TYPE_CHECKING:
    import pandas as pd

    from reports.summary import Report

#: Lines that are made at once. Ours: as Python's numbers, all lines of a long run would take gigabytes.
CHUNK = 100_000

_BOUNDS = {0: "measured", 1: "at least", -1: "at most"}


def characteristics_csv(report: Report) -> str:
    """One line per characteristic and condition: axes, value, uncertainties, dof, bound in words, unit, flag.

    ``standard_uncertainty``, ``expanded_uncertainty`` and ``value`` are in ``unit``; infinite degrees of freedom are
    ``inf``.
    """
    columns = ["characteristic", "condition", *AXES, "value", "standard_uncertainty", "expanded_uncertainty", "dof"]
    table = report.characteristics[[*columns, "bound", "unit", "flag"]]
    return _text(table.assign(bound=table["bound"].map(_BOUNDS)))


def cascades_csv(report: Report) -> str:
    """One line per cascade, combination of gain codes, point and quantity, as ``reports.cascade_table`` made them.

    ``value``, ``measured`` and their uncertainties are in ``unit``, ``difference``, measured less predicted, and its
    own in dB; blank where nothing was measured and beyond a cascade's stages; the bound in words.
    """
    table = report.cascades
    missing = [name for name in map(str, table.columns) if name.startswith("gain_code_") or name in MEASURED]
    return _text(table.assign(bound=table["bound"].map(_BOUNDS)), blank=missing)


def readings_csv(report: Report) -> str:
    """One line per reading, untouched: condition, axes, repeat, quantity, value, unit."""
    table = report.readings.join(report.conditions[list(AXES)], on="condition")
    quantities = table["quantity"].astype(str)
    table = table.assign(quantity=quantities, unit=quantities.map(READINGS))
    return _text(table[["condition", *AXES, "repeat", "quantity", "value", "unit"]])


def pooled_csv(pooled: pd.DataFrame) -> str:
    """One line per limit and condition that several units have, as ``reports.pooled`` made them; blank for none."""
    return _text(pooled.astype(object).where(pooled.notna(), ""))


def _text(table: pd.DataFrame, blank: Collection[str] = ()) -> str:
    """The table as CSV text; in the columns ``blank`` what is missing is an empty field."""
    # The csv module and not pandas' writer: it writes a float as Python does, shortest text that reads back the same,
    # and takes half the time.
    lines = io.StringIO(newline="")
    writer = csv.writer(lines)
    writer.writerow(table.columns)
    for start in range(0, len(table), CHUNK):
        part = table.iloc[start : start + CHUNK]
        columns = [part[name] for name in part.columns]
        filled = [one.astype(object).where(one.notna(), "") if one.name in blank else one for one in columns]
        writer.writerows(zip(*(one.tolist() for one in filled), strict=True))
    return lines.getvalue()
