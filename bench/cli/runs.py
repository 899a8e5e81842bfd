"""``nightbench runs``: what the store holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, Store
from bench.cli.output import console, print_json, table_of

if TYPE_CHECKING:
    from bench.store.store import Store as OpenStore

OneRun = Annotated[str | None, typer.Argument(help="Show this run's events instead.", metavar="[RUN]")]


def runs(run_name: OneRun = None, store: Store = DEFAULT_STORE, as_json: Json = False) -> None:
    """List the runs of a store, or the events of one run.

    The newest run stands first.

    Example: nightbench runs latest
    """
    from bench.store.store import open_store

    with open_store(store, must_exist=True) as opened:
        if run_name is not None:
            _events(opened.find_run(run_name), opened, as_json=as_json)
            return
        lines = opened.runs()
    if as_json:
        print_json(
            {
                "runs": [
                    {
                        "run": line.id,
                        "unit": line.unit,
                        "kind": line.kind,
                        "part": line.part,
                        "bench": line.bench,
                        "sequence": line.sequence,
                        "operator": line.operator,
                        "state": line.state,
                        "began": line.began.isoformat(),
                        "ended": None if line.ended is None else line.ended.isoformat(),
                        "done": line.done,
                        "conditions": line.total,
                    }
                    for line in lines
                ]
            }
        )
        return
    if not lines:
        console().print("no runs yet; start one with: nightbench run SEQUENCE --unit SERIAL")
        return
    rows = [
        (
            line.id[:8],
            line.unit,
            line.sequence,
            line.state,
            f"{line.done}/{line.total}",
            line.began.strftime("%Y-%m-%d %H:%M"),
        )
        for line in lines
    ]
    console().print(table_of("", ("Run", "Unit", "Sequence", "State", "Conditions", "Began (UTC)"), rows))


def _events(run: str, opened: OpenStore, *, as_json: bool) -> None:
    events = opened.events(run)
    if as_json:
        print_json(
            {
                "run": run,
                "events": [
                    {"at": event.at.isoformat(), "kind": event.kind, "text": event.text, "facts": dict(event.facts)}
                    for event in events
                ],
            }
        )
        return
    rows = [(event.at.strftime("%Y-%m-%d %H:%M:%S"), event.kind, event.text) for event in events]
    console().print(table_of(f"Run {run}", ("Time (UTC)", "Event", "What"), rows))
