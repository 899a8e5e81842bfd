"""A worksheet whose cells hold numbers in full.

XlsxWriter writes 16 significant digits, and a double needs up to 17 to be read back the same. Only
``workbook_xlsx`` imports this module, when it needs XlsxWriter.
"""

from __future__ import annotations

from collections.abc import Sequence

from xlsxwriter.worksheet import Worksheet


class ExactWorksheet(Worksheet):  # type: ignore[misc]  # XlsxWriter has no types
    """A worksheet that writes each number as the shortest text that reads back the same."""

    def _xml_number_element(self, number: float, attributes: Sequence[tuple[str, object]] = ()) -> None:
        marks = "".join(f' {key}="{value}"' for key, value in attributes)
        self.fh.write(f"<c{marks}><v>{number!r}</v></c>")
