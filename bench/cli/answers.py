"""What commands answer about a run that has been made or derived, for people and for machines."""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.output import DECISION_STYLE, Plain, console, print_json, table_of

if TYPE_CHECKING:
    from reports.summary import Report


def show_decisions(report: Report) -> None:
    """The limits, one row each, and the decision of the whole run."""
    from reports.text_table import decision_table

    table = decision_table(report)
    facts = report.facts
    out = console()
    out.print(table_of("", table.columns, table.rows, right="Worst value,Margin,Conditions"))
    sign, style = DECISION_STYLE[report.decision]
    out.print(f"{report.part.part.name} {facts.unit}: [{style}]{sign} {report.decision}[/]  (run {facts.run[:8]})")


def decisions_json(report: Report) -> dict[str, Plain]:
    """``summary.json`` as an object."""
    import json

    from reports.summary_json import summary_json

    answer: dict[str, Plain] = json.loads(summary_json(report))
    return answer


def check_folder(folder: Path) -> None:
    """Refuse a place for a report that holds something else, before the night that would end there.

    Raises BenchError.
    """
    from bench.errors import BenchError
    from reports.folder import FolderNotOurs, check_replaceable

    try:
        check_replaceable(folder)
    except FolderNotOurs as error:
        raise BenchError(str(error)) from error


def write_report(report: Report, to: Path | None) -> Path:
    """Write the report folder, by default ``report-RUN`` in the current folder, and say where it lies.

    Raises BenchError if the folder cannot be written or is not an earlier report.
    """
    from bench.errors import BenchError
    from reports.folder import FolderNotOurs, write_folder

    folder = to if to is not None else Path(f"report-{report.facts.run[:8]}")
    try:
        return write_folder(report, folder).page
    except FolderNotOurs as error:
        raise BenchError(str(error)) from error
    except OSError as error:
        raise BenchError(f"the report cannot be written to {folder}: {error.strerror or error}") from error


def answer_reports(pages: SequenceOf[tuple[Report, Path]], *, as_json: bool) -> None:
    """Say what each report decided and where it lies."""
    if as_json:
        reports: list[Plain] = [{**decisions_json(report), "report": str(page)} for report, page in pages]
        print_json({"reports": reports})
        return
    for report, page in pages:
        show_decisions(report)
        console().print(f"report: {page}", soft_wrap=True)
