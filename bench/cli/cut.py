"""``nightbench cut``: a few conditions of a recording as one small text file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunName, Store

Conditions = Annotated[
    str, typer.Option("--conditions", help="Numbers of conditions from 0, as in 0-2,7.", metavar="NUMBERS")
]
Places = Annotated[list[str] | None, typer.Option("--place", help="Only what was said to this place; repeatable.")]
BringUp = Annotated[bool, typer.Option("--bring-up", help="The way up too, from the first question on.")]
CutFile = Annotated[Path, typer.Option("--to", help="File to write.", metavar="FILE")]
ReplaceFile = Annotated[bool, typer.Option("--replace", help="Put it in place of a file of that name.")]


def cut(
    run_name: RunName,
    conditions: Conditions = "0",
    place: Places = None,
    bring_up: BringUp = False,
    to: CutFile = Path("night.recording.jsonl"),
    replace: ReplaceFile = False,
    store: Store = DEFAULT_STORE,
    as_json: Json = False,
) -> None:
    """Cut a recording to a few conditions, as a text file for the test of a driver.

    JSON Lines: a header, then one exchange a line, readable and to the byte. ``drivers.recording_file`` plays one
    instrument of it to a driver.

    Example: nightbench cut latest --conditions 0-2 --place analyzer --to analyzer.recording.jsonl
    """
    from bench.cli.output import console, print_json
    from bench.cutting import cut_recording, numbers_of
    from bench.errors import BenchError
    from bench.store.store import open_store

    numbers = numbers_of(conditions)
    with open_store(store, must_exist=True) as opened:
        run = opened.find_run(run_name)
        text = cut_recording(opened, run, numbers, place or (), bring_up=bring_up)
    if to.is_dir():
        raise BenchError(f"{to} is a folder; name a file in it, such as {to / 'night.recording.jsonl'}")
    if to.exists() and not replace:
        raise BenchError(f"{to} is there already; give --replace, or another name with --to")
    try:
        to.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise BenchError(f"{to} cannot be written: {error.strerror or error}") from error
    count, size = text.count("\n") - 1, len(text.encode())
    if as_json:
        print_json({"run": run, "file": str(to), "exchanges": count, "bytes": size})
        return
    console().print(f"{to}: {count} exchanges, {size:,} bytes", soft_wrap=True, markup=False)
