"""The tables that leave the tool: explained whole, and read back from each format as they were."""

from __future__ import annotations

import csv
import dataclasses
import io
import math
import sys
import zipfile
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from pyarrow import parquet

from reports import workbook_xlsx as module
from reports.characteristics import CHARACTERISTICS
from reports.columns import SUFFIXES, Column, reading_meaning
from reports.columns_parquet import table_parquet
from reports.errors import LibraryMissing
from reports.frames import CURVE_COLUMNS, READINGS
from reports.summary import Report
from reports.table_csv import dictionary_csv, table_csv
from reports.tables import Table, dictionary, run_tables
from reports.workbook_formats import number_patterns
from reports.workbook_xlsx import heading, sheet_tables, workbook_xlsx


@pytest.fixture(scope="module")
def swept(small: Report) -> pd.DataFrame:
    """Two sweeps of three points."""
    rows = [
        (int(number), 0, 1e6 * f, *(0.1 * f + n for n in range(8)))
        for number in small.conditions.index[:2]
        for f in (1, 2, 3)
    ]
    return pd.DataFrame(rows, columns=list(CURVE_COLUMNS))


@pytest.fixture(scope="module")
def small(make_report: Callable[..., Report], sweep: pd.DataFrame) -> Report:
    """A report with bounds, infinite and finite degrees of freedom, and with skipped, untested and flagged."""
    done = sweep[(sweep["temperature_c"] == -40) & (sweep["load_ohm"] == 200) & (sweep["gain_code"] < 4)].copy()
    done["flag"] = ["soak timed out, +2 °C", *[""] * (len(done) - 1)]
    report = make_report(conditions=done)
    table = report.characteristics.copy()
    table.loc[table.index[:5], "dof"] = [3.5, 1 / 3, 12.0, 1e300, math.inf]
    skipped = sweep.loc[[40], [*sweep.columns[:-1]]].assign(reason="=1+1, the supply was silent")
    return dataclasses.replace(report, characteristics=table, skipped=skipped)


@pytest.fixture(scope="module")
def tables(small: Report, swept: pd.DataFrame) -> dict[str, Table]:
    return run_tables(small, swept)


@pytest.fixture(scope="module")
def workbook(small: Report, swept: pd.DataFrame) -> Any:
    return load_workbook(io.BytesIO(workbook_xlsx(small, swept)))


def test_the_dictionary_explains_every_column_of_every_table_and_nothing_else(tables: dict[str, Table]) -> None:
    """Each with meaning, type, and where the definition is from; its CSV file holds the same lines."""
    lines = dictionary(tables)
    columns = lines[lines["word"] == ""]
    written = list(csv.DictReader(io.StringIO(dictionary_csv(tables), newline="")))

    assert list(zip(columns["table"], columns["column"], strict=True)) == [
        (name, column) for name, table in tables.items() for column in table.frame.columns
    ]
    assert [tuple(line.values()) for line in written] == list(lines.itertuples(index=False, name=None))
    for name in ("meaning", "type", "source"):
        assert (lines[name] != "").all(), name
    assert set(columns["type"]) == {"text", "word", "number", "whole number", "time"}


def test_the_dictionary_explains_every_word_of_a_long_table(tables: dict[str, Table]) -> None:
    """What a row of ``characteristics`` or ``readings`` is, its unit, and the source of its definition."""
    lines = dictionary(tables)
    words = lines[lines["word"] != ""]

    for table, column in (("characteristics", "characteristic"), ("readings", "quantity")):
        found = words[(words["table"] == table) & (words["column"] == column)]
        assert set(found["word"]) == set(tables[table].frame[column])
        assert set(found["word"]) - set(CHARACTERISTICS) - set(READINGS) == set()
    assert set(words.loc[words["word"] == "hd3", "unit"]) == {"dBc"}


@pytest.mark.parametrize("quantity", READINGS)
def test_every_quantity_that_can_be_read_has_a_meaning(quantity: str) -> None:
    """A new one must be explained before it can leave."""
    assert len(reading_meaning(quantity)) > 10


