"""``nightbench hold``, ``go-on`` and ``stop``: to speak to a run that goes on in another terminal of this computer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunName, Store
from bench.cli.output import console, print_json

if TYPE_CHECKING:
    from bench.wishes import Wish

AfterCondition = Annotated[
    bool, typer.Option("--after-condition", help="Not at once, but when the condition in progress is complete.")
]


def hold(run_name: RunName, store: Store = DEFAULT_STORE, as_json: Json = False) -> None:
    """Hold a run that goes on: RF off, and bias as its sequence says, until it is told to go on.

    The chamber stays as it is. To open it, stop the run instead.

    Example: nightbench hold latest
    """
    _wish(run_name, store, "hold", "it holds after the readings in progress; then: nightbench go-on", as_json=as_json)


def go_on(run_name: RunName, store: Store = DEFAULT_STORE, as_json: Json = False) -> None:
    """Let a run that is held go on; the condition in progress is measured anew.

    A run that an interlock holds goes on only when that is kept again.

    Example: nightbench go-on latest
    """
    _wish(run_name, store, "go on", "it goes on, unless an interlock holds it; see: nightbench runs", as_json=as_json)


def stop(
    run_name: RunName, after_condition: AfterCondition = False, store: Store = DEFAULT_STORE, as_json: Json = False
) -> None:
    """Stop a run that goes on, safely; what has been measured is kept, and it can be resumed.

    Example: nightbench stop latest --after-condition
    """
    if after_condition:
        told = "it stops when the condition in progress is complete; then: nightbench resume"
        _wish(run_name, store, "stop after condition", told, as_json=as_json)
        return
    _wish(run_name, store, "stop", "it makes the bench safe and ends; then: nightbench resume", as_json=as_json)


def _wish(run_name: str, store: str, wish: Wish, told: str, *, as_json: bool) -> None:
    from bench.store.store import open_store
    from bench.wishes import ask

    with open_store(store, must_exist=True) as opened:
        run = opened.find_run(run_name)
    holder = ask(run, wish)
    if as_json:
        print_json({"run": run, "wish": wish, "heard": True, "process": holder.pid, "host": holder.host})
        return
    console().print(f"{holder} has heard: {told} {run[:8]}", markup=False, soft_wrap=True)
