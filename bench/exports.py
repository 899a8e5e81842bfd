"""A run as files for other tools: which files a format has, what is in them, and how they come into a folder.

Rule: everything is rendered before anything is written, and no file that says something else is replaced unasked.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError, listed

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.summary import Report


class Format(StrEnum):
    """File formats that a run can be written in."""

    CSV = "csv"
    PARQUET = "parquet"
    XLSX = "xlsx"
    TOUCHSTONE = "touchstone"
    JSON = "json"


#: Axis → values that are wanted of it.
Chosen = Mapping[str, tuple[object, ...]]


@dataclass(frozen=True, eq=False)
class Exported:
    """A run as it is exported; ``report`` derives it when it is first asked for, which Touchstone never does."""

    frames: RunFrames
    derive: Callable[[], Report]
    chosen: Chosen


def files_of(run: Exported, file_format: Format) -> dict[str, bytes]:
    """The files of one format, by name.

    Raises:
        BenchError: The run has nothing of the kind, or the format needs a package that is not installed.
    """
    from reports.errors import CannotDerive, LibraryMissing

    try:
        return _MAKERS[file_format](run)
    except CannotDerive as error:
        raise BenchError(f"run {run.frames.facts.run}: {error}") from error
    except LibraryMissing as error:
        raise BenchError(str(error)) from error


def _csv(run: Exported) -> dict[str, bytes]:
    from reports.table_csv import dictionary_csv, table_csv
    from reports.tables import run_tables

    tables = run_tables(run.derive(), run.frames.curves)
    texts = {f"{name}.csv": table_csv(table) for name, table in tables.items()}
    return _encoded({**texts, "dictionary.csv": dictionary_csv(tables)})


def _parquet(run: Exported) -> dict[str, bytes]:
    from reports.columns_parquet import table_parquet
    from reports.tables import run_tables

    facts = run.frames.facts
    about = {"run": facts.run, "unit": facts.unit, "part": run.frames.part.part.name, "tool": facts.tool_version}
    tables = run_tables(run.derive(), run.frames.curves)
    return {f"{name}.parquet": table_parquet(table, about) for name, table in tables.items()}


def _xlsx(run: Exported) -> dict[str, bytes]:
    from reports.touchstone_file import file_name
    from reports.workbook_xlsx import workbook_xlsx

    facts = run.frames.facts
    return {file_name((facts.unit, facts.run[:8]), "xlsx"): workbook_xlsx(run.derive(), run.frames.curves)}


def _touchstone(run: Exported) -> dict[str, bytes]:
    from reports.touchstone_file import touchstone_files

    files = touchstone_files(run.frames, run.chosen)
    if not files:
        raise BenchError(f"run {run.frames.facts.run} has no sweep of what was chosen")
    return _encoded(files)


def _json(run: Exported) -> dict[str, bytes]:
    from reports.summary_json import SCHEMA_FILE, schema_text, summary_json

    return _encoded({"summary.json": summary_json(run.derive()), SCHEMA_FILE: schema_text()})


_MAKERS: Mapping[Format, Callable[[Exported], dict[str, bytes]]] = {
    Format.CSV: _csv,
    Format.PARQUET: _parquet,
    Format.XLSX: _xlsx,
    Format.TOUCHSTONE: _touchstone,
    Format.JSON: _json,
}


def _encoded(texts: Mapping[str, str]) -> dict[str, bytes]:
    return {name: text.encode() for name, text in texts.items()}


def write_files(files: Mapping[Path, bytes], *, replace: bool) -> None:
    """Write each file under a temporary name beside its place, then move all of them there.

    A file that is there already and says the same is left alone.

    Raises:
        BenchError: A file that says something else is there and ``replace`` was not asked for (nothing is written
            then), or the folder cannot be written.
    """
    from tempfile import TemporaryDirectory  # loads more than all commands together need to say what they can do

    place = next(iter(files), Path())
    try:
        new = {path: content for path, content in files.items() if not path.exists() or path.read_bytes() != content}
        strange = tuple(str(path) for path in new if path.exists())
        if strange and not replace:
            raise BenchError(
                f"other files of these names are there; nothing was written. Name another folder with --to, or give "
                f"--replace:{listed(strange)}"
            )
        for folder in {path.parent for path in new}:
            folder.mkdir(parents=True, exist_ok=True)
        for path, content in new.items():
            place = path
            with TemporaryDirectory(prefix=".export-", dir=path.parent) as beside:
                fresh = Path(beside, path.name)
                fresh.write_bytes(content)
                fresh.replace(path)
    except OSError as error:
        raise BenchError(f"the files cannot be written to {place.parent}: {error.strerror or error}") from error
