"""``nightbench simulate``: a simulated bench behind sockets."""

from __future__ import annotations

import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import Json, MaybeUnit, PartFile
from bench.cli.output import print_json

if TYPE_CHECKING:
    from bench.served_rig import ServedRig
    from sequences.bench_file import Bench
    from sequences.read_files import Loaded

BenchArgument = Annotated[
    Path, typer.Argument(help="Bench file (.toml) with sockets of this machine.", metavar="BENCH")
]
Through = Annotated[bool, typer.Option("--through", help="No unit: a through in its place.")]
ControlPort = Annotated[
    int | None,
    typer.Option(
        "--control", min=0, max=65535, help="Port for faults, log and truth, 0 for a free one.", metavar="PORT"
    ),
]
FreePorts = Annotated[bool, typer.Option("--free-ports", help="Take free ports; needs --to.")]
MovedBench = Annotated[
    Path | None, typer.Option("--to", help="With --free-ports: bench file to write, with these ports.", metavar="FILE")
]

#: Unit on the bench when none is named: the demo's.
_UNIT = "VG2-0007"


def simulate(
    bench: BenchArgument,
    unit: MaybeUnit = None,
    through: Through = False,
    part: PartFile = None,
    control: ControlPort = None,
    free_ports: FreePorts = False,
    to: MovedBench = None,
    as_json: Json = False,
) -> None:
    """Serve a simulated bench on sockets of this machine, until Ctrl-C.

    Each instrument answers at the port that the bench file names for it. Another terminal runs a sequence on it with
    --bench, through the same links as on a real bench. Without --part the unit is one of the demo's part.

    Example: nightbench simulate my.bench.toml --unit VG2-0007
    """
    from bench.served_rig import moved_bench, open_rig
    from sequences.read_files import demo_file, read_bench, read_part

    if free_ports is not (to is not None):
        raise typer.BadParameter("give both or neither", param_hint="--free-ports and --to")
    if unit is not None and through:
        raise typer.BadParameter("give a SERIAL or --through, not both", param_hint="--unit")
    loaded = read_bench(bench)
    part_file = read_part(part if part is not None else demo_file("virga-2.part.toml")).model
    served = open_rig(loaded, part_file, unit or _UNIT, through=through, control=control, free_ports=free_ports)
    try:
        if to is not None:
            _write(to, moved_bench(loaded, served.addresses))
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: served.server.stop())
        _say(served, loaded, as_json=as_json)
        served.server.serve()
    finally:
        served.server.close()


def _write(path: Path, text: str) -> None:
    from bench.errors import BenchError

    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise BenchError(f"{path} cannot be written: {error.strerror or error}") from error


def _say(served: ServedRig, loaded: Loaded[Bench], *, as_json: bool) -> None:
    """Say where the instruments are; whoever reads the last line can connect."""
    speed = loaded.model.bench.speed or 1.0
    if as_json:
        print_json(
            {
                "ready": True,
                "ports": {place: port for place, (_, port) in served.addresses.items()},
                "control": served.control_port,
                "speed": speed,
            }
        )
    else:
        lines = [f"{place}: {host}, port {port}" for place, (host, port) in served.addresses.items()]
        if served.control_port is not None:
            lines.append(f"control line: 127.0.0.1, port {served.control_port}")
        pace = "in real time" if speed == 1 else f"{speed:g} times faster than real time"
        lines.append(f"ready: {loaded.model.bench.name} is served, {pace}; Ctrl-C ends it")
        sys.stdout.write("\n".join(lines) + "\n")
    sys.stdout.flush()
