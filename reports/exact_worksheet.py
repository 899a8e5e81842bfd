"""A worksheet whose cells hold numbers in full, and that takes whole rows.

XlsxWriter writes 16 significant digits, and a double needs up to 17 to be read back the same. Cell by cell takes half
a minute for the millions of cells of a long run; row by row a few seconds. Both reach into its insides, for a workbook
with ``constant_memory``; ``tests/reports/writers/test_workbook_xlsx.py`` tells if a version of it has changed there.

Only ``workbook_xlsx`` imports this module, when it needs XlsxWriter.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from typing import Any
from xml.sax.saxutils import escape

from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import Worksheet

#: Characters that a cell can hold. Source: the published limits of Excel (from memory, not seen).
LONGEST_TEXT = 32_767

_column_name = cache(xl_col_to_name)


class ExactWorksheet(Worksheet):  # type: ignore[misc]  # XlsxWriter has no types
    """A worksheet that writes each number as the shortest text that reads back the same."""

    def __init__(self) -> None:
        super().__init__()
        self._text_cells: dict[str, str] = {}

    def write_line(self, row: int, cells: Iterable[tuple[object, Any]], height: float | None = None) -> None:
        """One whole row, below all that were written: numbers, texts, and nothing for None, each with its format."""
        written = "".join(
            f'<c r="{_column_name(place)}{row + 1}" s="{form._get_xf_index()}"{self._inside(value)}'
            for place, (value, form) in enumerate(cells)
            if value is not None
        )
        if not written:
            return
        self._check_dimensions(row, 0)
        self._write_single_row(row)
        tall = "" if height is None else f' ht="{height:g}" customHeight="1"'
        self.fh.write(f'<row r="{row + 1}"{tall}>{written}</row>')

    def _inside(self, value: object) -> str:
        """A cell from behind its format to its end."""
        if not isinstance(value, str):
            return f"><v>{value!r}</v></c>"
        if value not in self._text_cells:
            text = value if len(value) <= LONGEST_TEXT else f"{value[: LONGEST_TEXT - 1]}…"
            safe = escape(self._escape_control_characters(text))
            self._text_cells[value] = f' t="inlineStr"><is><t xml:space="preserve">{safe}</t></is></c>'
        return self._text_cells[value]

    def _xml_number_element(self, number: float, attributes: Sequence[tuple[str, object]] = ()) -> None:
        marks = "".join(f' {key}="{value}"' for key, value in attributes)
        self.fh.write(f"<c{marks}><v>{number!r}</v></c>")
