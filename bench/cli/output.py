"""How commands speak: one JSON object for machines, tables for people, progress on standard error.

Rule: standard output carries the answer and nothing else, so that it can be piped.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence as SequenceOf
from datetime import timedelta
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from rich.console import Console

Plain: TypeAlias = "str | int | float | bool | list[Plain] | dict[str, Plain] | None"

#: Colour of a decision for terminals that have one; its word and sign are those of the report.
DECISION_COLOUR = {
    "pass": "green",
    "conditional pass": "yellow",
    "conditional fail": "dark_orange",
    "fail": "bold red",
    "not tested": "dim",
}


def print_json(answer: dict[str, Plain]) -> None:
    """The one JSON object of a command."""
    sys.stdout.write(json.dumps(answer, ensure_ascii=False, allow_nan=False, default=str) + "\n")


def console() -> Console:
    """Standard output for people."""
    from rich.console import Console

    return Console(highlight=False)


def side_console() -> Console:
    """Standard error for people: progress, hazards, events."""
    from rich.console import Console

    class SideConsole(Console):
        """Goes quiet when nobody reads any more: a night does not end for that."""

        def on_broken_pipe(self) -> None:
            self.quiet = True

    return SideConsole(stderr=True, highlight=False)


def duration_text(seconds: float) -> str:
    """A duration as people say it: ``7 h 42 min``, ``3 min 20 s``, ``4.2 s``."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    whole = timedelta(seconds=round(seconds))
    minutes, rest = divmod(int(whole.total_seconds()), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min"


def table_of(title: str, columns: SequenceOf[str], rows: SequenceOf[SequenceOf[str]], *, right: str = "") -> object:
    """A rich table; columns named in ``right`` (comma-separated) are right-aligned."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(title=title or None, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    rights = set(right.split(","))
    for column in columns:
        table.add_column(column, justify="right" if column in rights else "left", overflow="fold")
    for row in rows:
        # Text, not str: what a person wrote in a file must not be read as markup.
        table.add_row(*(Text(cell) for cell in row))
    return table
