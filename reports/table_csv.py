"""Table → CSV text for spreadsheets and other tools: RFC 4180 (CRLF, quotes where needed), units in head or column.

Rule: numbers are written in full, so that reading the file gives the same floats; rounding is for people. What is
missing is an empty field. Texts stay as they are, also one that a spreadsheet would take for a formula.

The data dictionary is a table like the others. W3C's metadata vocabulary for CSV would be the other way; its numbers
know ``INF`` and not ``inf``, which is what Python and pandas write and read (from memory, not seen).
"""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

from reports import tables

if TYPE_CHECKING:
    import pandas as pd

    from reports.summary import Report
    from reports.tables import Table

#: Lines that are made at once. Ours: as Python's numbers, all lines of a long run would take gigabytes.
CHUNK = 100_000


def table_csv(table: Table) -> str:
    """The table as CSV text; times are ISO 8601 in UTC, infinite numbers ``inf``."""
    return _text(table.frame)


def dictionary_csv(tables_of_run: dict[str, Table]) -> str:
    """The data dictionary of these tables, see ``reports.tables.dictionary``."""
    return _text(tables.dictionary(tables_of_run))


def characteristics_csv(report: Report) -> str:
    """One line per characteristic and condition: axes, value, uncertainties, dof, bound in words, unit, flag.

    ``standard_uncertainty``, ``expanded_uncertainty`` and ``value`` are in ``unit``; infinite degrees of freedom are
    ``inf``.
    """
    return table_csv(tables.characteristics(report))


def cascades_csv(report: Report) -> str:
    """One line per cascade, combination of gain codes, point and quantity, as ``reports.cascade_table`` made them.

    ``value``, ``measured`` and their uncertainties are in ``unit``, ``difference``, measured less predicted, and its
    own in dB; blank where nothing was measured and beyond a cascade's stages; the bound in words.
    """
    return table_csv(tables.cascades(report))


def readings_csv(report: Report) -> str:
    """One line per reading, untouched: condition, axes, repeat, quantity, value, unit."""
    return table_csv(tables.readings(report))


def pooled_csv(pooled: pd.DataFrame) -> str:
    """One line per limit and condition that several units have, as ``reports.pooled`` made them; blank for none."""
    return _text(pooled)


def differences_csv(differences: pd.DataFrame) -> str:
    """One line per pair of runs, characteristic and condition, as ``reports.comparison`` made them; blank for none."""
    return _text(differences)


def _text(table: pd.DataFrame) -> str:
    """The table as CSV text."""
    # The csv module and not pandas' writer: it writes a float as Python does, shortest text that reads back the same,
    # and takes half the time.
    lines = io.StringIO(newline="")
    writer = csv.writer(lines)
    writer.writerow(table.columns)
    for start in range(0, len(table), CHUNK):
        part = table.iloc[start : start + CHUNK]
        columns = [part[name] for name in part.columns]
        filled = [one.astype(object).where(one.notna(), "") if one.hasnans else one for one in columns]
        writer.writerows(zip(*(one.tolist() for one in filled), strict=True))
    return lines.getvalue()