@pytest.mark.parametrize("unit", sorted({definition.unit for definition in CHARACTERISTICS.values()} - {""}))
def test_every_unit_of_a_characteristic_has_an_ending_of_its_own(unit: str) -> None:
    """Two units with one ending would make two columns of one name."""
    assert SUFFIXES[unit]
    assert len(set(SUFFIXES.values())) == len(SUFFIXES)


def test_a_column_with_one_unit_says_it_in_its_name(tables: dict[str, Table]) -> None:
    """And one whose unit changes from row to row stands beside a column ``unit``."""
    for table in tables.values():
        names = [column.name for column in table.columns]
        for column in table.columns:
            if column.unit and table.name != "cascades":
                assert column.name.endswith(f"_{SUFFIXES[column.unit]}"), column.name
            if "in unit" in column.meaning:
                assert "unit" in names


def test_only_columns_that_may_be_empty_are(tables: dict[str, Table]) -> None:
    """What the dictionary says of missing values holds."""
    for table in tables.values():
        for column in table.columns:
            if not column.missing:
                assert table.frame[column.name].notna().all(), (table.name, column.name)


def test_the_wide_table_holds_the_long_one(tables: dict[str, Table]) -> None:
    """Value, U and bound of each characteristic at its condition, nothing else."""
    wide = tables["characteristics_by_condition"].frame.set_index("condition")
    long = tables["characteristics"].frame

    for row in long.to_dict("records"):
        word, number = row["characteristic"], row["condition"]
        unit = SUFFIXES[CHARACTERISTICS[word].unit]
        difference = {"dbm": "db", "dbc": "db"}.get(unit, unit)
        assert wide.loc[number, f"{word}_{unit}"] == row["value"]
        assert wide.loc[number, f"{word}_u_{difference}"] == row["expanded_uncertainty"]
        assert wide.loc[number, f"{word}_bound"] == row["bound"]
    bounds = [name for name in wide.columns if name.endswith("_bound")]
    assert wide[bounds].notna().to_numpy().sum() == len(long)


def test_wide_readings_hold_the_long_ones(tables: dict[str, Table]) -> None:
    """One column for each quantity."""
    wide = tables["readings_by_condition"].frame.set_index(["condition", "repeat"])
    long = tables["readings"].frame

    for row in long.to_dict("records"):
        assert wide.loc[(row["condition"], row["repeat"]), row["quantity"]] == row["value"]
    assert wide[[name for name in wide.columns if name in READINGS]].notna().to_numpy().sum() == len(long)


def test_skipped_conditions_stand_among_the_others(tables: dict[str, Table]) -> None:
    """With the reason, and in run order."""
    frame = tables["conditions"].frame
    skipped = frame[frame["state"] == "skipped"]

    assert skipped["reason"].tolist() == ["=1+1, the supply was silent"]
    assert frame["condition"].is_monotonic_increasing
    assert frame.loc[frame["state"] == "complete", "reason"].isna().all()


def _same(read: object, expected: object) -> bool:
    """The same value to the last bit; what is missing is missing."""
    if pd.isna(expected):  # type: ignore[call-overload]  # a scalar of any kind
        return bool(pd.isna(read))  # type: ignore[call-overload]  # a scalar of any kind
    if isinstance(expected, float):
        return isinstance(read, int | float) and float(read) == expected
    return read == expected


def _of_text(text: str, column: Column) -> object:
    """A field of a CSV file as its dictionary says."""
    if text == "":
        return None
    kinds: dict[str, Callable[[str], object]] = {"number": float, "whole number": int, "time": pd.Timestamp}
    return kinds.get(column.kind, str)(text)


