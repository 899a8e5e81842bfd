"""Report → CSV text for spreadsheets and other tools: RFC 4180 (CRLF, quotes where needed), units in head or column.

Rule: numbers are written in full, so that reading the file gives the same floats; rounding is for people.
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from reports.frames import AXES, READINGS

if TYPE_CHECKING:
    import pandas as pd

    from reports.summary import Report

_BOUNDS = {0: "measured", 1: "at least", -1: "at most"}


def characteristics_csv(report: Report) -> str:
    """One line per characteristic and condition: axes, value, uncertainties, dof, bound in words, unit, flag.

    ``standard_uncertainty``, ``expanded_uncertainty`` and ``value`` are in ``unit``; infinite degrees of freedom are
    ``inf``.
    """
    columns = ["characteristic", "condition", *AXES, "value", "standard_uncertainty", "expanded_uncertainty", "dof"]
    table = report.characteristics[[*columns, "bound", "unit", "flag"]]
    return _text(table.assign(bound=table["bound"].map(_BOUNDS)))


def readings_csv(report: Report) -> str:
    """One line per reading, untouched: condition, axes, repeat, quantity, value, unit."""
    table = report.readings.join(report.conditions[list(AXES)], on="condition")
    quantities = table["quantity"].astype(str)
    table = table.assign(quantity=quantities, unit=quantities.map(READINGS))
    return _text(table[["condition", *AXES, "repeat", "quantity", "value", "unit"]])


def pooled_csv(pooled: pd.DataFrame) -> str:
    """One line per limit and condition that several units have, as ``reports.pooled`` made them; blank for none."""
    return _text(pooled.astype(object).where(pooled.notna(), ""))


def _text(table: pd.DataFrame) -> str:
    # The csv module and not pandas' writer: it writes a float as Python does, shortest text that reads back the same,
    # and takes half the time.
    lines = io.StringIO(newline="")
    writer = csv.writer(lines)
    writer.writerow(table.columns)
    writer.writerows(zip(*(table[column].tolist() for column in table.columns), strict=True))
    return lines.getvalue()
