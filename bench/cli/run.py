"""``nightbench run`` and ``nightbench resume``: the night itself."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import (
    DEFAULT_STORE,
    BenchFile,
    Folder,
    Json,
    MaybeUnit,
    Operator,
    PartFile,
    RunName,
    SequenceFile,
    Store,
)

if TYPE_CHECKING:
    from bench.events import Listener
    from bench.job import StopSwitch
    from bench.night import Night, OnBegin
    from bench.plan import Plan
    from bench.store.store import Store as OpenStore
    from reports.summary import Report

    Work = Callable[[OpenStore, Listener, StopSwitch, OnBegin], Night]

Through = Annotated[bool, typer.Option("--through", help="No unit: a through in its place, bias stays off.")]
ReportWanted = Annotated[bool, typer.Option("--report/--no-report", help="Write a report at the end.")]


def run(
    sequence: SequenceFile,
    unit: MaybeUnit = None,
    through: Through = False,
    bench: BenchFile = None,
    part: PartFile = None,
    operator: Operator = "",
    store: Store = DEFAULT_STORE,
    to: Folder = None,
    report: ReportWanted = True,
    as_json: Json = False,
) -> None:
    """Run a sequence on a unit, unattended, and report.

    With --through there is no unit: the run shows what the bench itself contributes.

    Example: nightbench run my.sequence.toml --unit VG2-0007
    """
    from bench.night import start_run, start_through
    from bench.setups import setup_from_files

    if (unit is None) is not through:
        raise typer.BadParameter("give a SERIAL, or --through for a through in its place", param_hint="--unit")
    setup = setup_from_files(sequence, bench, part)

    def work(opened: OpenStore, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
        if unit is None:
            return start_through(setup, operator, opened, listener, stop, on_begin)
        return start_run(setup, unit, operator, opened, listener, stop, on_begin)

    make_night(work, store, must_exist=False, to=to, with_report=report, as_json=as_json)


def resume(
    run_name: RunName,
    store: Store = DEFAULT_STORE,
    to: Folder = None,
    report: ReportWanted = True,
    as_json: Json = False,
) -> None:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    A folder of own drivers is looked for from the current folder.

    Example: nightbench resume latest
    """
    from bench.cli.output import side_console
    from bench.night import resume_run
    from bench.setups import changed_tables, setup_of

    def work(opened: OpenStore, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
        run_id = opened.find_run(run_name)
        for name in changed_tables(setup_of(opened, run_id), Path.cwd()):
            side_console().print(
                f"{name} has changed since the run began; it goes on with the table that it began with", soft_wrap=True
            )
        return resume_run(opened, run_id, listener, stop, on_begin)

    make_night(work, store, must_exist=True, to=to, with_report=report, as_json=as_json)


def make_night(work: Work, store: str, *, must_exist: bool, to: Path | None, with_report: bool, as_json: bool) -> None:
    """Do the run that ``work`` does, with progress, hazards and a way to stop; report; exit by the decision."""
    from bench.cli.answers import check_folder, write_report
    from bench.cli.plan import show_hazards
    from bench.cli.progress import RunProgress, stop_on_signals
    from bench.clocks import RealClock
    from bench.errors import BenchError
    from bench.exit_codes import of_decision
    from bench.reporting import report_of
    from bench.store.store import open_store
    from drivers.errors import InstrumentError

    if with_report and to is not None:
        check_folder(to)
    clock = RealClock()
    with open_store(store, must_exist=must_exist) as opened:
        store_name = opened.name.removeprefix("store ")  # its name in messages; here it must do for --store
        with RunProgress() as progress, stop_on_signals() as stop:

            def on_begin(run_id: str, plan: Plan) -> None:
                show_hazards(plan.hazards, to_side=True)
                progress.begin(run_id, plan)

            try:
                night = work(opened, progress, stop, on_begin)
            except (BenchError, InstrumentError) as error:
                if progress.run:
                    error.add_note(resume_hint(progress.run, store_name))
                raise
        report = report_of(opened, night.run)
        try:
            page = write_report(report, to) if with_report else None
        except BenchError as error:
            error.add_note(f"the run is kept: nightbench report {_named(night.run, store_name)}")
            raise
    _answer(night, report, store_name, page, clock.elapsed_s(), as_json=as_json)
    raise typer.Exit(of_decision(report.decision))


def _answer(
    night: Night, report: Report, store_name: str, page: Path | None, elapsed_s: float, *, as_json: bool
) -> None:
    """Say what the run decided and where everything lies."""
    from bench.cli.answers import show_decisions
    from bench.cli.output import console, duration_text, print_json

    if as_json:
        print_json(
            {
                "run": night.run,
                "store": store_name,
                "report": None if page is None else str(page),
                "conditions": night.conditions,
                "decision": report.decision,
                "not_tested": sum(limit.decision == "not tested" for limit in report.limits),
                "elapsed_s": round(elapsed_s, 3),
                "bench_time_s": round(night.bench_time_s, 3),
            }
        )
        return
    show_decisions(report)
    out = console()
    now = "" if night.measured == night.conditions else f" ({night.measured} of them now)"
    out.print(
        f"{night.conditions} conditions{now}, {duration_text(night.bench_time_s)} on the bench, "
        f"{duration_text(elapsed_s)} here"
    )
    out.print(f"store:  {store_name}", soft_wrap=True)
    if page is not None:
        out.print(f"report: {page}", soft_wrap=True)


def resume_hint(run: str, store_name: str) -> str:
    """The command that goes on with a run, ready to be pasted."""
    return f"go on with: nightbench resume {_named(run, store_name)}"


def _named(run: str, store_name: str) -> str:
    """A run as the command line names it."""
    return run[:8] if store_name == DEFAULT_STORE else f"{run[:8]} --store {shlex.quote(store_name)}"
