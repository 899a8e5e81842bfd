"""Report → a folder to file: rendered whole beside its place, then moved there in one step.

Rule: at no instant does the wanted name hold half a report, and nothing is replaced that this module did not write.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from reports.budgets_html import FILE as BUDGETS_FILE
from reports.budgets_html import budgets_html
from reports.definitions_html import FILE as DEFINITIONS_FILE
from reports.definitions_html import definitions_html
from reports.errors import ReportError
from reports.figure_tables import FILE as TABLES_FILE
from reports.figure_tables import tables_html
from reports.figures import draw_figures
from reports.page_html import page_html
from reports.summary_json import summary_json
from reports.table_csv import cascades_csv, characteristics_csv, readings_csv

if TYPE_CHECKING:
    from reports.summary import Report

_FIGURES = "figures"
_CASCADES = "cascades.csv"
_FILES = frozenset(
    {"report.html", BUDGETS_FILE, DEFINITIONS_FILE, TABLES_FILE, "summary.json", "characteristics.csv"}
    | {"readings.csv", _CASCADES}
)

#: What every report of ours has; a folder with both may be replaced by a newer one.
_MARKS = frozenset({"report.html", "summary.json"})


class FolderNotOurs(ReportError):
    """The place for the report holds something else.

    Attributes:
        directory: The folder that was named.
        found: Name of the first thing in it that is no part of a report.
    """

    def __init__(self, directory: Path, found: str) -> None:
        super().__init__(
            f"{directory}: found {found!r}, which is no part of an earlier report; nothing was replaced. "
            "Name an empty or new folder."
        )
        self.directory = directory
        self.found = found


@dataclass(frozen=True, slots=True)
class FolderPaths:
    """Where the files of a report are; ``cascades`` only if the run holds any."""

    folder: Path
    page: Path
    summary: Path
    characteristics: Path
    readings: Path
    cascades: Path | None
    figures: tuple[Path, ...]


def write_folder(report: Report, directory: Path) -> FolderPaths:
    """Write ``report`` as the folder ``directory``, in place of an earlier report there.

    Everything is rendered before anything is moved. Should the machine stop between the two moves, the earlier report
    is found whole under ``.report-…`` in the same parent.

    Raises:
        FolderNotOurs: ``directory`` is a file, or holds something that no report of ours holds.
        OSError: The parent cannot be written; an earlier report is still in its place.
    """
    place = directory.resolve()
    check_replaceable(place)
    place.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".report-", dir=place.parent) as beside:
        fresh, earlier = Path(beside, "fresh"), Path(beside, "earlier")
        fresh.mkdir()
        names = _write_files(report, fresh)
        swap(fresh, place, earlier)
    return FolderPaths(
        folder=place,
        page=place / "report.html",
        summary=place / "summary.json",
        characteristics=place / "characteristics.csv",
        readings=place / "readings.csv",
        cascades=None if report.cascades.empty else place / _CASCADES,
        figures=tuple(place / _FIGURES / name for name in names),
    )


def check_replaceable(directory: Path) -> None:
    """Refuse a place that is neither free, nor an empty folder, nor an earlier report.

    Raises:
        FolderNotOurs: As for ``write_folder``; worth asking before a long run, not only after it.
    """
    if not directory.exists():
        return
    if not directory.is_dir():
        raise FolderNotOurs(directory, directory.name)
    found = {entry.name for entry in directory.iterdir()}
    strange = sorted(found - _FILES - {_FIGURES})
    figures = directory / _FIGURES
    if figures.is_dir():
        strange += sorted(f"{_FIGURES}/{entry.name}" for entry in figures.iterdir() if entry.suffix != ".svg")
    if found and not found >= _MARKS:
        strange += sorted(found)
    if strange:
        raise FolderNotOurs(directory, strange[0])


def _write_files(report: Report, folder: Path) -> list[str]:
    """Render and write everything; the names of the figures' files."""
    figures = draw_figures(report)
    texts = {
        "report.html": page_html(report, figures),
        BUDGETS_FILE: budgets_html(report),
        DEFINITIONS_FILE: definitions_html(report.facts.tool_version),
        TABLES_FILE: tables_html(report, figures),
        "summary.json": summary_json(report),
        "characteristics.csv": characteristics_csv(report),
        "readings.csv": readings_csv(report),
        **({} if report.cascades.empty else {_CASCADES: cascades_csv(report)}),
        **{f"{_FIGURES}/{figure.name}.svg": figure.svg for figure in figures},
    }
    (folder / _FIGURES).mkdir()
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return [f"{figure.name}.svg" for figure in figures]


def swap(fresh: Path, place: Path, earlier: Path) -> None:
    """Move ``fresh`` to ``place`` and what was there to ``earlier``; if that fails, put the earlier one back."""
    if not place.exists():
        fresh.rename(place)
        return
    place.rename(earlier)
    try:
        fresh.rename(place)
    except OSError:
        earlier.rename(place)
        raise
