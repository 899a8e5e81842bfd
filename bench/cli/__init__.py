"""The command ``nightbench``: one module per command, and here only the way to them and out again.

Rule: importing this package loads nothing heavy, so that ``--help`` answers at once.
"""

from __future__ import annotations

import gc
import sys

import typer

from bench.cli.check import check
from bench.cli.compare import compare
from bench.cli.cut import cut
from bench.cli.demo import demo
from bench.cli.derive import derive, report
from bench.cli.export import export
from bench.cli.failures import run_guarded
from bench.cli.flow import go_on, hold, stop
from bench.cli.plan import plan
from bench.cli.replay import replay
from bench.cli.run import resume, run
from bench.cli.runs import runs
from bench.cli.simulate import simulate
from bench.cli.tell import tell

app = typer.Typer(
    name="nightbench",
    help="Characterize digitally controlled variable gain amplifiers overnight: sweep, store, derive, decide, report.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: it pipes well, and screen readers follow it
    context_settings={"help_option_names": ["-h", "--help"]},
)

for command in (
    demo,
    check,
    plan,
    run,
    resume,
    hold,
    go_on,
    stop,
    runs,
    derive,
    report,
    compare,
    replay,
    cut,
    export,
    simulate,
    tell,
):
    app.command()(command)


@app.callback(invoke_without_command=True)
def front(
    version: bool = typer.Option(False, "--version", help="Show the version and exit."),
) -> None:
    """Characterize digitally controlled variable gain amplifiers overnight: sweep, store, derive, decide, report."""
    if version:
        from bench.version import tool_version

        sys.stdout.write(f"nightbench {tool_version()}\n")
        raise typer.Exit


def main() -> None:
    """Entry point: run a command; turn what a user or an instrument did into one paragraph and an exit code."""
    # Loading modules makes many objects and no garbage; looking for it takes a tenth of the time that `runs` has.
    gc.set_threshold(100_000)
    sys.exit(run_guarded(app, sys.argv[1:]))
