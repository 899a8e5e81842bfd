"""``nightbench export``: runs as files for other tools."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunNames, Store
from bench.exports import Chosen, Format

if TYPE_CHECKING:
    from bench.exports import Exported
    from bench.store.store import Store as OpenStore

Kinds = Annotated[list[Format] | None, typer.Option("--format", help="File format; repeatable. csv if none is named.")]
Channels = Annotated[list[str] | None, typer.Option("--channel", help="Touchstone: only this channel; repeatable.")]
Codes = Annotated[list[int] | None, typer.Option("--gain-code", help="Touchstone: only this code; repeatable.")]
Temperatures = Annotated[
    list[float] | None, typer.Option("--temperature-c", help="Touchstone: only this temperature; repeatable.")
]
Target = Annotated[
    Path,
    typer.Option("--to", help="Folder for the files, with several runs for a folder of each; made.", metavar="DIR"),
]
Replace = Annotated[bool, typer.Option("--replace", help="Put the files in place of others of their names.")]


def export(
    run_names: RunNames,
    file_format: Kinds = None,
    to: Target = Path(),
    replace: Replace = False,
    channel: Channels = None,
    gain_code: Codes = None,
    temperature_c: Temperatures = None,
    store: Store = DEFAULT_STORE,
    as_json: Json = False,
) -> None:
    """Write runs as files for other tools.

    csv and parquet: a file for each table, units in the columns' names; csv with a data dictionary, parquet with
    units and meanings inside. xlsx: one workbook. touchstone: S-parameters of the unit alone, an .s2p for each sweep.
    json: decisions as summary.json, with its JSON Schema.

    A file of that name that says something else is not replaced unless --replace is given.

    Example: nightbench export latest --format xlsx --format parquet --to tables
    """
    from bench.cli.output import Plain, console, print_json
    from bench.errors import BenchError
    from bench.exports import files_of, write_files
    from bench.store.store import open_store

    formats = list(dict.fromkeys(file_format or [Format.CSV]))
    chosen = _chosen({"channel": channel, "gain_code": gain_code, "temperature_c": temperature_c})
    if chosen and Format.TOUCHSTONE not in formats:
        raise BenchError("--channel, --gain-code and --temperature-c choose sweeps: they go with --format touchstone")
    contents: dict[Path, bytes] = {}
    exports: list[Plain] = []
    with open_store(store, must_exist=True) as opened:
        runs = list(dict.fromkeys(opened.find_run(name) for name in run_names))
        for run in runs:
            folder = to / run[:8] if len(runs) > 1 else to
            exported = _exported(opened, run, chosen)
            for one in formats:
                made = {folder / name: content for name, content in files_of(exported, one).items()}
                exports.append({"run": run, "format": one.value, "files": [str(path) for path in made]})
                contents |= made
    write_files(contents, replace=replace)
    files: list[Plain] = [str(path) for path in contents]
    if as_json:
        print_json({"run": runs[0], "format": formats[0].value, "files": files, "exports": exports})
        return
    for file in files:
        console().print(file, soft_wrap=True)


def _exported(store: OpenStore, run: str, chosen: Chosen) -> Exported:
    from bench.exports import Exported
    from bench.reporting import frames_of
    from reports.summary import summarise

    frames = frames_of(store, run)
    return Exported(frames, cache(lambda: summarise(frames)), chosen)


def _chosen(options: dict[str, Sequence[object] | None]) -> Chosen:
    return {axis: tuple(values) for axis, values in options.items() if values}
