"""Report → the tables that leave the tool, each with its columns explained; every format and a notebook take these.

Rule: nothing is derived here and nothing rounded; what is missing is NaN, NA, None or NaT, and never a number.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.columns import (
    BOUND_WORDS,
    FIXED,
    Column,
    named,
    of_cascades,
    of_characteristics,
    of_readings,
    reading_meaning,
)
from reports.frames import AXES, READINGS
from reports.wording import difference_unit

if TYPE_CHECKING:
    from reports.summary import LimitResult, Report

#: What tells the rows of the table of readings by condition apart.
_KEYS = ["condition", "repeat"]


@dataclass(frozen=True, eq=False)
class Table:
    """One table: its frame has exactly the columns that ``columns`` explain, in their order."""

    name: str
    frame: pd.DataFrame
    columns: tuple[Column, ...]


def run_tables(report: Report, swept: pd.DataFrame | None = None) -> dict[str, Table]:
    """Every table of a run by its name; cascades and curves only where the run has any.

    Args:
        report: The run, derived.
        swept: S-parameters, ``RunFrames.curves``.
    """
    made = {name: make(report) for name, make in _MAKERS.items()}
    if not report.cascades.empty:
        made["cascades"] = cascades(report)
    if swept is not None and not swept.empty:
        made["curves"] = curves(report, swept)
    return made


def characteristics(report: Report) -> Table:
    """One row for each characteristic and condition; infinite degrees of freedom are ``inf``."""
    frame = report.characteristics.assign(bound=_bound_words(report.characteristics["bound"]))
    return _table("characteristics", frame)


def characteristics_by_condition(report: Report) -> Table:
    """One row for each condition; of each characteristic value, U and bound, with the unit in the column's name."""
    long, numbers = report.characteristics, report.conditions.index
    columns: dict[str, object] = {"condition": numbers.to_numpy()}
    columns |= {axis: report.conditions[axis].to_numpy() for axis in (*AXES, "flag")}
    present = set(long["characteristic"].unique())
    words = [word for word in CHARACTERISTICS if word in present]
    for word in words:
        rows = long[long["characteristic"] == word]
        where = numbers.get_indexer(pd.Index(rows["condition"]))
        unit = CHARACTERISTICS[word].unit
        columns[named(word, unit)] = _spread(rows["value"], where, len(numbers))
        columns[named(f"{word}_u", difference_unit(unit))] = _spread(rows["expanded_uncertainty"], where, len(numbers))
        codes = np.full(len(numbers), -1, dtype=np.int64)
        codes[where] = rows["bound"].map({flag: n for n, flag in enumerate(BOUND_WORDS)}).to_numpy()
        columns[f"{word}_bound"] = pd.Categorical.from_codes(codes, categories=pd.Index(BOUND_WORDS.values()))
    return _table("characteristics_by_condition", pd.DataFrame(columns), of_characteristics(words))


def readings(report: Report) -> Table:
    """One row for each reading, untouched, beside the swept values of its condition."""
    table = _with_axes(report.readings, report.conditions)
    quantity = table["quantity"].astype("category")
    return _table("readings", table.assign(quantity=quantity, unit=quantity.map(READINGS)))


def readings_by_condition(report: Report) -> Table:
    """One row for each condition and repeat; a column for each quantity, with the unit in its name."""
    long = report.readings
    there = set(long["quantity"].unique())
    quantities = [name for name in READINGS if name in there]
    keys = pd.MultiIndex.from_frame(long[_KEYS].drop_duplicates().sort_values(_KEYS))
    columns: dict[str, object] = {name: keys.get_level_values(name).to_numpy() for name in _KEYS}
    for name in quantities:
        rows = long[long["quantity"] == name]
        where = keys.get_indexer(pd.MultiIndex.from_frame(rows[_KEYS]))
        columns[name] = _spread(rows["value"], where, len(keys))
    explained = of_readings((name, READINGS[name]) for name in quantities)
    return _table("readings_by_condition", _with_axes(pd.DataFrame(columns), report.conditions), explained)


def conditions(report: Report) -> Table:
    """One row for each condition that is complete or was skipped, in run order."""
    done = report.conditions.assign(state="complete", reason=None)
    skipped = report.skipped.assign(state="skipped", flag="")
    # What is complete may be complete after it was skipped: then it is not among the skipped any more.
    frame = pd.concat([done, skipped] if len(skipped) else [done]).sort_index(kind="stable")
    return _table("conditions", frame.rename_axis("condition").reset_index())


def decisions(report: Report) -> Table:
    """One row for each limit of the part file."""
    rows = [_decision(number, limit) for number, limit in enumerate(report.limits, start=1)]
    names = [column.name for column in FIXED["decisions"]]
    return _table("decisions", pd.DataFrame(rows, columns=names))


def events(report: Report) -> Table:
    """One row for each event of the run, in order."""
    at = pd.to_datetime(report.events["at"], utc=True).astype("datetime64[us, UTC]")
    return _table("events", report.events.assign(at=at))


