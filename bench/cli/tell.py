"""``nightbench tell``: who is told of a run and how, and a way to try it before the night."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import Json, TellFile
from bench.cli.output import Plain, console, print_json

if TYPE_CHECKING:
    from bench.tell_file import TellFile as Tell

Try = Annotated[bool, typer.Option("--try", help="Send a message every way, and say what became of it.")]


def tell(tell: TellFile = None, send: Try = False, as_json: Json = False) -> None:
    """Show who is told when a run ends, trips or pauses, and try it.

    Addresses and arguments are not shown: they may hold secrets.

    Example: nightbench tell --try
    """
    from bench.errors import BenchError
    from bench.telling import ways_of

    file = own_tell_file(tell)
    if file is None:
        raise BenchError(f"nobody is told: there is no table [tell] in {tell or own_folder() / 'nightbench.toml'}")
    failed = _try(file) if send else {}
    ways = [way.name for way in ways_of(file)]
    if as_json:
        lines: list[Plain] = [
            {"way": way, "told": way not in failed if send else None, "problem": failed.get(way)} for way in ways
        ]
        print_json({"file": str(file.path), "on": list(file.on), "limit_s": file.limit_s, "ways": lines})
    else:
        out = console()
        out.print(f"file: {file.path}", soft_wrap=True, markup=False)
        out.print(f"of:   {', '.join(file.on)}", markup=False)
        for way in ways:
            became = f": {failed.get(way, 'told')}" if send else ""
            out.print(f"by:   {way}{became}", soft_wrap=True, markup=False)
    if failed:
        raise BenchError(f"could not tell by {len(failed)} of {len(ways)} ways: {'; '.join(failed)}")


def _try(file: Tell) -> dict[str, str]:
    """Send one message every way; what failed, by way."""
    from dataclasses import replace

    from bench.clocks import RealClock
    from bench.tell_file import Message
    from bench.telling import Teller

    teller = Teller(replace(file, on=(*file.on, "try")))
    at = RealClock().now().isoformat(timespec="seconds")
    teller.tell(Message("try", "this is how nightbench tells you of a run", "none", "none", "none", at))
    teller.close()
    return {untold.way: untold.reason for untold in teller.failures()}


def own_tell_file(named: Path | None) -> Tell | None:
    """Whom to tell, from the file that was named or the user's own; None for nobody. Raises FileFaults."""
    from bench.tell_file import find_tell_file

    return find_tell_file(named, own_folder())


def own_folder() -> Path:
    """The user's folder of settings for this tool."""
    return Path(typer.get_app_dir("nightbench"))
