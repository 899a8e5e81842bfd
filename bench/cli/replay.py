"""``nightbench replay``: a recorded run done again, and what differs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.options import DEFAULT_STORE, Json, RunName, Store

if TYPE_CHECKING:
    from bench.cli.output import Plain
    from bench.events import Event
    from bench.replay.differences import Difference
    from bench.replay.replay import Replay

Tolerant = Annotated[
    bool,
    typer.Option("--tolerant", help="Match by instrument and message, whatever the order; list all that differs."),
]
ReplayFolder = Annotated[
    Path | None, typer.Option("--to", help="Folder for a report of the replayed run; else none.", metavar="DIR")
]

#: Differences that are shown to people; machines get them all.
_SHOWN = 20


def replay(
    run_name: RunName,
    tolerant: Tolerant = False,
    store: Store = DEFAULT_STORE,
    to: ReplayFolder = None,
    as_json: Json = False,
) -> None:
    """Do a recorded run again, without its bench, and compare.

    The same sequencer and drivers run the run's own files on instruments made of its recording, on a clock that follows
    the recorded times. A message that differs ends it, and is shown with what was recorded. Readings, events, decisions
    and all that is derived must be the same to the last bit. The store is only read.

    Exit code: 0 for no difference, 1 for any.

    Example: nightbench replay latest
    """
    from bench.cli.answers import check_folder
    from bench.exit_codes import ExitCode
    from bench.replay.replay import replay as replayed
    from bench.store.store import open_store

    if to is not None:
        check_folder(to)
    with open_store(store, must_exist=True) as opened:
        run = opened.find_run(run_name)
        with _Bar(opened.run(run).done) as bar:
            result = replayed(opened, run, bar, tolerant=tolerant)
        name = opened.name.removeprefix("store ")
    page = _report(result, to)
    _answer(result, name, page, as_json=as_json)
    raise typer.Exit(ExitCode.DIFFERS if result.differences else ExitCode.DONE)


class _Bar:
    """How far it is, on a terminal."""

    def __init__(self, total: int) -> None:
        from rich.progress import Progress

        from bench.cli.output import side_console

        console = side_console()
        self._bar = Progress(console=console, disable=not console.is_terminal, transient=True)
        self._task = self._bar.add_task("replay", total=total)

    def __enter__(self) -> _Bar:
        self._bar.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def __call__(self, event: Event) -> None:
        if event.kind == "condition done":
            self._bar.advance(self._task)


def _report(result: Replay, to: Path | None) -> Path | None:
    from dataclasses import replace

    from bench.cli.answers import write_report

    if to is None or result.report is None:
        return None
    return write_report(replace(result.report, remark=f"This is a replay. Compared were {result.sentence}."), to)


def _answer(result: Replay, store_name: str, page: Path | None, *, as_json: bool) -> None:
    from bench.cli.output import console, print_json

    if as_json:
        print_json(_json(result, store_name, page))
        return
    out = console()
    for one in result.differences[:_SHOWN]:
        out.print(str(one), soft_wrap=True, markup=False)
    if len(result.differences) > _SHOWN:
        out.print(f"… and {len(result.differences) - _SHOWN} more; --json lists them all")
    for text in result.notes:
        out.print(text, soft_wrap=True, markup=False)
    out.print(result.sentence, soft_wrap=True, markup=False)
    if page is not None:
        out.print(f"report: {page}", soft_wrap=True, markup=False)


def _json(result: Replay, store_name: str, page: Path | None) -> dict[str, Plain]:
    differences: list[Plain] = [_difference(one) for one in result.differences]
    return {
        "run": result.line.id,
        "store": store_name,
        "report": None if page is None else str(page),
        "tolerant": result.tolerant,
        "conditions": result.conditions,
        "exchanges": result.exchanges,
        "readings": result.readings,
        "events": result.events,
        "decisions": result.decisions,
        "decision": None if result.report is None else result.report.decision,
        "differences": differences,
        "notes": [*result.notes],
        "recorded": result.line.began.isoformat(),
        "recorded_by": [*result.recorded_by],
        "replayed_by": result.replayed_by,
        "elapsed_s": round(result.elapsed_s, 3),
    }


def _difference(one: Difference) -> Plain:
    return {
        "what": one.what,
        "where": one.where,
        "recorded": one.recorded,
        "replayed": one.replayed,
        "times": one.times,
        "condition": one.condition,
        "session": one.session,
        "instrument": one.instrument or None,
        "number": one.number,
        "sent": one.sent or None,
        "at": None if one.at is None else one.at.isoformat(),
        "before": [*one.before],
        "cause": one.cause or None,
    }