def cascades(report: Report) -> Table:
    """One row for each cascade, combination of gain codes, point and quantity, see ``reports.cascade_table``."""
    frame = report.cascades.assign(bound=_bound_words(report.cascades["bound"]))
    return _table("cascades", frame, of_cascades(map(str, frame.columns)))


def curves(report: Report, swept: pd.DataFrame) -> Table:
    """One row for each condition, repeat and frequency of a sweep, with the S-parameters that were read."""
    named_apart = swept.rename(columns={"frequency_hz": "sweep_frequency_hz"})
    return _table("curves", _with_axes(named_apart, report.conditions))


_MAKERS: Mapping[str, Callable[[Report], Table]] = {
    "characteristics": characteristics,
    "characteristics_by_condition": characteristics_by_condition,
    "readings": readings,
    "readings_by_condition": readings_by_condition,
    "conditions": conditions,
    "decisions": decisions,
    "events": events,
}


def dictionary(tables: Mapping[str, Table]) -> pd.DataFrame:
    """The data dictionary of ``tables``: each column of each, and each word of a characteristic or quantity in them.

    Columns ``table``, ``column``, ``word`` (empty: the line explains the column itself), ``meaning``, ``unit``,
    ``type``, ``missing``, ``source``.
    """
    lines: list[tuple[str, ...]] = []
    for name, table in tables.items():
        for one in table.columns:
            missing = f"empty: {one.missing}" if one.missing else "never missing"
            lines.append((name, one.name, "", one.meaning, one.unit, one.kind, missing, one.source))
            lines += [(name, one.name, *explained) for explained in _words(table, one)]
    names = ("table", "column", "word", "meaning", "unit", "type", "missing", "source")
    return pd.DataFrame(lines, columns=list(names), dtype="str")


def _words(table: Table, column: Column) -> list[tuple[str, ...]]:
    if table.name == "cascades" or column.name not in ("characteristic", "quantity"):
        return []
    found: list[tuple[str, ...]] = []
    for word in pd.unique(table.frame[column.name].astype("str")):
        if column.name == "quantity":
            found.append((word, reading_meaning(word), READINGS[word], "number", "", "reading"))
        else:
            known = CHARACTERISTICS[word]
            meaning = f"{known.title}: {known.formula}"
            assumed = f" Assumes: {known.assumptions}." if known.assumptions else ""
            found.append((word, f"{meaning}.{assumed}", known.unit, "number", "", known.source))
    return found


def _table(name: str, frame: pd.DataFrame, columns: tuple[Column, ...] | None = None) -> Table:
    """The frame with the promised columns, and each of them of its kind."""
    explained = FIXED[name] if columns is None else columns
    made = {}
    for column in explained:
        values = frame[column.name]
        if column.kind == "time":
            made[column.name] = values
        elif column.kind == "whole number" and not column.missing:
            made[column.name] = values.astype("int64")
        elif column.kind == "text":
            texts = values.astype("object")
            made[column.name] = texts.where(texts.notna() & (texts != ""), None)
        elif column.kind == "word":
            made[column.name] = values.astype("category")
        elif column.kind == "number":
            made[column.name] = values.astype("float64")
        else:
            made[column.name] = values.astype("Int64")
    return Table(name, pd.DataFrame(made).reset_index(drop=True), explained)


def _bound_words(flags: pd.Series[int]) -> pd.Series[str]:
    order = {flag: place for place, flag in enumerate(BOUND_WORDS)}
    codes = flags.map(order).to_numpy().astype(np.int64)
    words = pd.Categorical.from_codes(codes, categories=pd.Index(BOUND_WORDS.values()))
    return pd.Series(words, index=flags.index)


def _spread(values: pd.Series[float], where: np.ndarray[tuple[int], np.dtype[np.intp]], rows: int) -> object:
    column = np.full(rows, np.nan)
    column[where] = values.to_numpy(dtype=np.float64)
    return column


def _with_axes(frame: pd.DataFrame, conditions_of_run: pd.DataFrame) -> pd.DataFrame:
    """The frame with the swept values of each row's condition beside it."""
    where = conditions_of_run.index.get_indexer(pd.Index(frame["condition"]))
    axes = {}
    for axis, kind in AXES.items():
        column = conditions_of_run[axis].astype("category") if kind == "str" else conditions_of_run[axis]
        axes[axis] = column.array.take(where) if kind == "str" else column.to_numpy()[where]
    return frame.reset_index(drop=True).assign(**axes)


def _decision(number: int, limit: LimitResult) -> dict[str, object]:
    tested = limit.worst_number >= 0
    facts = {column.name: getattr(limit, column.name, None) for column in FIXED["decisions"]}
    worst = {f"worst_{axis}": value for axis, value in limit.worst_condition.items()}
    return facts | worst | {
        "limit": number,
        "worst_condition": limit.worst_number if tested else None,
        "worst_bound": BOUND_WORDS[limit.worst_bound] if tested else None,
    }  # fmt: skip