def _check_csv(table: Table) -> None:
    head, *rows = csv.reader(io.StringIO(table_csv(table), newline=""))
    assert head == list(table.frame.columns)
    assert len(rows) == len(table.frame)
    for place, column in enumerate(table.columns):
        expected = table.frame[column.name].tolist()
        for row, value in zip(rows, expected, strict=True):
            assert _same(_of_text(row[place], column), value), (table.name, column.name, row[place], value)


def _check_parquet(table: Table) -> None:
    read = parquet.read_table(io.BytesIO(table_parquet(table, {"run": "1"})))
    frame = read.to_pandas()
    assert list(frame.columns) == list(table.frame.columns)
    for column in table.columns:
        for found, value in zip(frame[column.name].tolist(), table.frame[column.name].tolist(), strict=True):
            assert _same(found, value), (table.name, column.name, found, value)


def test_every_table_reads_back_from_csv(tables: dict[str, Table]) -> None:
    """Same values to the last bit; an empty field is a missing value and nothing else is."""
    for table in tables.values():
        _check_csv(table)


def test_every_table_reads_back_from_parquet(tables: dict[str, Table]) -> None:
    """Same values to the last bit."""
    for table in tables.values():
        _check_parquet(table)


def test_parquet_keeps_types_units_and_meanings(tables: dict[str, Table]) -> None:
    """Floats are doubles, whole numbers 64 bit, times UTC, words dictionary-encoded; fields say unit and meaning."""
    kinds = {"number": "double", "whole number": "int64", "time": "timestamp[us, tz=UTC]", "text": "large_string"}
    for table in tables.values():
        schema = parquet.read_schema(io.BytesIO(table_parquet(table, {"run": "3f2c", "unit": "VG2/1"})))
        assert (schema.metadata[b"run"], schema.metadata[b"unit"]) == (b"3f2c", b"VG2/1")
        for field, column in zip(schema, table.columns, strict=True):
            assert field.metadata[b"unit"].decode() == column.unit
            assert field.metadata[b"meaning"].decode() == column.meaning
            if column.kind == "word":
                assert str(field.type).startswith("dictionary<values=")
            else:
                assert str(field.type).removeprefix("large_") == kinds[column.kind].removeprefix("large_"), column.name


def test_parquet_of_the_same_table_is_the_same_to_the_byte(tables: dict[str, Table]) -> None:
    """Nothing of the moment of writing is in it."""
    for table in tables.values():
        assert table_parquet(table, {"run": "1"}) == table_parquet(table, {"run": "1"})


def test_without_its_library_parquet_says_what_to_install(
    tables: dict[str, Table], monkeypatch: pytest.MonkeyPatch
) -> None:
    """pyarrow is large, so it is an extra."""
    monkeypatch.setitem(sys.modules, "pyarrow", None)

    with pytest.raises(LibraryMissing, match=r"pyarrow, which is not installed: pip install 'nightbench\[parquet\]'"):
        table_parquet(tables["events"], {})


def _of_cell(value: object, column: Column) -> object:
    return float(value) if column.kind == "number" and isinstance(value, str) else value


def _check_sheet(sheet: Any, table: Table) -> None:
    head, *rows = sheet.iter_rows(values_only=True)
    assert list(head) == [heading(column) for column in table.columns]
    assert len(rows) == len(table.frame)
    for place, column in enumerate(table.columns):
        for row, value in zip(rows, table.frame[column.name].tolist(), strict=True):
            found = _of_cell(row[place], column)
            if column.kind == "time":
                # What a file of this kind holds is days; openpyxl rounds them to the millisecond.
                assert abs(pd.Timestamp(found, tz="UTC") - value) <= pd.Timedelta(milliseconds=1)  # type: ignore[arg-type]  # a cell of a time
            else:
                assert _same(found, value), (table.name, column.name, found, value)


def test_every_sheet_reads_back_from_the_workbook(workbook: Any, tables: dict[str, Table]) -> None:
    """Same values to the last bit, in the order of the tables; each characteristic has its sheet."""
    sheets = sheet_tables(tables)

    assert workbook.sheetnames == ["Summary", *sheets, "Dictionary"]
    assert set(tables["characteristics"].frame["characteristic"]) <= set(workbook.sheetnames)
    for name, table in sheets.items():
        _check_sheet(workbook[name], table)


