"""``nightbench check``: look at a bench without switching anything on; with ``--loopback``, try every link of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import Acknowledge, Json, MaybeUnit, Operator, PartFile
from bench.cli.output import print_json

if TYPE_CHECKING:
    from bench.check import Finding
    from bench.reach import PathReport
    from drivers.errors import NotThere
    from sequences.bench_file import Bench
    from sequences.errors import FileFault
    from sequences.read_files import Loaded

BenchArgument = Annotated[Path, typer.Argument(help="Bench file (.toml).", metavar="BENCH")]
ForSequence = Annotated[
    Path | None, typer.Option("--sequence", help="Sequence file that the bench is to serve.", metavar="FILE")
]


LoopbackWanted = Annotated[
    bool,
    typer.Option("--loopback", help="Send a small tone of each source through the unit; needs --part or --sequence."),
]
Through = Annotated[bool, typer.Option("--through", help="With --loopback: a through stands in the unit's place.")]


def check(
    bench: BenchArgument,
    sequence: ForSequence = None,
    loopback: LoopbackWanted = False,
    unit: MaybeUnit = None,
    through: Through = False,
    part: PartFile = None,
    acknowledge: Acknowledge = None,
    operator: Operator = "",
    as_json: Json = False,
) -> None:
    """Ask each instrument who it is and how it stands; switch nothing on.

    Error queues are read; serial numbers, calibration dates and path losses are compared with the bench file, and with
    what a sequence needs. With --loopback, and with no fault, bias and then each source alone are switched on, at a
    level that it names first: does every tone arrive where, and as strong as, the files say? As for a run, hazards of a
    real bench are acknowledged by their names, and a guard process switches off if the loopback dies.

    A bench that a run has is not opened: who has it is said instead.

    Example: nightbench check my.bench.toml --sequence my.sequence.toml
    """
    from bench.cli.findings import check_json, show_check
    from bench.exit_codes import ExitCode
    from sequences.read_files import read_bench

    loaded = read_bench(bench)
    plan = None
    if loopback:
        from bench.acknowledgements import Acknowledged, accept
        from bench.cli.loopback import planned

        if (unit is None) is not through:
            raise typer.BadParameter("--loopback needs a SERIAL, or --through", param_hint="--unit")
        plan = planned(loaded, sequence, part, through=through)
        accept(plan.hazards, Acknowledged(tuple(acknowledge or ()), operator))
    elif unit is not None or through or acknowledge:
        raise typer.BadParameter("these go only with --loopback", param_hint="--unit, --through, --acknowledge")
    paths, faults = _paths(loaded, sequence, part)
    findings = _look(loaded)
    answer = check_json(loaded, findings, paths, faults)
    if not as_json:
        show_check(loaded, findings, paths, faults)
    code = ExitCode.BAD_INPUT if faults else ExitCode.DONE
    if not all(finding.works for finding in findings):
        code = ExitCode.INSTRUMENT
    if plan is not None and code == ExitCode.DONE:
        from bench.cli.loopback import loopback_json, run_loopback
        from sequences.through import NO_UNIT

        outcome = run_loopback(plan, loaded, unit or NO_UNIT, operator, as_json=as_json)
        answer["loopback"] = loopback_json(plan, outcome)
        code = ExitCode.DONE if outcome.good else ExitCode.LIMIT_NOT_MET
    if as_json:
        print_json(answer)
    raise typer.Exit(code)


def _look(loaded: Loaded[Bench]) -> tuple[Finding, ...]:
    from bench.assemble import Missing, open_bench
    from bench.check import check_bench
    from bench.locks import Holder, hold_bench
    from drivers.errors import NotThere
    from sequences.read_files import demo_file, read_part

    # A simulated bench needs some unit on it; nothing is powered, so the demo's part stands in for any.
    stand_in = read_part(demo_file("virga-2.part.toml")).model
    missing: Missing = {}
    try:
        with (
            hold_bench(loaded.model, Holder.here("check")),
            open_bench(loaded, stand_in, "none", missing=missing) as opened,
        ):
            return check_bench(loaded.model, opened, missing)
    except NotThere as error:
        raise _with_advice(error, loaded) from error.__cause__


def _with_advice(error: NotThere, loaded: Loaded[Bench]) -> NotThere:
    """The VISA library itself is not there, so no instrument could be asked."""
    from bench.advice import library_advice

    error.add_note(f"{loaded.path}: {library_advice(loaded.model.bench.visa_library)}")
    return error


def _paths(loaded: Loaded[Bench], sequence: Path | None, part: Path | None) -> tuple[PathReport, tuple[FileFault, ...]]:
    """What the path files reach, and what stands between a sequence and this bench. Raises FileFaults."""
    from bench.reach import needs_of, path_report
    from bench.setups import setup_from_files
    from sequences.de_embedding import DeEmbedding
    from sequences.errors import FileFaults
    from sequences.path_losses import PathLosses
    from sequences.read_files import read_part, read_sequence

    needs = None
    faults: tuple[FileFault, ...] = ()
    if sequence is not None:
        asked = read_sequence(sequence).model
        needs = needs_of(asked, read_part(part or sequence.parent / asked.sequence.part).model)
        try:
            setup_from_files(sequence, loaded.path, part)
        except FileFaults as found:
            # Told at the end: what is wrong between the files must not keep the instruments from being looked at.
            faults = found.faults
    losses = PathLosses.of(loaded.model, loaded.attachments)
    fixtures = DeEmbedding.of(loaded.model, loaded.attachments)
    return path_report(loaded.model, losses, fixtures, needs), faults
