"""``nightbench check``: look at a bench without switching anything on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import Json
from bench.cli.output import Plain, console, print_json, table_of

if TYPE_CHECKING:
    from bench.assemble import Missing
    from bench.check import Finding

BenchArgument = Annotated[Path, typer.Argument(help="Bench file (.toml).", metavar="BENCH")]


def check(bench: BenchArgument, as_json: Json = False) -> None:
    """Ask each instrument who it is; switch nothing on.

    Error queues are read; serial numbers and calibration dates are compared with the bench file.

    Example: nightbench check my.bench.toml
    """
    from bench.assemble import open_bench
    from bench.check import check_bench
    from bench.exit_codes import ExitCode
    from sequences.read_files import demo_file, read_bench, read_part

    loaded = read_bench(bench)
    # A simulated bench needs some unit on it; nothing is powered, so the demo's part stands in for any.
    part = read_part(demo_file("virga-2.part.toml")).model
    missing: Missing = {}
    with open_bench(loaded, part, "none", missing=missing) as opened:
        findings = check_bench(loaded.model, opened, missing)
    good = all(finding.works for finding in findings)
    if as_json:
        instruments: list[Plain] = [_finding_json(finding) for finding in findings]
        print_json({"bench": loaded.model.bench.name, "works": good, "instruments": instruments})
    else:
        rows = [
            (
                finding.place,
                "✓ answers" if finding.works else "✗ fault",
                finding.answer,
                f"{finding.link_s * 1e3:.1f} ms",
                "; ".join(finding.remarks),
            )
            for finding in findings
        ]
        columns = ("Place", "State", "Answer", "Link", "Remarks")
        console().print(table_of(f"Bench {loaded.model.bench.name}", columns, rows, right="Link"))
        count = sum(finding.works for finding in findings)
        console().print(
            f"{count} of {len(findings)} instruments answer as the bench file says; nothing was switched on"
        )
    raise typer.Exit(ExitCode.DONE if good else ExitCode.INSTRUMENT)


def _finding_json(finding: Finding) -> dict[str, Plain]:
    return {
        "place": finding.place,
        "resource": finding.resource,
        "answer": finding.answer,
        "works": finding.works,
        "remarks": list(finding.remarks),
        "link_s": round(finding.link_s, 6),
    }