def test_the_workbook_explains_every_heading_of_every_sheet(workbook: Any, tables: dict[str, Table]) -> None:
    """And none that is not there."""
    _, *lines = workbook["Dictionary"].iter_rows(values_only=True)

    assert [line[:2] for line in lines] == [
        (name, heading(column)) for name, table in sheet_tables(tables).items() for column in table.columns
    ]
    assert all(line[2] and line[4] and line[6] for line in lines)


def test_headings_stay_in_sight_and_can_be_filtered_and_printed(workbook: Any) -> None:
    """Frozen, with a filter over all rows, repeated on each printed page, which lies across."""
    for sheet in workbook.worksheets[1:]:
        assert sheet.freeze_panes in ("A2", "B2"), sheet.title
        assert sheet.auto_filter.ref == sheet.dimensions
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.page_setup.orientation == "landscape"
    assert workbook["oip3"].freeze_panes == "B2"


def test_cells_show_the_digits_that_the_uncertainty_supports(workbook: Any) -> None:
    """U = 0.07 dB: three decimal places; a bound has its sign; the cell holds all digits (JCGM 100:2008, 7.2.6)."""
    names = [cell.value for cell in workbook["oip3"][1]]
    value = workbook["gain_match"].cell(3, names.index("Value (dBm)") + 1)
    bound = workbook["hd3"].cell(2, names.index("Value (dBm)") + 1)

    assert value.number_format == "0.000"
    assert len(repr(value.value)) > 6
    assert bound.number_format == '"≤ "0.0;"≤ "-0.0'
    assert isinstance(bound.value, int | float)


@pytest.mark.parametrize(
    ("value", "expanded", "pattern"),
    [
        (38.4213, 0.35, "0.00"),
        (38.4213, 0.0996, "0.00"),
        (38.4213, 0.0994, "0.000"),
        (38.4213, 2.7, "0.0"),
        (384213.0, 27.0, "0"),
        (384213.0, 2700.0, "0"),
        (1.2345e-9, 2e-12, "0.0000E+00"),
        (38.4213, math.nan, "General"),
        (38.4213, 0.0, "General"),
        (0.0, 1e-9, "0.0E+00"),
    ],
)
def test_a_format_leaves_two_digits_of_the_uncertainty(value: float, expanded: float, pattern: str) -> None:
    """JCGM 100:2008, 7.2.6; small values go by powers of ten."""
    assert number_patterns(np.array([value]), np.array([expanded])) == [pattern]


def test_no_text_becomes_a_formula(make_report: Callable[..., Report], sweep: pd.DataFrame) -> None:
    """Serial, operator, mode and event that begin like one are texts as they were, and there is no formula at all."""
    evil = ('=HYPERLINK("http://x.example")', "+1", "-1+1", "@SUM(A1)", "{=1}", "http://x.example")
    report = make_report(
        unit=evil[0], operator=evil[3], conditions=sweep.head(2).assign(supply_mode=evil[1], flag=evil[2])
    )
    at = report.facts.began
    events = pd.DataFrame([(at, "run began", text) for text in evil], columns=["at", "kind", "text"])
    written = workbook_xlsx(dataclasses.replace(report, events=events))
    book = load_workbook(io.BytesIO(written))
    texts = [row[2] for row in book["Events"].iter_rows(min_row=2, values_only=True)]

    assert texts == list(evil)
    assert {cell.data_type for sheet in book.worksheets for row in sheet.iter_rows() for cell in row} <= {
        "s",
        "n",
        "d",
        "inlineStr",
    }
    with zipfile.ZipFile(io.BytesIO(written)) as inside:
        assert not [
            name for name in inside.namelist() if name.startswith("xl/worksheets/sheet") and b"<f" in inside.read(name)
        ]


