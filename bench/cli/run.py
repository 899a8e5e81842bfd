"""``nightbench run`` and ``nightbench resume``: the night itself."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from collections.abc import Sequence as SequenceOf
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import (
    DEFAULT_STORE,
    Acknowledge,
    BenchFile,
    Folder,
    Json,
    MaybeUnit,
    Operator,
    PartFile,
    RunName,
    SequenceFile,
    Store,
    TellFile,
)

if TYPE_CHECKING:
    from bench.events import Event, Listener
    from bench.job import StopSwitch
    from bench.night import Night, OnBegin
    from bench.plan import Plan
    from bench.store.store import Store as OpenStore
    from bench.tell_file import TellFile as Tell
    from reports.summary import Report

    Work = Callable[[OpenStore, Listener, StopSwitch, OnBegin], Night]

Through = Annotated[bool, typer.Option("--through", help="No unit: a through in its place, bias stays off.")]
OtherSequence = Annotated[
    Path | None, typer.Option("--sequence", help="Sequence file to compare with; else where it lay.", metavar="FILE")
]
AcceptChange = Annotated[
    bool, typer.Option("--accept-change", help="Go on with what the run began with, though files have changed since.")
]
Recheck = Annotated[
    int | None,
    typer.Option("--recheck", min=0, max=100, help="Measure N earlier conditions once more: has anything drifted?"),
]
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
    acknowledge: Acknowledge = None,
    tell: TellFile = None,
    as_json: Json = False,
) -> None:
    """Run a sequence on a unit, unattended, and report.

    With --through there is no unit: the run shows what the bench itself contributes.
    On a real bench, hazards that only a person can deal with are acknowledged by their names in the plan.

    Example: nightbench run my.sequence.toml --unit VG2-0007
    """
    from bench.cli.tell import own_tell_file
    from bench.night import start_run, start_through
    from bench.setups import setup_from_files

    if unit is not None and not unit.strip():
        raise typer.BadParameter("a SERIAL has at least one sign that can be seen", param_hint="--unit")
    if (unit is None) is not through:
        raise typer.BadParameter("give a SERIAL, or --through for a through in its place", param_hint="--unit")
    setup = setup_from_files(sequence, bench, part)
    named = tuple(acknowledge or ())

    def work(opened: OpenStore, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
        if unit is None:
            return start_through(setup, operator, opened, listener, stop, on_begin, named)
        return start_run(setup, unit, operator, opened, listener, stop, on_begin, named)

    make_night(work, store, must_exist=False, to=to, with_report=report, as_json=as_json, tell=own_tell_file(tell))


def resume(
    run_name: RunName,
    unit: MaybeUnit = None,
    sequence: OtherSequence = None,
    bench: BenchFile = None,
    part: PartFile = None,
    accept_change: AcceptChange = False,
    recheck: Recheck = None,
    operator: Operator = "",
    store: Store = DEFAULT_STORE,
    to: Folder = None,
    report: ReportWanted = True,
    acknowledge: Acknowledge = None,
    tell: TellFile = None,
    as_json: Json = False,
) -> None:
    """Go on with a run that was stopped, tripped or cut off, with the files that it began with.

    Before anything is opened the files are compared with those of the run, where they lay or as the options name them:
    a change must be accepted, and the run goes on with what it began with. The serial of the unit on the bench, where
    given, must be the run's. A folder of own drivers is looked for from the current folder.

    Example: nightbench resume latest
    """
    from bench.acknowledgements import Acknowledged
    from bench.cli.tell import own_tell_file
    from bench.night import resume_run
    from bench.resuming import Comparison

    named = {"part": part, "bench": bench, "sequence": sequence}
    given = {kind: path for kind, path in named.items() if path is not None}
    comparison = Comparison(given, unit, accept=accept_change, recheck=recheck)
    said = Acknowledged(tuple(acknowledge or ()), operator)

    def work(opened: OpenStore, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
        return resume_run(opened, opened.find_run(run_name), listener, stop, on_begin, comparison, said)

    make_night(work, store, must_exist=True, to=to, with_report=report, as_json=as_json, tell=own_tell_file(tell))


def make_night(
    work: Work,
    store: str,
    *,
    must_exist: bool,
    to: Path | None,
    with_report: bool,
    as_json: bool,
    tell: Tell | None = None,
) -> None:
    """Do the run that ``work`` does, with progress, hazards and a way to stop; report; exit by the decision."""
    from bench.cli.answers import check_folder, write_report
    from bench.cli.keys import keys_of
    from bench.cli.plan import show_hazards
    from bench.cli.progress import RunProgress, stop_on_signals
    from bench.clocks import RealClock
    from bench.errors import BenchError
    from bench.exit_codes import of_decision
    from bench.opening import door_text
    from bench.reporting import report_of
    from bench.store.store import open_store
    from bench.tell_file import handing_down
    from bench.wishes import listening
    from bench.witnesses import Witnesses

    if with_report and to is not None:
        check_folder(to)
    clock = RealClock()
    progress = RunProgress()
    with open_store(store, must_exist=must_exist) as opened, Witnesses(opened, progress, tell, clock) as witnesses:
        store_name = opened.name.removeprefix("store ")  # its name in messages; here it must do for --store
        with progress, stop_on_signals() as stop, handing_down(tell), ExitStack() as ears:

            def on_begin(run_id: str, plan: Plan) -> None:
                show_hazards(plan.hazards, to_side=True)
                witnesses.begin(run_id, plan)
                if plan.setup.bench.model.bench.clock == "simulated":
                    stop.patience = clock
                ears.enter_context(listening(run_id, stop))
                progress.keys = ears.enter_context(keys_of(stop))
                progress.begin(run_id, plan)

            try:
                night = work(opened, witnesses, stop, on_begin)
            except BaseException as error:
                witnesses.ended_by(error)
                door, resume = door_text(progress.door), progress.run and resume_hint(progress.run, store_name, error)
                for note in filter(None, (door, resume, witnesses.log and f"log: {witnesses.log}")):
                    error.add_note(note)
                raise
        report = report_of(opened, night.run)
        witnesses.decided(report.decision)
        try:
            page = write_report(report, to) if with_report else None
        except BenchError as error:
            error.add_note(f"the run is kept: nightbench report {_named(night.run, store_name)}")
            raise
        _answer(night, report, store_name, page, witnesses.log, progress.door, clock.elapsed_s(), as_json=as_json)
        raise typer.Exit(of_decision(report.decision, skipped=night.skipped))


def _answer(
    night: Night,
    report: Report,
    store_name: str,
    page: Path | None,
    log: str,
    door: SequenceOf[Event],
    elapsed_s: float,
    *,
    as_json: bool,
) -> None:
    """Say what the run decided and where everything lies."""
    from bench.cli.answers import show_decisions
    from bench.cli.output import console, duration_text, print_json
    from bench.opening import door_json, door_text

    if as_json:
        safe = door_json(door)
        print_json(
            {
                "run": night.run,
                "store": store_name,
                "report": None if page is None else str(page),
                "log": log or None,
                "conditions": night.conditions,
                "decision": report.decision,
                "safe_to_open": None if safe is None else {**safe},
                "skipped": night.skipped,
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
    if night.skipped:
        out.print(f"{night.skipped} skipped; to try them again, {resume_hint(night.run, store_name)}", soft_wrap=True)
    if door_text(door):
        out.print(door_text(door), soft_wrap=True, markup=False)
    out.print(f"store:  {store_name}", soft_wrap=True)
    if log:
        out.print(f"log:    {log}", soft_wrap=True)
    if page is not None:
        out.print(f"report: {page}", soft_wrap=True)


def resume_hint(run: str, store_name: str, after: BaseException | None = None) -> str:
    """The command that goes on with a run, ready to be pasted; after a trip somebody has to look at the bench first."""
    from bench.errors import Tripped, UnsafeBench

    first = "when the cause has been mended, " if isinstance(after, Tripped | UnsafeBench) else ""
    return f"{first}go on with: nightbench resume {_named(run, store_name)}"


def _named(run: str, store_name: str) -> str:
    """A run as the command line names it."""
    return run[:8] if store_name == DEFAULT_STORE else f"{run[:8]} --store {shlex.quote(store_name)}"
