"""Report → an XLSX workbook: a sheet for summary, decisions, each characteristic, and what they rest on.

Cells hold the values in full; number formats show the digits that the uncertainty supports. Texts are texts, whatever
they begin with: no cell is a formula. The same run gives the same bytes. Source: ECMA-376, as XlsxWriter writes it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from io import BytesIO
from typing import TYPE_CHECKING, Any

import pandas as pd

from reports.characteristics import CHARACTERISTICS
from reports.columns import SUFFIXES, Column
from reports.tables import Table, run_tables
from reports.wording import DECISIONS, difference_unit, time_text
from reports.workbook_formats import LINE, Formats, cells_of, heights_of, lines_of, width_of

if TYPE_CHECKING:
    from reports.summary import Report

#: Rows of a sheet, its heading included. Source: ECMA-376, as every program that reads these files has it.
MOST_ROWS = 1_048_576

#: Sheets beside those of the characteristics, which are called by their word.
_SHEETS = {
    "decisions": "Decisions",
    "conditions": "Conditions",
    "readings_by_condition": "Readings",
    "events": "Events",
    "cascades": "Cascades",
    "curves": "Curves",
}

_TITLES = {
    "Decisions": "Limits of the part file, decided",
    "Conditions": "Conditions, measured or skipped",
    "Readings": "What the instruments answered",
    "Events": "What happened, and when",
    "Cascades": "Cascades, predicted and compared",
    "Curves": "S-parameters as they were read",
    "Dictionary": "What each column means",
}

#: Column → heading, where its name is too short for people.
_SAID = {"dof": "degrees of freedom", "expanded_uncertainty": "expanded uncertainty U"}

#: Width in characters up to which a sheet is printed on one page's width and is still read with ease.
_WIDE = 260

_GIVEN_WITH_VALUE = ("standard_uncertainty", "expanded_uncertainty")
_OF_THE_SHEET = ("characteristic", "unit")


@dataclass(frozen=True, slots=True)
class _Listed:
    """A line of the summary's contents."""

    sheet: str
    title: str
    rows: int
    is_there: bool


def workbook_xlsx(report: Report, swept: pd.DataFrame | None = None) -> bytes:
    """The workbook's bytes.

    A table with more rows than a sheet can hold is left out, and the summary says so: a part of it would be taken for
    the whole.

    Args:
        report: The run, derived.
        swept: S-parameters, ``RunFrames.curves``.
    """
    from xlsxwriter import Workbook

    from reports.exact_worksheet import ExactWorksheet

    sheets = sheet_tables(run_tables(report, swept))
    sheets["Dictionary"] = _dictionary(sheets)
    written = BytesIO()
    options = {"constant_memory": True, "strings_to_numbers": False, "strings_to_formulas": False}
    with Workbook(written, {**options, "strings_to_urls": False}) as book:
        facts = report.facts
        book.set_properties(
            {
                "title": f"{report.part.part.name} {facts.unit}",
                "subject": f"run {facts.run}",
                "author": facts.operator,
                "comments": f"nightbench {facts.tool_version}",
                # The day of the run, not of the writing: same run, same bytes.
                "created": facts.began.replace(tzinfo=None),
            }
        )
        formats = Formats(book)
        listed = [
            _Listed(name, _title(name), len(table.frame), len(table.frame) < MOST_ROWS)
            for name, table in sheets.items()
        ]
        _write_summary(book.add_worksheet("Summary", ExactWorksheet), report, listed, formats)
        for (name, table), one in zip(sheets.items(), listed, strict=True):
            if one.is_there:
                sheet = book.add_worksheet(name, ExactWorksheet)
                header = f"{report.part.part.name} {facts.unit}, run {facts.run[:8]}: {one.title}"
                _set_up_print(sheet, header, _write_table(sheet, table, formats))
    return written.getvalue()


def sheet_tables(tables: dict[str, Table]) -> dict[str, Table]:
    """The tables as the workbook has them: those of ``run_tables`` by sheet, and one for each characteristic."""
    sheets = {"Decisions": tables["decisions"]}
    long = tables["characteristics"]
    present = set(long.frame["characteristic"].unique())
    for word in CHARACTERISTICS:
        if word in present:
            sheets[word] = _of_one(long, word)
    sheets |= {sheet: tables[name] for name, sheet in _SHEETS.items() if name in tables}
    return sheets


def heading(column: Column) -> str:
    """What stands above a column: ``Temperature (°C)``."""
    ending = f"_{SUFFIXES[column.unit]}" if column.unit in SUFFIXES else ""
    words = _SAID.get(column.name) or column.name.removesuffix(ending).replace("_", " ")
    unit = f" ({column.unit})" if column.unit else " (UTC)" if column.kind == "time" else ""
    return f"{words[:1].upper()}{words[1:]}{unit}"


def _of_one(long: Table, word: str) -> Table:
    """The rows of one characteristic; its unit goes into the headings."""
    definition = CHARACTERISTICS[word]
    units = {"value": definition.unit, **dict.fromkeys(_GIVEN_WITH_VALUE, difference_unit(definition.unit))}
    meanings = {"value": f"{definition.title}: {definition.formula}"}
    sources = {"value": definition.source}
    columns = tuple(
        replace(
            column,
            unit=units.get(column.name, column.unit),
            meaning=meanings.get(column.name, column.meaning),
            source=sources.get(column.name, column.source),
        )
        for column in long.columns
        if column.name not in _OF_THE_SHEET
    )
    rows = long.frame.loc[long.frame["characteristic"] == word, [column.name for column in columns]]
    return Table(word, rows.reset_index(drop=True), columns)


