"""Who hears of a run as it happens: the terminal, its log file, and people elsewhere.

The run tells its events to one listener, this one. None of those behind it may disturb the run: what fails is noted as
an event of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bench.errors import StoreFault, UnsafeBench
from bench.events import Event, EventKind, Facts, Listener
from bench.exit_codes import of_error
from bench.run_log import RunLog, log_path, one_line
from bench.tell_file import Message, TellFile
from bench.telling import Teller, what_to_tell
from bench.version import tool_version

if TYPE_CHECKING:
    from bench.plan import Plan
    from bench.store.store import Store
    from drivers.timing import Clock


class Witnesses:
    """The listener of one run; use it as a context manager around all that the command does for the run.

    Args:
        store: Where the run is kept; the log lies beside it.
        show: Told every event, for the terminal.
        tell_file: Whom to tell and how; None for nobody.
        clock: Real time, for what comes after the last event.
    """

    def __init__(self, store: Store, show: Listener, tell_file: TellFile | None, clock: Clock) -> None:
        self._store = store
        self._show: Listener | None = show
        self._clock = clock
        self._teller = None if tell_file is None else Teller(tell_file)
        self._log: RunLog | None = None
        self._run = self._unit = self._bench = ""
        self._waiting: list[tuple[str, str]] = []
        self._last: tuple[datetime, float] | None = None
        self._done: Message | None = None
        self._left = self._total = 0
        self._end_heard = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.decided("")
        self._all_told()
        self._write(lambda log: log.line(self._now(), "exit", _exit_text(error)))
        if self._log is not None:
            self._log.close()

    @property
    def log(self) -> str:
        """Path of the log; empty if there is none."""
        return "" if self._log is None or self._log.problem else str(self._log.path)

    def begin(self, run: str, plan: Plan) -> None:
        """Take the run that is about to begin or to go on, and the plan of what is left."""
        line = self._store.run(run)
        self._run, self._unit, self._bench = run, line.unit, line.bench
        self._log = RunLog(log_path(self._store.file, run))
        about = f"run {run} of {line.sequence} on {line.bench}, unit {line.unit}, {self._store.name}"
        self._waiting = [("log", f"{about}, nightbench {tool_version()}")]
        self._waiting += [("hazard", f"{item.severity}: {item.title}") for item in plan.hazards]

    def __call__(self, event: Event) -> None:
        """Hear one event."""
        self._last = (event.at, self._clock.elapsed_s())
        self._left, self._total = int(event.facts.get("left", self._left)), int(event.facts.get("total", self._total))
        if event.kind == "run ended":  # what was skipped is left still
            self._left += int(event.facts.get("skipped", 0))
        self._end_heard = self._end_heard or event.kind in ("tripped", "stopped", "run ended")
        self._write(lambda log: log.event(event))
        self._tell(event)
        self._display(event)
        self._note_untold()

    def ended_by(self, error: BaseException) -> None:
        """Hear what a run ended with, and wait until it is told.

        A bench that is not safe is an event by itself; so is an end that the store would not take as one.
        """
        if not self._run:
            return
        unsafe = _unsafe_text(error)
        if not self._end_heard:
            self._note("tripped", f"{type(error).__name__}: {error}", {})
        if unsafe:
            self._note("unsafe", unsafe, {})
        self._all_told()

    def decided(self, decision: str) -> None:
        """Tell of a run that is done, with what it decided; the first time only."""
        if self._done is not None and self._teller is not None:
            text = f"{self._total - self._left} of {self._total} conditions"
            self._teller.tell(replace(self._done, text=f"{text}, {decision}" if decision else text))
        self._done = None

    def _all_told(self) -> None:
        """Wait for what is being told, within its time."""
        if self._teller is not None:
            self._teller.close()
            self._note_untold()

    def _tell(self, event: Event) -> None:
        what = what_to_tell(event)
        if self._teller is None or what is None:
            return
        at = event.at.isoformat(timespec="seconds")
        message = Message(what, one_line(event.text), self._run, self._unit, self._bench, at)
        if what == "done":
            self._done = message  # its decision is what people wait for, and follows
        else:
            self._teller.tell(message)

    def _note_untold(self) -> None:
        if self._teller is None or not self._run:
            return
        for untold in self._teller.failures():
            self._note("could not tell", str(untold), {"what": untold.what, "way": untold.way})

    def _write(self, write: Callable[[RunLog], None]) -> None:
        """Write into the log; the first time that it cannot be written is an event."""
        log = self._log
        if log is None:
            return
        # What was said before the first event has its time, which is the bench's.
        waiting, self._waiting = self._waiting, []
        for kind, text in waiting:
            log.line(self._now(), kind, text)
        write(log)
        if log.problem:
            self._log = None
            self._note("could not log", log.problem, {})

    def _note(self, kind: EventKind, text: str, facts: Facts) -> None:
        """Keep and show an event of our own."""
        event = Event(self._now(), kind, text, facts)
        self._write(lambda log: log.event(event))
        try:
            self._store.note(self._run, event)
        except StoreFault as fault:
            # The run meets the same fault at its next commit, and ends by it.
            problem = str(fault)
            self._write(lambda log: log.line(event.at, "not stored", problem))
        self._tell(event)
        self._display(event)

    def _display(self, event: Event) -> None:
        """Show an event; a terminal that has gone, or a file in its place on a full disk, is shown no more."""
        if self._show is None:
            return
        try:
            self._show(event)
        except OSError as error:
            self._show = None
            self._note("could not show", error.strerror or str(error), {})

    def _now(self) -> datetime:
        """The bench's time: its last event, and what has passed since."""
        if self._last is None:
            return self._clock.now()
        at, elapsed_s = self._last
        return at + timedelta(seconds=self._clock.elapsed_s() - elapsed_s)


def _unsafe_text(error: BaseException) -> str:
    """What could not be made safe, from an error that says so or that another one was added to; empty if nothing."""
    said = [str(error)] if isinstance(error, UnsafeBench) else []
    notes = [note for note in getattr(error, "__notes__", ()) if note.startswith(UnsafeBench.OPENING)]
    return "; ".join((*said, *notes))


def _exit_text(error: BaseException | None) -> str:
    """How the command ends; the text of an error, but never its traceback."""
    if error is None:
        return "code 0"
    code = getattr(error, "exit_code", None)  # of the command line's own way out
    if code is not None:
        return f"code {code}"
    known = of_error(error) if isinstance(error, Exception) else None
    notes = "; ".join(getattr(error, "__notes__", ()))
    said = f"{type(error).__name__}: {error}" + (f"; {notes}" if notes else "")
    return said if known is None else f"code {known}, {said}"
