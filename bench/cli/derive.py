"""``nightbench derive`` and ``nightbench report``: from stored readings to characteristics, decisions and a report."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, BenchFile, Folder, Json, PartFile, Residual, RunName, RunNames, Store

if TYPE_CHECKING:
    from bench.inputs import Inputs
    from bench.store.store import Store as OpenStore
    from reports.summary import Report

Who = Annotated[str, typer.Option("--operator", envvar="NIGHTBENCH_OPERATOR", help="Who derives it again.")]
Number = Annotated[
    int | None,
    typer.Option("--derivation", help="With the inputs of this one, as the store keeps them.", metavar="N"),
]


def derive(
    run_name: RunName,
    store: Store = DEFAULT_STORE,
    part: PartFile = None,
    bench: BenchFile = None,
    residual: Residual = None,
    operator: Who = "",
    as_json: Json = False,
) -> None:
    """Derive a run again from its readings and decide it.

    Other limits or path losses take the place of the run's own where they are given; the store keeps which inputs gave
    which result.

    Example: nightbench derive latest --part tighter.part.toml
    """
    from bench.cli.answers import decisions_json, show_decisions
    from bench.cli.output import print_json
    from bench.exit_codes import of_decision

    with _opened(store) as opened:
        inputs = _inputs(opened, part, bench, residual)
        report, number = _derived(opened, opened.find_run(run_name), inputs, operator)
    if as_json:
        print_json(decisions_json(report))
    else:
        show_decisions(report)
        _show_what_next(report.facts.run, number)
    raise typer.Exit(of_decision(report.decision))


def _show_what_next(run: str, number: int | None) -> None:
    from bench.cli.output import console

    # Without a number the inputs are the run's own, or the store takes nothing, which has been said.
    again = f"nightbench report {run[:8]}" + ("" if number is None else f" --derivation {number}")
    console().print(f"its report: {again}", soft_wrap=True, markup=False)


def report(
    run_names: RunNames,
    store: Store = DEFAULT_STORE,
    to: Folder = None,
    part: PartFile = None,
    bench: BenchFile = None,
    residual: Residual = None,
    derivation: Number = None,
    operator: Who = "",
    as_json: Json = False,
) -> None:
    """Write the report folder of one or more runs.

    Other limits or path losses take the place of the run's own where they are given; the store keeps which inputs gave
    which result, and --derivation makes the report of one of these again.

    Runs of several units are pooled as well: each report shows the typical values over the units, and pooled.csv holds
    mean, spread and capability at each limit's conditions.

    Example: nightbench report latest --to report --part tighter.part.toml
    """
    from bench.cli.answers import answer_reports, side_by_side, write_pooled, write_report
    from bench.exit_codes import ExitCode, of_decision

    given = part is not None or bench is not None or residual is not None
    with _opened(store) as opened:
        runs = list(dict.fromkeys(opened.find_run(name) for name in run_names))
        if derivation is None:
            inputs = _inputs(opened, part, bench, residual)
            derived = [_derived(opened, run, inputs, operator)[0] for run in runs]
        else:
            derived = [_as_noted(opened, runs, derivation, given=given)]
    made = []
    for one in side_by_side(derived):
        folder = to / one.facts.run[:8] if to is not None and len(run_names) > 1 else to
        made.append((one, write_report(one, folder)))
    pooled = write_pooled(derived, to)
    answer_reports(made, pooled, as_json=as_json)
    raise typer.Exit(max((of_decision(one.decision) for one in derived), default=ExitCode.DONE))


def _opened(store: str) -> OpenStore:
    """The store, only to be read if it cannot be written: its runs can be derived all the same."""
    from bench.errors import StoreFault
    from bench.notebook import open_store as open_to_read
    from bench.store.store import open_store

    try:
        return open_store(store, must_exist=True)
    except StoreFault as error:
        try:
            return open_to_read(store)
        except StoreFault:
            raise error from None


def _inputs(store: OpenStore, part: Path | None, bench: Path | None, residual: str | None) -> Inputs:
    from bench.inputs import Inputs

    return Inputs.read(part, bench, None if residual is None else store.find_run(residual))


def _derived(store: OpenStore, run: str, inputs: Inputs, operator: str) -> tuple[Report, int | None]:
    """Derive with ``inputs`` and keep what they gave, with its number; None where they are the run's own.

    A store that cannot be written is no reason not to answer.
    """
    from bench.cli.output import side_console
    from bench.errors import StoreFault
    from bench.reporting import derived_with, note_derivation

    report = derived_with(store, run, inputs)
    number = None
    try:
        noted = note_derivation(store, report, inputs, operator)
    except StoreFault as error:
        side_console().print(f"which inputs gave this is not kept: {error}", markup=False)
    else:
        if noted is not None:
            number = noted.number
            side_console().print(f"kept as derivation {number} of run {run[:8]}", markup=False)
        elif not inputs.is_empty:
            side_console().print("the files say what the run's own say: there is nothing new to keep", markup=False)
    return _told(store, report, inputs, number), number


def _as_noted(store: OpenStore, runs: list[str], number: int, *, given: bool) -> Report:
    """A derivation made again from what the store keeps of it; says on standard error if another result comes out."""
    from bench.cli.output import side_console
    from bench.errors import BenchError
    from bench.inputs import Inputs
    from bench.reporting import derived_with, digest_of

    if len(runs) > 1 or given:
        raise BenchError("--derivation names the inputs of one run: give one run, and no --part, --bench or --residual")
    noted = store.derivation(runs[0], number)
    inputs = Inputs.of_facts(noted.inputs)
    report = derived_with(store, runs[0], inputs)
    if digest_of(report) != noted.digest:
        text = (
            f"derivation {number} was made with nightbench {noted.tool_version} and had another result "
            f"({noted.decision}, SHA-256 {noted.digest[:16]}…) than these inputs give now"
        )
        side_console().print(text, markup=False)
    return _told(store, report, inputs, number)


def _told(store: OpenStore, report: Report, inputs: Inputs, number: int | None) -> Report:
    """The report with a note of what is not the run's own."""
    other = inputs.other_than(store.run_texts(report.facts.run))
    if other.is_empty:
        return report
    names = [one.text for one in report.inputs if not one.is_own]
    if other.residual is not None:
        names.append(f"run {other.residual[:8]} with a through")
    which = "" if number is None else f", derivation {number} of this run"
    remark = f"Derived again from the stored readings with another {', another '.join(names)}{which}."
    return replace(report, remark=remark)
