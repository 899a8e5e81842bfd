"""Options that several commands share, said once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Json = Annotated[bool, typer.Option("--json", help="One JSON object on standard output; progress on standard error.")]
Store = Annotated[
    str,
    typer.Option("--store", envvar="NIGHTBENCH_STORE", help="Store to use: a file or a database URL.", metavar="URL"),
]
BenchFile = Annotated[Path | None, typer.Option("--bench", help="Bench file to use instead of the own one.")]
PartFile = Annotated[Path | None, typer.Option("--part", help="Part file to use instead of the own one.")]
MaybeUnit = Annotated[str | None, typer.Option("--unit", help="Serial number of the unit.", metavar="SERIAL")]
Operator = Annotated[str, typer.Option("--operator", envvar="NIGHTBENCH_OPERATOR", help="Who starts or resumes it.")]
Folder = Annotated[Path | None, typer.Option("--to", help="Folder for the report; else report-RUN.", metavar="DIR")]
SequenceFile = Annotated[Path, typer.Argument(help="Sequence file (.toml).", metavar="SEQUENCE")]
Residual = Annotated[
    str | None,
    typer.Option("--residual", help="Run with a through: what it shows counts as the bench's own.", metavar="RUN"),
]
TellFile = Annotated[
    Path | None,
    typer.Option("--tell", envvar="NIGHTBENCH_TELL", help="Whom to tell, instead of the own file.", metavar="FILE"),
]
Acknowledge = Annotated[
    list[str] | None,
    typer.Option("--acknowledge", help="Name of a hazard that you have dealt with; repeatable.", metavar="NAME"),
]
RunName = Annotated[str, typer.Argument(help="Run: its id, a unique beginning of it, or 'latest'.", metavar="RUN")]
RunNames = Annotated[
    list[str], typer.Argument(help="Runs: ids, unique beginnings of ids, or 'latest'.", metavar="RUN…")
]

DEFAULT_STORE = "nightbench.db"
