"""How cells of a workbook look: number formats from uncertainties, styles, widths.

Rule: a format never changes what a cell holds.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import repeat
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reports.columns import BOUND_WORDS, Column
from reports.wording import BOUNDS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from reports.tables import Table

#: What a cell holds and how it looks; None: an empty cell.
Cell = tuple[object, Any]

#: Column → column with the expanded uncertainty that says how many of its digits are worth a look.
_UNCERTAIN = {
    "value": "expanded_uncertainty",
    "standard_uncertainty": "expanded_uncertainty",
    "expanded_uncertainty": "expanded_uncertainty",
    "worst_value": "expanded_uncertainty",
    "margin": "expanded_uncertainty",
    "measured": "measured_expanded_uncertainty",
    "measured_expanded_uncertainty": "measured_expanded_uncertainty",
    "difference": "difference_expanded_uncertainty",
    "difference_expanded_uncertainty": "difference_expanded_uncertainty",
}

#: Column → column that says whether it is only a bound.
_BOUNDED = {"value": "bound", "worst_value": "worst_bound"}

#: Unit → format of a reading or setting, which has no uncertainty of its own. Ours: what instruments resolve.
_BY_UNIT = {
    "dBm": "0.000", "dB": "0.000", "dBc": "0.000", "°C": "0.00", "A": "0.000000", "V": "0.0000", "Hz": "#,##0",
    "Ω": "General", "": "General",
}  # fmt: skip
_BY_NAME = {
    "dof": "[>=100000]0.0E+00;[>=1000]0;0.0", "conformity_probability": "0.000", "temperature_c": "General",
    "worst_temperature_c": "General", "tone_level_dbm": "General", "worst_tone_level_dbm": "General",
}  # fmt: skip

#: Digits of a double beyond the first, and an uncertainty that is none any more.
_MOST_DIGITS, _LEAST = 15, 1e-100

_BY_ENDING = {"_scatter_db": "0.00000", "_attenuation_db": "General"}

#: More decimal places than this are shown as a power of ten.
_MOST_PLACES = 7

_WIDEST, _NARROWEST = 60, 9

#: Characters of a text in the width of one digit. Ours: letters differ, and few texts are of wide ones only.
_LETTER = 0.9

#: Characters of a long text in the width of one digit: in one, wide and narrow letters make up for each other.
_FOLDED = 1.1

#: Height of a line of text, points.
LINE = 15.0
_SIGNS = {BOUND_WORDS[flag]: sign for flag, sign in BOUNDS.items()}
_FILLS = {
    "pass": "#DDF1E1", "conditional pass": "#FBF3CF", "conditional fail": "#FCE3C8", "fail": "#F8D2D0",
    "not tested": "#EEEEEE",
}  # fmt: skip


class Formats:
    """The formats of one workbook, each made once."""

    def __init__(self, book: Any) -> None:
        self._book = book
        self._numbers: dict[str, Any] = {}
        self._decisions = {
            word: book.add_format({"bg_color": colour, "bold": True, "valign": "top", "indent": 1, "align": "left"})
            for word, colour in _FILLS.items()
        }
        self.title = book.add_format({"bold": True, "font_size": 16})
        self.heading = book.add_format(
            {
                "bold": True,
                "text_wrap": True,
                "valign": "vcenter",
                "bg_color": "#E6ECF2",
                "bottom": 1,
                "indent": 1,
                "align": "left",
            }
        )
        self.number_heading = book.add_format(
            {"bold": True, "text_wrap": True, "valign": "vcenter", "bg_color": "#E6ECF2", "bottom": 1, "align": "right"}
        )
        self.text = book.add_format({"valign": "top", "indent": 1, "align": "left"})
        self.wrapped = book.add_format({"valign": "top", "text_wrap": True, "indent": 1, "align": "left"})
        self.note = book.add_format(
            {"text_wrap": True, "valign": "top", "font_color": "#333333", "indent": 1, "align": "left"}
        )
        self.label = book.add_format({"font_color": "#555555", "indent": 1, "align": "left"})
        self.link = book.add_format({"font_color": "#0B57A4", "underline": 1, "indent": 1, "align": "left"})
        self.count = book.add_format({"num_format": "#,##0", "align": "left", "indent": 1})
        self.infinite = book.add_format({"align": "right", "valign": "top"})

    def number(self, pattern: str) -> Any:
        """Format of a number."""
        if pattern not in self._numbers:
            self._numbers[pattern] = self._book.add_format({"num_format": pattern, "valign": "top"})
        return self._numbers[pattern]

    def decision(self, word: str) -> Any:
        """Format of a decision, by its word in any case."""
        return self._decisions.get(word.lower(), self.text)


def cells_of(table: Table, column: Column, formats: Formats) -> Iterable[Cell]:
    """The cells of one column, top to bottom."""
    values = table.frame[column.name]
    if column.kind in ("text", "word"):
        return _texts(values, column, formats)
    if column.kind == "time":
        # Days since the epoch of such files; programs that read them know times to the millisecond.
        days = (values.dt.tz_localize(None) - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
        return zip(days.tolist(), repeat(formats.number("yyyy-mm-dd hh:mm:ss")), strict=False)
    if column.kind == "whole number":
        form = formats.number("0")
        return zip((None if one is pd.NA else one for one in values.tolist()), repeat(form), strict=False)
    return _numbers(table, column, formats)


def _texts(values: pd.Series[str], column: Column, formats: Formats) -> Iterator[Cell]:
    texts = values.astype("object")
    texts = texts.where(texts.notna() & (texts != ""), None)
    if column.name == "decision":
        return ((text, formats.decision(text or "")) for text in texts.tolist())
    usual = formats.text if column.kind == "word" else formats.wrapped
    return zip(texts.tolist(), repeat(usual), strict=False)


def _numbers(table: Table, column: Column, formats: Formats) -> Iterator[Cell]:
    numbers = table.frame[column.name].to_numpy(dtype=np.float64)
    held = [_held(one) for one in numbers.tolist()]
    infinite = formats.infinite
    forms: Iterable[Any]
    if column.name in _UNCERTAIN:
        forms = map(formats.number, _patterns(table, column, numbers))
    else:
        forms = repeat(formats.number(_plain_pattern(column)))
    return ((one, infinite if isinstance(one, str) else form) for one, form in zip(held, forms, strict=False))


def _plain_pattern(column: Column) -> str:
    """Format of numbers that have no uncertainty of their own."""
    by_ending = (pattern for ending, pattern in _BY_ENDING.items() if column.name.endswith(ending))
    return _BY_NAME.get(column.name) or next(by_ending, _BY_UNIT.get(column.unit, "General"))


def _held(number: float) -> float | str | None:
    """Cells know no infinity and nothing that is not a number."""
    if number != number:  # the one value that differs from itself: not a number
        return None
    return str(number) if number in (np.inf, -np.inf) else number


def _patterns(table: Table, column: Column, numbers: NDArray[np.float64]) -> list[str]:
    expanded = table.frame[_UNCERTAIN[column.name]].to_numpy(dtype=np.float64)
    patterns = number_patterns(numbers, expanded)
    if column.name not in _BOUNDED:
        return patterns
    signs = table.frame[_BOUNDED[column.name]].astype("object").map(_SIGNS).fillna("")
    return [
        f'"{sign}"{pattern};"{sign}"-{pattern}' if sign else pattern
        for sign, pattern in zip(signs, patterns, strict=True)
    ]


def number_patterns(numbers: NDArray[np.float64], expanded: NDArray[np.float64]) -> list[str]:
    """Formats that show as many digits as leave two significant ones of the expanded uncertainty.

    Source: JCGM 100:2008, 7.2.6. Without an uncertainty above 0 the program that shows the cell decides.
    """
    known = (expanded > _LEAST) & (expanded < 1 / _LEAST)
    safe = np.where(known, expanded, 1.0)
    order = np.floor(np.log10(safe)).astype(np.int64)
    # 0.0996 is shown as 0.10, not as 0.100.
    order += np.round(safe / 10.0 ** (order - 1)) >= 100
    places = np.maximum(1 - order, 0)
    size = np.abs(np.where(np.isfinite(numbers) & (numbers != 0), numbers, safe))
    digits = np.maximum(np.floor(np.log10(size)).astype(np.int64) - order + 1, 0)
    return [
        _pattern(place, digit) if one and digit <= _MOST_DIGITS else "General"
        for one, place, digit in zip(known.tolist(), places.tolist(), digits.tolist(), strict=True)
    ]


def _pattern(places: int, digits: int) -> str:
    if places > _MOST_PLACES:
        return f"0.{'0' * digits}E+00" if digits else "0E+00"
    return f"0.{'0' * places}" if places else "0"


def heights_of(table: Table, widths: Sequence[float]) -> NDArray[np.float64]:
    """Height of each row in points, so that texts that are folded in their columns are seen whole."""
    lines = np.ones(len(table.frame), dtype=np.int64)
    for column, width in zip(table.columns, widths, strict=True):
        if column.kind == "text":
            texts = table.frame[column.name].astype("object")
            lines = np.maximum(
                lines, [lines_of(text, width) if isinstance(text, str) else 1 for text in texts.tolist()]
            )
    return lines.astype(np.float64) * LINE


def lines_of(text: str, width: float) -> int:
    """Lines that a text takes in a column of that width."""
    return len(textwrap.wrap(text, max(int(_FOLDED * width), 1))) or 1


def width_of(values: pd.Series[Any], heading: str) -> float:
    """Width of a column in characters: of its heading's longest word or its longest text, within bounds."""
    longest = max((len(word) for word in heading.split()), default=0) + 3  # the filter's button takes the place of two
    if values.dtype == "object" or isinstance(values.dtype, pd.CategoricalDtype):
        texts = values.cat.categories if isinstance(values.dtype, pd.CategoricalDtype) else values.dropna().unique()
        longest = max(longest, math.ceil(max((len(str(text)) for text in texts), default=0) / _LETTER) + 2)
    elif pd.api.types.is_datetime64_any_dtype(values.dtype):
        longest = max(longest, 19)
    else:
        longest = max(longest, 11)
    return float(min(max(longest, _NARROWEST), _WIDEST))
