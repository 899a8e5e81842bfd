"""Progress of a run: a bar with the finish time where there is a terminal, a line per soak elsewhere."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from types import FrameType
from typing import TYPE_CHECKING

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from bench.cli.output import side_console
from bench.runner import StopSwitch

if TYPE_CHECKING:
    from bench.events import Event
    from bench.plan import Plan

#: Events that a person wants to read as they happen; bring-up and safe-state steps are in the run's record.
SPOKEN = frozenset({"run resumed", "soak timed out", "tripped", "stopped"})

#: Signals that ask for a stop; without a terminal to close, as on Windows, there is no SIGHUP.
STOPPING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


class RunProgress:
    """A listener that draws; use it as a context manager around the run.

    Attributes:
        run: Id of the run, empty until it has begun.
    """

    def __init__(self) -> None:
        self._console = side_console()
        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            MofNCompleteColumn(),
            TextColumn("{task.fields[finish]}"),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._task = self._bar.add_task("waiting", total=None, finish="")
        self._plan: Plan | None = None
        self.run = ""

    def __enter__(self) -> RunProgress:
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def begin(self, run: str, plan: Plan) -> None:
        """Take the run that is about to begin, and its plan, and start to draw."""
        self.run = run
        self._plan = plan
        self._bar.start()
        self._bar.update(self._task, total=len(plan.conditions))

    def __call__(self, event: Event) -> None:
        """Show one event."""
        if event.kind == "condition done":
            self._advance(event)
        elif event.kind == "soak began":
            self._bar.update(self._task, description=f"soak {event.text}")
            self._say(f"{_clock_text(event.at)}  soak {event.text}")
        elif event.kind == "soak ended":
            self._say(f"{_clock_text(event.at)}  soaked: {event.text}")
        elif event.kind in SPOKEN:
            self._console.print(f"{_clock_text(event.at)}  {event.kind}: {event.text}", markup=False)

    def _advance(self, event: Event) -> None:
        if self._plan is None:
            return
        finish_s = self._plan.estimate.finish_s
        done = len(finish_s) - int(event.facts["left"])
        ends = event.at + timedelta(seconds=finish_s[-1] - finish_s[done - 1])
        self._bar.update(self._task, completed=done, description=event.text, finish=f"ends {_clock_text(ends)}")

    def _say(self, text: str) -> None:
        """A line for a log file; a terminal has the bar instead."""
        if not self._console.is_terminal:
            self._console.print(text, markup=False)


@contextmanager
def stop_on_signals() -> Iterator[StopSwitch]:
    """Turn Ctrl-C, SIGTERM and a closed terminal into a wish to stop; the handlers before come back at the end."""
    stop = StopSwitch()

    def ask(_signal: int, _frame: FrameType | None) -> None:
        stop.ask()

    before = {number: signal.signal(number, ask) for number in STOPPING}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _clock_text(at: datetime) -> str:
    return at.astimezone().strftime("%a %H:%M")
