"""What commands answer about a run that has been made or derived, for people and for machines."""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Sequence as SequenceOf
from pathlib import Path
from typing import TYPE_CHECKING

from bench.cli.output import DECISION_COLOUR, Plain, console, print_json, table_of

if TYPE_CHECKING:
    from rich.text import Text

    from reports.summary import Report

#: Columns that the table of decisions needs to be read at a glance.
TABLE_WIDTH = 165


def show_decisions(report: Report) -> None:
    """The limits and the decision of the whole run: a table where it fits, a paragraph per limit where not.

    Limits that passed, and those that were not tested, are short and come first, so that what needs a look stands next
    to the verdict.
    """
    from rich.text import Text

    from reports.text_table import decision_table
    from reports.wording import DECISIONS

    table = decision_table(report)
    facts = report.facts
    out = console()
    if out.width >= TABLE_WIDTH:
        out.print(table_of("", table.columns, table.rows, right="Worst value,Margin,Conformity,Conditions"))
    else:
        rows = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
        for word in ("pass", "not tested"):
            for row in itertools.compress(rows, (limit.decision == word for limit in report.limits)):
                out.print(_line(row, out.width))
        for row in itertools.compress(rows, (limit.decision not in ("pass", "not tested") for limit in report.limits)):
            out.print("", _paragraph(row), sep="\n")
        out.print()
    word, sign = DECISIONS[report.decision]
    verdict = Text(f"{report.part.part.name} {facts.unit}: ")
    verdict.append(f"{sign} {word}", style=DECISION_COLOUR[report.decision])
    verdict.append(f"{whole_text(report)}  (run {facts.run[:8]})")
    out.print(verdict)


def whole_text(report: Report) -> str:
    """What a reader of the verdict must not overlook: limits that were not tested, conditions that are not there."""
    tested = sum(limit.decision != "not tested" for limit in report.limits)
    done, planned, skipped = len(report.conditions), report.facts.planned, len(report.skipped)
    text = "" if tested == len(report.limits) else f" on {tested} of {len(report.limits)} limits, the rest not tested"
    if done == planned:
        return text
    left_out = f", {skipped} skipped after failing in every attempt" if skipped else ""
    return f"{text}; run {report.facts.state} at {done} of {planned} conditions{left_out}"


def _line(cells: dict[str, str], width: int) -> Text:
    """A limit that passed: what, how well, the numbers on a line of their own where they would be torn apart.

    One that was not tested has no numbers.
    """
    line = _head(cells)
    if cells["Worst value"] != "–":
        found = f"{cells['Worst value']}, margin {cells['Margin']}"
        fits = len(line.plain) + len(found) + 2 <= width
        line.append(f": {found}" if fits else f"\n  {found}", style="dim")
    return line


def _paragraph(cells: dict[str, str]) -> Text:
    head = _head(cells)
    head.append(
        f"\n  worst {cells['Worst value']}, margin {cells['Margin']}, conformity {cells['Conformity']}"
        f"\n  of {cells['Conditions']} conditions"
        f"\n  at {cells['Worst condition']}",
        style="dim",
    )
    return head


def _head(cells: dict[str, str]) -> Text:
    from rich.text import Text

    head = Text(f"{cells['Decision']}  ", style="bold")
    head.append(f"{cells['Characteristic']}, {cells['Limit']}")
    return head


def decisions_json(report: Report) -> dict[str, Plain]:
    """``summary.json`` as an object."""
    import json

    from reports.summary_json import summary_json

    answer: dict[str, Plain] = json.loads(summary_json(report))
    return answer


def check_folder(folder: Path) -> None:
    """Refuse a place for a report that holds something else or cannot be written, before the night that ends there.

    Raises BenchError.
    """
    from bench.errors import BenchError
    from reports.folder import FolderNotOurs, check_replaceable

    try:
        check_replaceable(folder)
    except FolderNotOurs as error:
        raise BenchError(str(error)) from error
    place = folder.resolve()
    nearest = next(parent for parent in place.parents if parent.is_dir())
    try:
        # Asked by doing: permissions alone do not tell of file systems that take no files.
        with tempfile.TemporaryDirectory(prefix=".nightbench-", dir=nearest):
            pass
    except OSError as error:
        raise BenchError(f"the report cannot be written to {folder}: {error.strerror or error}") from error


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


def side_by_side(reports: SequenceOf[Report]) -> list[Report]:
    """The same reports, each with the typical values over all units of its part, at its own limits."""
    from dataclasses import replace

    from reports.typical_values import typical_values

    # Runs of one night share a part file, and the tables of many units are long.
    known = [(report.part, typical_values(report.part, reports)) for report in _with_different_parts(reports)]
    return [
        replace(report, typical=next(values for part, values in known if part == report.part)) for report in reports
    ]


def _with_different_parts(reports: SequenceOf[Report]) -> list[Report]:
    return [one for place, one in enumerate(reports) if all(one.part != before.part for before in reports[:place])]


def write_pooled(reports: SequenceOf[Report], to: Path | None) -> Path | None:
    """Write ``pooled.csv`` beside the folders of the reports, by default in the current folder; None for one unit.

    Raises BenchError if it cannot be written.
    """
    from bench.errors import BenchError
    from reports.pooled import pool
    from reports.table_csv import pooled_csv

    if len({report.facts.unit for report in reports}) < 2:
        return None
    path = (to if to is not None else Path()) / "pooled.csv"
    try:
        path.write_text(pooled_csv(pool(reports)), encoding="utf-8", newline="")
    except OSError as error:
        raise BenchError(f"the pooled figures cannot be written to {path}: {error.strerror or error}") from error
    return path


def answer_reports(pages: SequenceOf[tuple[Report, Path]], pooled: Path | None, *, as_json: bool) -> None:
    """Say what each report decided and where it lies, and where the figures of several units are."""
    if as_json:
        reports: list[Plain] = [{**decisions_json(report), "report": str(page)} for report, page in pages]
        answer: dict[str, Plain] = {"reports": reports}
        print_json(answer if pooled is None else answer | {"pooled": str(pooled)})
        return
    for report, page in pages:
        show_decisions(report)
        console().print(f"report: {page}", soft_wrap=True)
    if pooled is not None:
        console().print(f"pooled over units: {pooled}", soft_wrap=True)