def test_the_same_run_gives_the_same_workbook_to_the_byte(small: Report, swept: pd.DataFrame) -> None:
    """Its date is that of the run, and nothing else tells when or where it was written."""
    written = workbook_xlsx(small, swept)

    assert workbook_xlsx(small, swept) == written
    with zipfile.ZipFile(io.BytesIO(written)) as inside:
        assert {entry.date_time[:3] for entry in inside.infolist()} == {(1980, 1, 31)}  # what XlsxWriter writes always
        core = inside.read("docProps/core.xml").decode()
    assert core.count("2026-11-02T18:30:00Z") == 2


def test_a_table_that_no_sheet_can_hold_is_left_out_and_said(small: Report, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of it would be taken for the whole."""
    monkeypatch.setattr(module, "MOST_ROWS", 9)
    book = load_workbook(io.BytesIO(workbook_xlsx(small)))
    said = {row[0]: row[2] for row in book["Summary"].iter_rows(values_only=True)}

    assert "Readings" not in book.sheetnames
    assert said["Readings"] == f"{len(small.conditions)}: more than a sheet holds; export CSV or Parquet"
    assert said["Decisions"] == 6


#: What XML can hold and openpyxl gives back as it was: no control characters.
_TEXTS = st.text(
    st.characters(categories=("L", "N", "P", "S", "Zs"), exclude_characters="_"), min_size=1
) | st.sampled_from(
    [
        "=1+1",
        "+1",
        "-1",
        "@x",
        " led",
        "end ",
        "a\nb",
        'quo"te',
        "a,b",
        "<f>1</f>",
        "&amp;",
        "nan",
        "inf",
        "True",
        "1.50",
    ]
)
_NUMBERS = st.floats(allow_nan=True, allow_infinity=True, width=64)
_COLUMNS = (
    Column("value", "any number", kind="number", missing="none"),
    Column("expanded_uncertainty", "any number", kind="number", missing="none"),
    Column("count", "any whole number", kind="whole number", missing="none"),
    Column("text", "any text", missing="none"),
    Column("bound", "any word", kind="word", missing="none"),
)


@st.composite
def _tables(draw: st.DrawFn) -> Table:
    rows = draw(
        st.lists(
            st.tuples(
                _NUMBERS, _NUMBERS, st.none() | st.integers(-(2**53), 2**53), st.none() | _TEXTS, st.none() | _TEXTS
            ),
            min_size=1, max_size=6,
        )
    )  # fmt: skip
    frame = pd.DataFrame(rows, columns=[column.name for column in _COLUMNS])
    kinds = {"value": "float64", "expanded_uncertainty": "float64", "count": "Int64", "text": "object"}
    return Table("any", frame.astype(kinds).astype({"bound": "category"}), _COLUMNS)


@settings(max_examples=40, deadline=None)
@given(_tables())
def test_any_table_reads_back_from_csv_and_parquet(table: Table) -> None:
    """Whatever floats, texts and gaps."""
    _check_csv(table)
    _check_parquet(table)


@settings(max_examples=25, deadline=None)
@given(_tables())
def test_any_table_reads_back_from_a_sheet(table: Table) -> None:
    """Whatever floats, texts and gaps; cells know no infinity, so it stands there as a word."""
    from xlsxwriter import Workbook

    from reports.exact_worksheet import ExactWorksheet
    from reports.workbook_formats import Formats

    written = io.BytesIO()
    with Workbook(written, {"constant_memory": True}) as book:
        module._write_table(book.add_worksheet("any", ExactWorksheet), table, Formats(book))
    frame = table.frame
    if frame.iloc[-1].isna().all():
        frame = (
            frame.loc[: frame.notna().any(axis=1)[::-1].idxmax()] if frame.notna().to_numpy().any() else frame.head(0)
        )
    _check_sheet(load_workbook(written)["any"], dataclasses.replace(table, frame=frame))
