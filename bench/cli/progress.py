"""Progress of a run: a bar with the finish time where there is a terminal, a line per soak elsewhere."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from types import FrameType
from typing import TYPE_CHECKING

from rich.progress import Progress, ProgressColumn, Task, TextColumn
from rich.text import Text

from bench.cli.output import side_console
from bench.job import StopSwitch
from bench.opening import is_of_the_door

if TYPE_CHECKING:
    from rich.console import RenderableType

    from bench.events import Event
    from bench.plan import Plan

#: Events that a person wants to read as they happen; bring-up and safe-state steps are in the run's record.
SPOKEN = frozenset(
    {
        "run resumed",
        "taken over",
        "change accepted",
        "rechecked",
        "soak timed out",
        "retrying",
        "skipped",
        "paused",
        "going on",
        "waiting",
        "tripped",
        "stopped",
        "returning",
        "not safe to open",
    }
)

#: Those of them after which nothing more is measured.
ENDING = frozenset({"tripped", "stopped"})

#: Signals that ask for a stop; without a terminal to close, as on Windows, there is no SIGHUP.
HANG_UP: signal.Signals | None = getattr(signal, "SIGHUP", None)
STOPPING = tuple(number for number in (signal.SIGINT, signal.SIGTERM, HANG_UP) if number is not None)

#: Signals that hold a run or let it go on, and that stop it after the condition in progress; Windows has neither.
TOGGLING: signal.Signals | None = getattr(signal, "SIGUSR1", None)
AFTER_CONDITION: signal.Signals | None = getattr(signal, "SIGUSR2", None)


class RunProgress:
    """A listener that draws; use it as a context manager around the run.

    Attributes:
        run: Id of the run, empty until it has begun.
        door: What was said of the chamber's door, and when the run began.
        keys: What keys do now, for the line beneath the bar; returns an empty text where nobody can press any.
    """

    def __init__(self) -> None:
        self._console = side_console()
        self._bar = _BarWithKeys(
            TextColumn("{task.description}"),
            NightColumn(),
            TextColumn("{task.completed:.0f} of {task.total:.0f}"),
            TextColumn("{task.fields[finish]}"),
            console=self._console,
            disable=not self._console.is_terminal,
        )
        self._task = self._bar.add_task("bring-up", total=1, finish="")
        self._plan: Plan | None = None
        self.run = ""
        self.door: list[Event] = []
        self.keys: Callable[[], str] = str

    def __enter__(self) -> RunProgress:
        return self

    def __exit__(self, *_: object) -> None:
        self._bar.stop()

    def begin(self, run: str, plan: Plan) -> None:
        """Take the run that is about to begin, or to go on, and the plan of what is left; start to draw."""
        self.run = run
        self._plan = plan
        self._bar.keys = self.keys
        self._bar.start()

    def __call__(self, event: Event) -> None:
        """Show one event."""
        if is_of_the_door(event):
            self.door.append(event)
        if event.kind in ("run began", "run resumed"):
            total, left = int(event.facts["total"]), int(event.facts["left"])
            self._bar.update(self._task, total=total, completed=total - left, finish=self._ends(event.at, 0))
        elif event.kind == "condition done":
            self._advance(event)
        elif event.kind in ("soak began", "soaking"):
            self._bar.update(self._task, description=f"soak {event.text}")
        if event.kind == "soak began":
            self._say(f"{_clock_text(event.at)}  soak {event.text}")
        elif event.kind == "soak ended":
            self._say(f"{_clock_text(event.at)}  soaked: {event.text}")
        elif event.kind in SPOKEN:
            if event.kind in ENDING:
                self._bar.stop()
            self._console.print(f"{_clock_text(event.at)}  {event.kind}: {event.text}", markup=False, soft_wrap=True)

    def _advance(self, event: Event) -> None:
        if self._plan is None:
            return
        left = int(event.facts["left"])
        ends = self._ends(event.at, len(self._plan.conditions) - left)
        self._bar.update(self._task, advance=1, description=event.text, finish=ends)

    def _ends(self, at: datetime, done: int) -> str:
        """When the last condition will be complete, with ``done`` of those that were left."""
        if self._plan is None or not self._plan.conditions:
            return ""
        finish_s = self._plan.estimate.finish_s
        left_s = finish_s[-1] - (finish_s[done - 1] if done else 0.0)
        return f"ends {_clock_text(at + timedelta(seconds=left_s))}"

    def _say(self, text: str) -> None:
        """A line for a log file; a terminal has the bar instead."""
        if not self._console.is_terminal:
            self._console.print(text, markup=False, soft_wrap=True)


class _BarWithKeys(Progress):
    """The bar, and beneath it one line that says what keys do."""

    keys: Callable[[], str] = str

    def get_renderables(self) -> Iterable[RenderableType]:
        """Bar and line."""
        yield from super().get_renderables()
        told = self.keys()
        if told:
            yield Text(told, style="dim", no_wrap=True, overflow="ellipsis")


class NightColumn(ProgressColumn):
    """The night from dusk to dawn: what is done, where it is, what is left."""

    def render(self, task: Task) -> Text:
        """Twenty-four marks, one for each twenty-fourth of the conditions."""
        done = int(24 * task.completed / task.total) if task.total else 0
        return Text("●" * done + ("◐" if done < 24 else "") + "·" * (23 - done))


@contextmanager
def stop_on_signals() -> Iterator[StopSwitch]:
    """Turn signals into wishes; the handlers before come back at the end.

    Ctrl-C, SIGTERM and a closed terminal stop the run, SIGUSR2 after the condition in progress; SIGUSR1 holds it and
    lets it go on.
    """
    stop = StopSwitch()

    def ask(number: int, _frame: FrameType | None) -> None:
        by = f"by {signal.Signals(number).name}"
        if number == TOGGLING:
            stop.toggle(by)
        elif number == AFTER_CONDITION:
            stop.ask_after_condition(by)
        else:
            stop.ask(by)

    # With nohup a person has said that the run shall outlive the terminal.
    outlives = {number for number in STOPPING if number is HANG_UP and signal.getsignal(number) is signal.SIG_IGN}
    wishes = [number for number in (*STOPPING, TOGGLING, AFTER_CONDITION) if number is not None]
    before = {number: signal.signal(number, ask) for number in wishes if number not in outlives}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _clock_text(at: datetime) -> str:
    return at.astimezone().strftime("%a %H:%M")
