"""``nightbench runs``: what the store holds."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from bench.cli.derivations import show_derivations
from bench.cli.options import DEFAULT_STORE, Json, Store
from bench.cli.output import console, print_json, table_of

if TYPE_CHECKING:
    from collections.abc import Sequence as SequenceOf

    from bench.cli.output import Plain
    from bench.events import Event
    from bench.store.records import RecordingSize, RunLine
    from bench.store.store import Store as OpenStore

OneRun = Annotated[str | None, typer.Argument(help="Show this run and its events instead.", metavar="[RUN]")]
WithValues = Annotated[bool, typer.Option("--events", help="Every event of the run with its values.")]
OfKind = Annotated[
    list[str] | None, typer.Option("--kind", help="Only events of this kind; may be repeated.", metavar="KIND")
]

WithDerivations = Annotated[
    bool, typer.Option("--derivations", help="Which other inputs gave which results, instead of the events.")
]


def runs(
    run_name: OneRun = None,
    store: Store = DEFAULT_STORE,
    events: WithValues = False,
    derivations: WithDerivations = False,
    kind: OfKind = None,
    as_json: Json = False,
) -> None:
    """List the runs of a store, or the events of one run.

    The newest run stands first.

    Example: nightbench runs latest --events
    """
    from bench.store.store import open_store

    if run_name is None and (events or kind or derivations):
        raise typer.BadParameter("give the RUN whose events are wanted, such as latest", param_hint="RUN")
    with open_store(store, must_exist=True) as opened:
        if run_name is not None and derivations:
            show_derivations(opened, opened.find_run(run_name), as_json=as_json)
            return
        if run_name is not None:
            line, process = _as_it_is(opened.run(opened.find_run(run_name)))
            _one_run(line, process, opened, kind or (), values=events, as_json=as_json)
            return
        stored = opened.runs()
        lines, processes = [list(found) for found in zip(*map(_as_it_is, stored), strict=True)] if stored else ([], [])
        logs = [_log(opened, line.id) for line in lines]
        guards = [_guard(opened, line) for line in lines]
    if as_json:
        print_json({"runs": [_run_json(*run) for run in zip(lines, logs, guards, processes, strict=True)]})
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
    for line, guard, process in zip(lines, guards, processes, strict=True):
        for text in (process, None if guard is None else f"its guard: {guard}"):
            if text is not None:
                console().print(f"{line.id[:8]} {line.state}; {text}", soft_wrap=True, markup=False)


def _as_it_is(line: RunLine) -> tuple[RunLine, str | None]:
    """A run as its lock shows it, which is released when its process dies, and what is known of that process.

    The store calls a run running until somebody writes down that it has ended, and nobody may have been left to.
    """
    if line.state != "running":
        return line, None
    from bench.errors import BenchError
    from bench.locks import pen_of

    try:
        pen = pen_of(line.id)
    except BenchError as error:
        return line, str(error)
    if pen is None:
        return line, "by no process of this computer: it goes on elsewhere, or has ended and could not write it down"
    if pen.is_held:
        return line, f"its process: {pen.holder}"
    said = "has ended without a word, and what it had switched on may be on; go on with: nightbench resume"
    return replace(line, state="interrupted"), f"its process, {pen.holder}, {said} {line.id[:8]}"


def _guard(opened: OpenStore, line: RunLine) -> str | None:
    """The last word of the guard of a run whose process has died; None for any other run, or if it has said nothing."""
    if line.state != "interrupted":
        return None
    if line.ended is not None:
        return next((event.text for event in reversed(opened.events(line.id)) if event.kind == "guard"), None)
    # In the store it goes on, so of this end nothing is there.
    from bench.guard_words import word_file, words_in

    words = words_in(word_file(opened.url, line.id), line.began)
    return next((event.text for event in reversed(words) if not event.text.startswith("the store could")), None)


def _run_json(line: RunLine, log: str | None, guard: str | None, process: str | None) -> dict[str, Plain]:
    return {
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
        "log": log,
        "guard": guard,
        "process": process,
    }


def _log(opened: OpenStore, run: str) -> str | None:
    """Path of the log of a run; None if it is not there, as on another computer."""
    from bench.run_log import log_path

    path = log_path(opened.file, run)
    return str(path) if path.is_file() else None


def _one_run(
    line: RunLine, process: str | None, opened: OpenStore, kinds: SequenceOf[str], *, values: bool, as_json: bool
) -> None:
    """One run: what it is, and what happened."""
    from bench.opening import door_json, door_text

    all_of_it = opened.events(line.id)
    events = [event for event in all_of_it if not kinds or event.kind in kinds]
    log, guard = _log(opened, line.id), _guard(opened, line)
    size = opened.recording_size(line.id)
    if as_json:
        door = door_json(all_of_it)
        found: list[Plain] = [
            {"at": event.at.isoformat(), "kind": event.kind, "text": event.text, "facts": dict(event.facts)}
            for event in events
        ]
        print_json(
            _run_json(line, log, guard, process)
            | {"safe_to_open": None if door is None else {**door}, "events": found}
            | {"recording": {"exchanges": size.exchanges, "bytes": size.bytes}}
        )
        return
    out = console()
    out.print(table_of(f"Run {line.id}", ("Time (UTC)", "Event", "What"), [_row(event, values) for event in events]))
    if not events and all_of_it:
        held = ", ".join(sorted({event.kind for event in all_of_it}))
        out.print(f"no such event; there are: {held}", markup=False)
    out.print(
        f"unit {line.unit}, {line.sequence}: {line.state} at {line.done} of {line.total} conditions", markup=False
    )
    if door_text(all_of_it):
        out.print(door_text(all_of_it), soft_wrap=True, markup=False)
    for text in (process, None if guard is None else f"its guard: {guard}"):
        if text is not None:
            out.print(text, soft_wrap=True, markup=False)
    if log is not None:
        out.print(f"log: {log}", soft_wrap=True, markup=False)
    out.print(f"recording: {_size_text(size)}", soft_wrap=True, markup=False)


def _size_text(size: RecordingSize) -> str:
    """How long a recording is; for people."""
    if not size.exchanges:
        return "none; whatever its instruments said is not kept"
    return (
        f"{size.exchanges:,} exchanges with instruments, and whatever else the run heard, in {size.bytes / 1e6:.2f} MB"
    )


def _row(event: Event, values: bool) -> tuple[str, str, str]:
    from bench.run_log import facts_text

    said = facts_text(event.facts) if values else ""
    text = f"{event.text} [{said}]" if said else event.text
    return event.at.strftime("%Y-%m-%d %H:%M:%S"), event.kind, text