def _dictionary(sheets: dict[str, Table]) -> Table:
    """What each heading of each sheet means."""
    lines = [
        (name, heading(column), column.meaning, column.unit or None, column.kind, column.missing or None, column.source)
        for name, table in sheets.items()
        for column in table.columns
    ]
    columns = (
        Column("sheet", "name of the sheet", kind="word"),
        Column("heading", "first cell of the column"),
        Column("meaning", "what the column holds"),
        Column("unit", "unit of its values", missing="none, or in the sheet's column Unit"),
        Column("type", "kind of its values", kind="word"),
        Column("empty_cell_means", "what an empty cell means", missing="the column has none"),
        Column("source", "where the definition is from"),
    )
    names = [column.name for column in columns]
    return Table("dictionary", pd.DataFrame(lines, columns=names, dtype="object"), columns)


def _title(sheet: str) -> str:
    return CHARACTERISTICS[sheet].title if sheet in CHARACTERISTICS else _TITLES[sheet]


def _write_table(sheet: Any, table: Table, formats: Formats) -> float:
    """Headings, frozen, with a filter; then a row for each of the table. Returns its width in characters."""
    across = len(table.columns) - 1
    sheet.freeze_panes(1, _frozen_columns(table))
    sheet.repeat_rows(0)
    sheet.autofilter(0, 0, len(table.frame), across)
    names = [heading(column) for column in table.columns]
    widths = [width_of(table.frame[one.name], name) for one, name in zip(table.columns, names, strict=True)]
    for place, width in enumerate(widths):
        sheet.set_column(place, place, width)
    sheet.set_row(0, LINE * max(map(lines_of, names, widths)) + 4)
    for place, (column, name) in enumerate(zip(table.columns, names, strict=True)):
        is_text = column.kind in ("text", "word")
        sheet.write_string(0, place, name, formats.heading if is_text else formats.number_heading)
    columns = [cells_of(table, column, formats) for column in table.columns]
    heights = heights_of(table, widths).tolist()
    for row, (cells, height) in enumerate(zip(zip(*columns, strict=True), heights, strict=True), start=1):
        sheet.write_line(row, cells, height if height > LINE else None)
    return sum(widths)


def _frozen_columns(table: Table) -> int:
    """Columns that stay in sight as a reader moves to the right: what names a row."""
    return 1 if table.columns[0].name in ("condition", "limit") else 0


def _write_summary(sheet: Any, report: Report, listed: list[_Listed], formats: Formats) -> None:
    """What a reader must know first; then where everything is."""
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 40)
    sheet.set_column(2, 2, 34)
    sheet.hide_gridlines(2)
    sheet.set_row(0, 26)
    sheet.write_string(0, 0, f"{report.part.part.name} {report.facts.unit}", formats.title)
    row = 2
    for name, text in _facts(report):
        sheet.write_string(row, 0, name, formats.label)
        sheet.write_string(row, 1, text, formats.decision(text) if name == "Decision" else formats.text)
        row += 1
    row += 1
    for place, text in enumerate(("Sheet", "Holds", "Rows")):
        sheet.write_string(row, place, text, formats.heading)
    for one in listed:
        row += 1
        if one.is_there:
            sheet.write_url(row, 0, f"internal:'{one.sheet}'!A1", formats.link, one.sheet)
            sheet.write_string(row, 1, one.title, formats.text)
            sheet.write_number(row, 2, one.rows, formats.count)
        else:
            sheet.write_string(row, 0, one.sheet, formats.text)
            sheet.write_string(row, 1, one.title, formats.text)
            sheet.write_string(row, 2, f"{one.rows:,}: more than a sheet holds; export CSV or Parquet", formats.text)
    row += 1
    for text in (report.coverage_statement, *report.caveats):
        row += 1
        sheet.set_row(row, LINE * lines_of(text, 100))
        sheet.merge_range(row, 0, row, 2, "", formats.note)
        sheet.write_string(row, 0, text, formats.note)
    _set_up_print(sheet, f"{report.part.part.name} {report.facts.unit}, run {report.facts.run[:8]}")


def _facts(report: Report) -> Iterator[tuple[str, str]]:
    facts, word = report.facts, DECISIONS[report.decision][0]
    yield "Decision", word
    yield "Run", facts.run
    yield "State", facts.state
    yield "Began (UTC)", time_text(facts.began)
    if facts.ended is not None:
        yield "Ended (UTC)", time_text(facts.ended)
    yield "Conditions", f"{len(report.conditions):,} of {facts.planned:,} complete"
    if len(report.skipped):
        yield "Skipped conditions", f"{len(report.skipped):,}, after failing in every attempt"
    yield "Limits", f"{sum(limit.decision != 'not tested' for limit in report.limits)} of {len(report.limits)} tested"
    yield "Bench", report.bench.bench.name
    yield "Sequence", report.sequence.sequence.name
    yield "Operator", facts.operator
    yield "Tool", f"nightbench {facts.tool_version}"


def _set_up_print(sheet: Any, header: str, width: float = 0) -> None:
    sheet.set_landscape()
    sheet.set_paper(9)  # A4
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.6)
    if width <= _WIDE:
        sheet.fit_to_pages(1, 0)
    else:  # several pages side by side, each with what names the rows
        sheet.set_print_scale(60)
        sheet.repeat_columns(0)
        sheet.print_across()
    # "&" begins a command of a header.
    sheet.set_header(f"&L{header.replace('&', '&&')}")
    sheet.set_footer("&RPage &P of &N")
