"""From an error to one paragraph on standard error and an exit code.

No user ever sees a traceback for something that they or an instrument did.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence as SequenceOf

import typer

from bench.cli.output import print_json


def run_guarded(app: typer.Typer, arguments: SequenceOf[str]) -> int:
    """Run the command line; returns its exit code. Only a mistake of ours is shown with its traceback."""
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


def _code(end: SystemExit) -> int:
    if end.code is None:
        return 0
    return end.code if isinstance(end.code, int) else 1


def _say(text: str) -> None:
    sys.stderr.write(f"nightbench: {text}\n")
