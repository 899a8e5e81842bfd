"""``nightbench export``: the tables of a run as files for other tools."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunName, Store

if TYPE_CHECKING:
    from bench.store.store import Store as OpenStore


class Format(StrEnum):
    """File formats that can be written."""

    CSV = "csv"
    TOUCHSTONE = "touchstone"


Kind = Annotated[Format, typer.Option("--format", help="File format.")]
Channels = Annotated[list[str] | None, typer.Option("--channel", help="Touchstone: only this channel; repeatable.")]
Codes = Annotated[list[int] | None, typer.Option("--gain-code", help="Touchstone: only this code; repeatable.")]
Temperatures = Annotated[
    list[float] | None, typer.Option("--temperature-c", help="Touchstone: only this temperature; repeatable.")
]
Target = Annotated[Path, typer.Option("--to", help="Folder for the files; made if it is not there.", metavar="DIR")]


def export(
    run_name: RunName,
    file_format: Kind = Format.CSV,
    to: Target = Path(),
    channel: Channels = None,
    gain_code: Codes = None,
    temperature_c: Temperatures = None,
    store: Store = DEFAULT_STORE,
    as_json: Json = False,
) -> None:
    """Write the tables of a run, or the S-parameters of its sweeps, as files for other tools.

    Example: nightbench export latest --format touchstone --gain-code 0 --to two-ports
    """
    from bench.cli.output import console, print_json
    from bench.errors import BenchError
    from bench.store.store import open_store

    chosen = _chosen({"channel": channel, "gain_code": gain_code, "temperature_c": temperature_c})
    if chosen and file_format is not Format.TOUCHSTONE:
        raise BenchError("--channel, --gain-code and --temperature-c choose sweeps: they go with --format touchstone")
    with open_store(store, must_exist=True) as opened:
        run = opened.find_run(run_name)
        texts = _tables(opened, run) if file_format is Format.CSV else _two_ports(opened, run, chosen)
    try:
        to.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (to / name).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise BenchError(f"the files cannot be written to {to}: {error.strerror or error}") from error
    files = [str(to / name) for name in texts]
    if as_json:
        print_json({"run": run, "format": file_format.value, "files": list(files)})
        return
    for file in files:
        console().print(file, soft_wrap=True)


def _chosen(options: dict[str, Sequence[object] | None]) -> dict[str, tuple[object, ...]]:
    return {axis: tuple(values) for axis, values in options.items() if values}


def _tables(store: OpenStore, run: str) -> dict[str, str]:
    from bench.reporting import report_of
    from reports.table_csv import cascades_csv, characteristics_csv, readings_csv

    report = report_of(store, run)
    texts = {"characteristics.csv": characteristics_csv(report), "readings.csv": readings_csv(report)}
    return texts if report.cascades.empty else texts | {"cascades.csv": cascades_csv(report)}


def _two_ports(store: OpenStore, run: str, chosen: dict[str, tuple[object, ...]]) -> dict[str, str]:
    from bench.errors import BenchError
    from bench.reporting import frames_of
    from reports.errors import CannotDerive
    from reports.touchstone_file import touchstone_files

    try:
        files = touchstone_files(frames_of(store, run), chosen)
    except CannotDerive as error:
        raise BenchError(f"run {run}: {error}") from error
    if not files:
        raise BenchError(f"run {run} has no sweep of what was chosen")
    return files
