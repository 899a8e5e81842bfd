"""``nightbench demo``: the shipped night, from the sequence file to the report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import Json
from bench.cli.run import make_night

if TYPE_CHECKING:
    from bench.events import Listener
    from bench.job import StopSwitch
    from bench.night import Night, OnBegin
    from bench.store.store import Store as OpenStore

DemoFolder = Annotated[Path, typer.Option("--to", help="Folder for the report; the store is DIR.db beside it.")]
DemoUnit = Annotated[
    str, typer.Option("--unit", help="Serial of the simulated unit; VG2-0013 has a fault.", metavar="SERIAL")
]
Quick = Annotated[bool, typer.Option("--quick", help="Three temperatures and seven codes instead of the whole night.")]


def demo(
    to: DemoFolder = Path("nightbench-demo"),
    unit: DemoUnit = "VG2-0007",
    quick: Quick = False,
    as_json: Json = False,
) -> None:
    """Run the shipped night on simulated instruments.

    Plan, hazards, run, report: the whole chain, on a clock that jumps. Nothing can be hurt: no hazard is to be
    acknowledged.

    Example: nightbench demo --unit VG2-0013 --to faulty
    """
    from bench.cli.plan import show_plan
    from bench.night import start_run
    from bench.plan import make_plan
    from bench.setups import setup_from_files
    from sequences.read_files import demo_file

    setup = setup_from_files(demo_file("quick.sequence.toml" if quick else "overnight.sequence.toml"))
    if not as_json:
        show_plan(make_plan(setup))

    def work(opened: OpenStore, listener: Listener, stop: StopSwitch, on_begin: OnBegin) -> Night:
        return start_run(setup, unit, "demo", opened, listener, stop, on_begin)

    store = to.with_name(f"{to.name}.db")
    make_night(work, str(store), must_exist=False, to=to, with_report=True, as_json=as_json)
