"""``nightbench derive`` and ``nightbench report``: from stored readings to characteristics, decisions and a report."""

from __future__ import annotations

import typer

from bench.cli.options import DEFAULT_STORE, BenchFile, Folder, Json, PartFile, Residual, RunName, RunNames, Store


def derive(
    run_name: RunName,
    store: Store = DEFAULT_STORE,
    part: PartFile = None,
    bench: BenchFile = None,
    residual: Residual = None,
    as_json: Json = False,
) -> None:
    """Derive a run again from its readings and decide it.

    Other limits or path losses take the place of the run's own where they are given.

    Example: nightbench derive latest --part tighter.part.toml
    """
    from bench.cli.answers import decisions_json, show_decisions
    from bench.cli.output import print_json
    from bench.exit_codes import of_decision
    from bench.reporting import report_of
    from bench.store.store import open_store

    with open_store(store, must_exist=True) as opened:
        through = None if residual is None else opened.find_run(residual)
        report = report_of(opened, opened.find_run(run_name), part, bench, through)
    if as_json:
        print_json(decisions_json(report))
    else:
        show_decisions(report)
    raise typer.Exit(of_decision(report.decision))


def report(
    run_names: RunNames,
    store: Store = DEFAULT_STORE,
    to: Folder = None,
    part: PartFile = None,
    bench: BenchFile = None,
    residual: Residual = None,
    as_json: Json = False,
) -> None:
    """Write the report folder of one or more runs.

    Other limits or path losses take the place of the run's own where they are given.

    Runs of several units are pooled as well: each report shows the typical values over the units, and pooled.csv holds
    mean, spread and capability at each limit's conditions.

    Example: nightbench report latest --to report --part tighter.part.toml
    """
    from bench.cli.answers import answer_reports, side_by_side, write_pooled, write_report
    from bench.exit_codes import ExitCode, of_decision
    from bench.reporting import report_of
    from bench.store.store import open_store

    with open_store(store, must_exist=True) as opened:
        through = None if residual is None else opened.find_run(residual)
        runs = dict.fromkeys(opened.find_run(name) for name in run_names)
        derived = [report_of(opened, run, part, bench, through) for run in runs]
    made = []
    for one in side_by_side(derived):
        folder = to / one.facts.run[:8] if to is not None and len(run_names) > 1 else to
        made.append((one, write_report(one, folder)))
    pooled = write_pooled(derived, to)
    answer_reports(made, pooled, as_json=as_json)
    raise typer.Exit(max((of_decision(one.decision) for one in derived), default=ExitCode.DONE))
