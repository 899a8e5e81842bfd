"""From an error to one paragraph on standard error and an exit code.

No user ever sees a traceback for something that they or an instrument did.
"""

from __future__ import annotations

import os
import sys
import textwrap
import traceback
from collections.abc import Sequence as SequenceOf

import typer

from bench.cli.output import print_json

#: Columns of a terminal that nobody has made wider.
LINE_WIDTH = 80


def run_guarded(app: typer.Typer, arguments: SequenceOf[str]) -> int:
    """Run the command line; returns its exit code. Only a mistake of ours is shown with its traceback."""
    try:
        code = _run(app, arguments)
        sys.stdout.flush()
        sys.stderr.flush()
    except BrokenPipeError:
        code = None
    return _left_alone() if code is None else code


def _run(app: typer.Typer, arguments: SequenceOf[str]) -> int | None:
    """Exit code; None if whoever read the answer has gone."""
    try:
        app(list(arguments), prog_name="nightbench", standalone_mode=True)
    except SystemExit as end:
        return _code(end)
    except KeyboardInterrupt:
        from bench.exit_codes import ExitCode

        _say("stopped; nothing was switched on")
        return ExitCode.STOPPED
    except Exception as error:  # noqa: BLE001  # the outermost frame: whatever comes here must end in an exit code
        from bench.exit_codes import ExitCode, of_error

        code = of_error(error)
        if code is None:
            traceback.print_exc()
            _say("this is a mistake in nightbench; please report it with the lines above")
            return ExitCode.OUR_MISTAKE
        if "--json" in arguments:
            print_json({"error": type(error).__name__, "text": str(error), "exit_code": int(code)})
        _say(str(error))
        for note in getattr(error, "__notes__", ()):
            _say(note)
        return code
    return 0


def _code(end: SystemExit) -> int | None:
    if isinstance(end.__context__, BrokenPipeError):
        return None  # both libraries that print for us end so, with the code of a limit that is not met
    if end.code is None:
        return 0
    return end.code if isinstance(end.code, int) else 1


def _left_alone() -> int:
    """End without a word, as programs do whose reader has gone, such as ``head``; Python's own end would complain."""
    from bench.exit_codes import ExitCode

    nowhere = os.open(os.devnull, os.O_WRONLY)
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except BrokenPipeError:
            os.dup2(nowhere, stream.fileno())
    return ExitCode.NOBODY_READS


def _say(text: str) -> None:
    """Write a paragraph; items of a list are folded, other lines may hold a command and stay whole."""
    folded = "\n".join(_folded(line) if line.startswith("  ") else line for line in text.splitlines())
    sys.stderr.write(f"nightbench: {folded}\n")


def _folded(item: str) -> str:
    return textwrap.fill(item, LINE_WIDTH, subsequent_indent="    ", break_long_words=False, break_on_hyphens=False)
