"""``nightbench export``: the tables of a run as files for other tools."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunName, Store


class Format(StrEnum):
    """File formats that can be written."""

    CSV = "csv"


Kind = Annotated[Format, typer.Option("--format", help="File format.")]
Target = Annotated[Path, typer.Option("--to", help="Folder for the files; made if it is not there.", metavar="DIR")]


def export(
    run_name: RunName,
    file_format: Kind = Format.CSV,
    to: Target = Path(),
    store: Store = DEFAULT_STORE,
    as_json: Json = False,
) -> None:
    """Write the tables of a run as files for other tools.

    Example: nightbench export latest --format csv --to tables
    """
    from bench.cli.output import console, print_json
    from bench.errors import BenchError
    from bench.reporting import report_of
    from bench.store.store import open_store
    from reports.table_csv import characteristics_csv, readings_csv

    with open_store(store, must_exist=True) as opened:
        derived = report_of(opened, opened.find_run(run_name))
    tables = {"characteristics.csv": characteristics_csv(derived), "readings.csv": readings_csv(derived)}
    try:
        to.mkdir(parents=True, exist_ok=True)
        for name, text in tables.items():
            (to / name).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise BenchError(f"the tables cannot be written to {to}: {error.strerror or error}") from error
    files = [str(to / name) for name in tables]
    if as_json:
        print_json({"run": derived.facts.run, "format": file_format.value, "files": list(files)})
        return
    for file in files:
        console().print(file, soft_wrap=True)
