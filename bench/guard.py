"""The guard process: makes the bench safe when the run that started it dies, hangs or asks.

It holds no line to an instrument while the run lives: many instruments have one only. Everything that it needs is
loaded before it says that it is ready, so that acting takes no longer than opening lines. A signal that is meant for
the run changes nothing; what it hears and does is on its pipes alone (``bench.guarding`` has their other ends).

It is a program on a computer: no safety device.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from bench.assemble import Missing, clock_of, open_bench
from bench.clocks import RealClock
from bench.deviating import own_folder
from bench.errors import BenchError, BenchInUse
from bench.events import Event, Facts
from bench.guard_words import append_words, word_file
from bench.guarding import ACTING, ASK, LEAVE, NOT_SAFE, READY, SAFE, Incoming, Task
from bench.locks import Holder, hold_bench
from bench.places import ROLE_OF_PLACE, Places
from bench.run_log import RunLog, log_path, one_line
from bench.safe_state import SafeStep, make_safe, unconfirmed
from bench.store.store import open_store
from bench.tell_file import Message, TellFile, What, handed_down
from bench.telling import Teller
from drivers.catalogue import driver_class
from drivers.errors import InstrumentError
from drivers.own_drivers import importable_from
from drivers.roles import Chamber
from drivers.timing import Clock
from drivers.visa import resource_manager
from sequences.bench_file import Bench
from sequences.chamber_entry import MODBUS
from sequences.part_file import Part
from sequences.read_files import Loaded, parse_bench, parse_part

#: What can put energy into the unit, in the order in which it is reached; everything else is left alone.
PLACES = ("tone_1", "tone_2", "noise_source", "network_analyzer", "supply", "chamber")

#: How often it tries, and real seconds between the tries. Ours: half a minute at once, then as long as somebody needs
#: who comes to the bench.
TRIES = 12
BETWEEN_S = (0.5, 1.0, 2.0, 5.0, 10.0, 10.0, 30.0, 30.0, 60.0, 60.0, 120.0)

#: Longest that opening one line may take at first, so that an instrument that is gone does not keep the rest on.
FIRST_OPEN_S = 0.5

#: A pause of this machine looks like a hang; a beat that comes within this says that it was one. Ours.
GRACE_S = 1.0

#: Exit codes, for whoever started it by hand: nothing to do or safe; not confirmed; could not begin.
_SAFE, _NOT_SAFE, _NOT_BEGUN = 0, 3, 2


@dataclass
class Guard:
    """Guards one run.

    Attributes:
        task: What it was told.
        bench: Bench file with ``PLACES`` only.
        part: The part, which opening a bench asks for.
        clock: Shows the run's time.
        real: The machine's clock.
        say: Sends a word to the run.
        run_pid: The run's process.
        tell_file: Whom to tell when nobody else can; None for nobody.
    """

    task: Task
    bench: Loaded[Bench]
    part: Part
    clock: Clock
    real: Clock
    say: Callable[[str], None]
    run_pid: int
    tell_file: TellFile | None = None
    _untold: list[Event] = field(default_factory=list)

    def watch(self, incoming: Incoming) -> int:
        """Guard until the run leaves or is gone; returns the exit code."""
        code, acted = _SAFE, False
        while True:
            # Once it has acted on a hang it waits for the end only: the run trips as soon as it wakes.
            chunk = incoming.take(None if acted else self.task.limit_s)
            if chunk is None:
                chunk = incoming.take(GRACE_S)
            if chunk is None:
                cause = f"the run has shown no sign of life for {self.task.limit_s:g} s"
                code, acted = self.act(cause, hung=True), True
            elif not chunk:
                return self.act("the run's process has ended without a word", dead=True)
            else:
                if ASK in chunk:
                    code = self.act("the run asks for safety: it could not confirm it itself")
                if LEAVE in chunk:
                    return code

    def act(self, cause: str, *, dead: bool = False, hung: bool = False) -> int:
        """Make the bench safe, and write down what came of it; returns the exit code."""
        self.say(ACTING)
        self._note(f"{cause}; making the bench safe", {"cause": cause})
        with ExitStack() as lock:
            # A run that hangs or asks holds the bench itself.
            confirmed = self._try_all(lock if dead else None, hung=hung)
        self.say(SAFE if confirmed else NOT_SAFE)
        if dead or hung:
            self._tell_people(cause, confirmed=confirmed, dead=dead)
        return _SAFE if confirmed else _NOT_SAFE

    def _try_all(self, lock: ExitStack | None, *, hung: bool) -> bool:
        """Try until it is confirmed, or ``TRIES`` times. With ``lock`` the run is dead, and the bench is taken."""
        dead, holder = lock is not None, self._taken_by_another(lock)
        left: tuple[str, ...] = ()
        for attempt in range(1, TRIES + 1):
            if attempt > 1:
                self.real.sleep(BETWEEN_S[attempt - 2])
                holder = self._taken_by_another(lock) if holder else ""
            if attempt > 1 and holder and f"process {self.run_pid})" not in holder:
                # It has made the bench safe as it began, and what is on now is on because it wants it so.
                self._note(f"leaves the bench to {holder}", {"confirmed": False, "attempts": attempt - 1})
                break
            steps = self._once(first=attempt == 1)
            left = unconfirmed(steps)
            if attempt == 1 or not left:
                self._note_steps(steps, attempt)
            if not left:
                at = f"{self.clock.now():%Y-%m-%d %H:%M:%S} UTC"
                self._note(f"made safe at {at}", {"confirmed": True, "attempts": attempt})
                self._tell(dead=dead)
                return True
            self._tell(dead=dead)
            if hung:
                self._end_hung(left)
        else:
            problem = f"COULD NOT CONFIRM THE SAFE STATE ({'; '.join(left)}). Go to the bench and switch off by hand"
            self._note(problem, {"confirmed": False, "attempts": TRIES})
        self._tell(dead=dead)
        return False

    def _taken_by_another(self, lock: ExitStack | None) -> str:
        """Take the bench. Returns who has it instead; then it is made safe all the same, once.

        Whoever took it a moment ago has switched nothing on yet, and the run itself may be slow to die.
        """
        if lock is None:
            return ""
        try:
            lock.enter_context(hold_bench(self.bench.model, Holder.here("guard", self.task.run)))
        except BenchInUse as held:
            return held.holder
        except BenchError as error:
            self._note(f"the bench could not be locked: {error}")
        return ""

    def _note_steps(self, steps: tuple[SafeStep, ...], attempt: int) -> None:
        for step in steps:
            self._note(f"{step.name}: {step.problem or 'done'}", {"confirmed": step.confirmed, "attempt": attempt})

    def _once(self, *, first: bool) -> tuple[SafeStep, ...]:
        """Open lines, switch off, confirm, close."""
        missing: Missing = {}
        bench = _opened_fast(self.bench) if first else self.bench
        steps: tuple[SafeStep, ...] = ()
        try:
            with open_bench(bench, self.part, "", missing=missing) as opened:
                steps = make_safe(idling(opened.places, bench.model), self.bench.model.idle_c, sleep=self.real.sleep)
        except Exception as error:  # noqa: BLE001 - whatever it is, it must be tried again and written down
            steps += (SafeStep("lines to the bench", f"{type(error).__name__}: {error}"),)
        return steps + tuple(SafeStep(f"line to {place}", str(error)) for place, error in missing.items())

    def _end_hung(self, left: tuple[str, ...]) -> None:
        """End a run that hangs and may hold the only line that an instrument has; once."""
        if self.run_pid and os.getppid() == self.run_pid:
            self._note(f"the run that hangs is ended, as it may hold the lines of: {'; '.join(left)}")
            os.kill(self.run_pid, getattr(signal, "SIGKILL", signal.SIGTERM))
        self.run_pid = 0

    def _note(self, text: str, facts: Facts | None = None) -> None:
        self._untold.append(Event(self.clock.now(), "guard", text, facts or {}))

    def _tell_people(self, cause: str, *, confirmed: bool, dead: bool) -> None:
        """Tell people what the run cannot tell them any more; the bench comes first, and has been seen to."""
        if self.tell_file is None:
            return
        teller = Teller(self.tell_file)
        became = "the guard has made the bench safe" if confirmed else "THE GUARD COULD NOT MAKE THE BENCH SAFE"
        at, bench = self.clock.now().isoformat(timespec="seconds"), self.bench.model.bench.name
        what: What = "tripped" if confirmed else "unsafe"
        teller.tell(Message(what, one_line(f"{cause}; {became}"), self.task.run, "", bench, at))
        teller.close()
        for untold in teller.failures():
            self._untold.append(Event(self.clock.now(), "could not tell", str(untold)))
        self._tell(dead=dead)

    def _tell(self, *, dead: bool) -> None:
        """Write down what has not been: into the store, or, where that fails, into a file beside it."""
        told = 0
        if not self.task.store:
            with contextlib.suppress(OSError):  # nobody is left whom it could be told
                append_words(word_file("", self.task.run), self._untold)
            self._untold.clear()
            return
        try:
            with open_store(self.task.store, must_exist=True) as store:
                with contextlib.closing(RunLog(log_path(store.file, self.task.run))) as log:
                    for event in self._untold:
                        log.event(event)
                        store.note(self.task.run, event)
                        told += 1
                if dead:
                    store.interrupted(self.task.run, self._untold[-1].at if self._untold else self.clock.now())
        except Exception as error:  # noqa: BLE001 - a store that fails must not keep the guard from trying on
            failure = Event(self.clock.now(), "guard", f"the store could not be written: {error}")
            with contextlib.suppress(OSError):  # a disk that takes nothing at all: there is no third place
                append_words(word_file(self.task.store, self.task.run), [*self._untold[told:], failure])
        self._untold.clear()


class _Idling:
    """A chamber whose way to safety is its idle temperature, where nobody has prepared it in this process.

    Left conditioning, so that a cold load comes back dry; if it does not take the set point, it is stopped.
    """

    def __init__(self, chamber: Chamber, idle_c: float) -> None:
        self._chamber = chamber
        self._idle_c = idle_c

    def make_safe(self) -> None:
        """Send it to its idle temperature."""
        try:
            self._chamber.set_target_c(self._idle_c)
        except InstrumentError:
            self._chamber.make_safe()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._chamber, name)


def idling(places: Places, bench: Bench) -> Places:
    """Places whose chamber goes to the idle temperature of the bench file."""
    if places.chamber is None or bench.idle_c is None:
        return places
    made: Any = _Idling(places.chamber, bench.idle_c)
    return replace(places, chamber=made)


def guarded_part_of(bench: Loaded[Bench]) -> Loaded[Bench]:
    """The bench file with nothing but what can put energy into the unit."""
    present = bench.model.instrument.present
    others = dict.fromkeys(place for place in present if place not in PLACES)
    instrument = bench.model.instrument.model_copy(update=others)
    return replace(bench, model=bench.model.model_copy(update={"instrument": instrument}))


def _opened_fast(bench: Loaded[Bench]) -> Loaded[Bench]:
    entries = {
        place: entry.model_copy(update={"open_timeout_s": min(FIRST_OPEN_S, entry.open_timeout_s or entry.timeout_s)})
        for place, entry in bench.model.instrument.present.items()
    }
    instrument = bench.model.instrument.model_copy(update=entries)
    return replace(bench, model=bench.model.model_copy(update={"instrument": instrument}))


def main() -> None:
    """Guard the run whose pipe is standard input; says on standard output how it stands."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGPIPE", "SIGUSR1", "SIGUSR2"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    parent = os.getppid()
    pipe = open(0, "rb", 0)  # noqa: SIM115 - without a buffer, in which beats would be lost; open to the end
    line = pipe.readline()
    if not line.endswith(b"\n"):
        sys.exit(_SAFE)  # the run has ended before it had anything to guard
    try:
        task = Task.of(line)
        part = parse_part(task.part).model
        bench = guarded_part_of(parse_bench(task.bench, task.bench_path, task.attachments))
        _load(bench)
        tell_file = handed_down(os.environ)
    except Exception as error:  # noqa: BLE001 - said to the run, which does not begin then
        _say(f"{type(error).__name__}: {error}".replace("\n", "; "))
        sys.exit(_NOT_BEGUN)
    _say(READY)
    now = pipe.readline()
    if not now.endswith(b"\n"):
        sys.exit(_SAFE)  # nothing has been switched on yet
    clock = clock_of(bench.model, datetime.fromisoformat(now.decode().strip()))
    guard = Guard(task, bench, part, clock, RealClock(), _say, parent, tell_file)
    sys.exit(guard.watch(Incoming(pipe)))


def _load(bench: Loaded[Bench]) -> None:
    """Load whatever acting will need: the VISA library, every driver, the way to the store."""
    resource_manager(bench.model.bench.visa_library).close()
    folder = own_folder(bench)
    with importable_from(folder):
        for place, entry in bench.model.instrument.present.items():
            if entry.driver != MODBUS:
                driver_class(ROLE_OF_PLACE[place], entry.driver, folder)
            else:
                import drivers.modbus_line  # noqa: F401 - loads pymodbus, before every second counts


def _say(word: str) -> None:
    with contextlib.suppress(OSError):
        os.write(1, word.encode() + b"\n")
