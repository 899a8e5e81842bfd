"""The run's side of its guard: a process of its own that makes the bench safe when the run dies or hangs.

The run tells it that all is well by a byte into a pipe, and only where the loop itself goes on: after an exchange with
an instrument, in a wait, with an event. No thread does it, which could outlive a loop that hangs. The other way the
guard says a word when it is ready and when it acts; its silence for ever, the end of the pipe, trips the run.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import IO, TYPE_CHECKING, Protocol

from bench.clocks import RealClock
from bench.errors import BenchError, Tripped, UnsafeBench
from bench.events import Event, Listener
from bench.hearing import heard_guard
from bench.recording import ExchangeLog
from drivers.timing import Clock
from sequences.bench_file import Bench
from sequences.read_files import Setup

if TYPE_CHECKING:
    from bench.store.store import Store

#: Beats go out no more often than this, in real seconds. Ours: a small part of any limit.
BEAT_EVERY_S = 0.2

#: How long the loop may exchange messages without an event or a wait before its beats stop: a driver that asks for
#: ever hangs as well. Ours: above the longest sweep that anybody waits for.
LONGEST_ACT_S = 1800.0

#: Longest wait between two beats, in seconds of the run's clock. Ours: far below the least limit.
WAIT_SLICE_S = 5.0

#: How long the guard may take to be ready. Ours: ten times what it takes on a slow machine.
READY_WITHIN_S = 30.0

#: How long a run that was silent for long waits for a word that the guard may have said meanwhile. Ours: a thread has
#: had its turn by then on a busy machine.
WORD_WITHIN_S = 0.5

#: How long a run that could not make its bench safe waits for what the guard, whom it asks, says of it.
ASKED_WITHIN_S = 60.0

#: What the run sends: it goes on; it is over; it asks for safety.
BEAT, LEAVE, ASK = b".", b"q", b"!"

#: What the guard says, one word in a line.
READY, ACTING, SAFE, NOT_SAFE = "ready", "acting", "safe", "not safe"

#: Silence is a hang after this, at least. Ours: above the time-out of most exchanges.
LEAST_LIMIT_S = 30.0


@dataclass(frozen=True, slots=True)
class Task:
    """What a guard has to know, as texts, so that it needs neither store nor file when it acts.

    Attributes:
        run: Id of the run; empty for a loopback.
        store: SQLAlchemy URL of its store; empty for none.
        part, bench: Texts of the two files.
        bench_path: Where the bench file was: own drivers lie beside it.
        attachments: Texts of what the bench file names.
        limit_s: Real seconds without a beat that count as a hang.
    """

    run: str
    store: str
    part: str
    bench: str
    bench_path: str
    attachments: dict[str, str]
    limit_s: float

    def line(self) -> bytes:
        """As one line."""
        return json.dumps(asdict(self)).encode() + b"\n"

    @classmethod
    def of(cls, line: bytes) -> Task:
        """From its line."""
        return cls(**json.loads(line))


def hang_limit_s(setup: Setup) -> float:
    """Real seconds without a beat after which a run counts as hung: above the longest exchange that may be waited for.

    Twice the longest time-out of the bench file, or what a network analyzer's sweep may take, unless the file says it.
    """
    bench = setup.bench.model
    if bench.bench.guard_after_s is not None:
        return bench.bench.guard_after_s
    entries = bench.instrument.present.values()
    longest_s = max((max(entry.timeout_s, entry.open_timeout_s or 0.0) for entry in entries), default=0.0)
    sweep = setup.sequence.model.measure.small_signal
    if sweep is not None:
        # As long as the driver waits, and as much again.
        longest_s = max(longest_s, 8 * len(sweep.frequency_hz) / sweep.bandwidth_hz + 5.0)
    if bench.instrument.power_meter is not None:
        longest_s = max(longest_s, 60.0)  # its zeroing
    return max(LEAST_LIMIT_S, 2 * longest_s)


class Incoming:
    """Chunks that come through a pipe, read by a thread, so that they can be waited for on every system.

    Args:
        pipe: End to read from.
    """

    def __init__(self, pipe: IO[bytes]) -> None:
        self._chunks: queue.Queue[bytes] = queue.Queue()
        self._thread = threading.Thread(target=self._read, args=(pipe,), daemon=True)
        self._thread.start()

    def _read(self, pipe: IO[bytes]) -> None:
        chunk = b"?"
        while chunk:
            try:
                chunk = os.read(pipe.fileno(), 4096)
            except (OSError, ValueError):
                chunk = b""
            self._chunks.put(chunk)

    def take(self, patience_s: float | None = None) -> bytes | None:
        """The next chunk, empty at the end of the pipe; None if none comes in that time."""
        try:
            return self._chunks.get(timeout=patience_s) if patience_s != 0 else self._chunks.get_nowait()
        except queue.Empty:
            return None

    def join(self) -> None:
        """Wait for the thread, which ends with the pipe."""
        self._thread.join()


class Guarded(Protocol):
    """What a run tells its guard."""

    def watch(self, setup: Setup, run: str, store: Store | None, clock: Clock) -> None:
        """Tell the guard what it guards and wait until it is ready. Raises BenchError if it does not get so far.

        Without a store, as for a loopback, what it does is written into a file in the current folder.
        """
        ...

    def exchanged(self) -> None:
        """An exchange with an instrument has ended. Raises Tripped, once, when the guard is gone or has acted."""
        ...

    def noted_in(self, log: ExchangeLog) -> None:
        """Note in the run's recording what trips the run."""
        ...

    def clock(self, clock: Clock) -> Clock:
        """The run's clock, whose waits the guard sees."""
        ...

    def listener(self, listener: Listener) -> Listener:
        """The run's listener, whose events the guard sees as well."""
        ...


class _Unguarded:
    """A rig in the process of the run ends with it: nobody is left whom it could hurt."""

    def watch(self, setup: Setup, run: str, store: Store | None, clock: Clock) -> None:
        """Nothing to do."""

    def exchanged(self) -> None:
        """Nothing to do."""

    def noted_in(self, log: ExchangeLog) -> None:
        """Nothing to do."""

    def clock(self, clock: Clock) -> Clock:
        """The clock itself."""
        return clock

    def listener(self, listener: Listener) -> Listener:
        """The listener itself."""
        return listener


UNGUARDED: Guarded = _Unguarded()


@contextmanager
def guarded(bench: Bench) -> Iterator[Guarded]:
    """A guard for the block; around the opening of the bench, so that lines of the run are closed when it is asked.

    A rig in this process has none, as it ends with the process. An UnsafeBench that leaves the block makes the run ask
    the guard, whose lines are new; what comes of it becomes a note of the error.
    """
    if bench.is_in_process:
        yield UNGUARDED
        return
    guard = _Guard(RealClock())
    try:
        yield guard
    except UnsafeBench as unsafe:
        unsafe.add_note(guard.asked())
        raise
    finally:
        guard.dismiss()


class _Guard:
    """A guard process that was started.

    Attributes:
        process: The process.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._beaten_s = self._turned_s = -math.inf
        self._limit_s = math.inf
        self._lost = False
        self._words = ""
        self._notice = self._look
        # The same way to modules as this process has; -P: nothing of the current folder.
        begin = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); from bench.guard import main; main()"
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-c", begin, json.dumps(sys.path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # a terminal or a pipe that the guard held would not end with the run
            bufsize=0,
            start_new_session=True,  # Ctrl-C and a closed terminal are meant for the run
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self._to, self._from = self.process.stdin, self.process.stdout
        self._incoming = Incoming(self._from)

    def watch(self, setup: Setup, run: str, store: Store | None, clock: Clock) -> None:
        part, bench = setup.part, setup.bench
        path = str(bench.path.absolute())
        self._limit_s = hang_limit_s(setup)
        url = "" if store is None else store.url
        task = Task(run, url, part.text, bench.text, path, dict(bench.attachments), self._limit_s)
        if not self._send(task.line()) or self._word(READY_WITHIN_S) != READY:
            self._lost = True
            raise BenchError(f"the guard process did not start: {self._words.strip() or 'it said nothing'}")
        self._send(clock.now().isoformat().encode() + b"\n")  # as late as can be: it sets its clock by that
        self.turned()

    def noted_in(self, log: ExchangeLog) -> None:
        self._notice = heard_guard(self._look, log)

    def exchanged(self) -> None:
        self._notice()

    def _look(self) -> None:
        now_s = self._clock.elapsed_s()
        if now_s - self._beaten_s >= BEAT_EVERY_S and now_s - self._turned_s < LONGEST_ACT_S:
            self._beat(now_s)

    def clock(self, clock: Clock) -> Clock:
        return _GuardedClock(clock, self.turned)

    def listener(self, listener: Listener) -> Listener:
        def hear(event: Event) -> None:
            listener(event)
            self.turned()

        return hear

    def turned(self) -> None:
        """The loop has come round, or waits. Raises as ``exchanged``."""
        self._turned_s = self._clock.elapsed_s()
        self.exchanged()

    def _beat(self, now_s: float) -> None:
        silent_s, self._beaten_s = now_s - self._beaten_s, now_s
        if self._lost:
            return
        # Whoever wakes from a hang must know what was said meanwhile before anything is switched on again, and the
        # thread that reads it may not have had its turn.
        word = self._word(WORD_WITHIN_S if self._limit_s / 2 < silent_s < math.inf else 0.0)
        if word is not None or not self._send(BEAT):
            self._lost = True  # told once: on the way to safety it must not be in the way
            if word in (ACTING, SAFE, NOT_SAFE):
                raise Tripped("the guard process had no sign of life from this run for its limit and acted")
            raise Tripped("the guard process has ended; without it nobody would make the bench safe if this run died")

    def asked(self) -> str:
        """Ask for safety and say what came of it."""
        if self._lost or not self._send(ASK):
            return "the guard process is gone, or has acted already, and was not asked to try again"
        while (word := self._word(ASKED_WITHIN_S)) == ACTING:
            continue
        if word == SAFE:
            return "the guard process has tried again with lines of its own, and confirmed the safe state"
        tries = "has tried again with lines of its own and could not confirm the safe state either"
        return f"the guard process {tries if word == NOT_SAFE else 'is still trying'}"

    def dismiss(self) -> None:
        """Let it go, and see it end."""
        self._send(LEAVE)
        with contextlib.suppress(OSError):
            self._to.close()
        try:
            self.process.wait(READY_WITHIN_S)
        except subprocess.TimeoutExpired:
            # It still tries to make the bench safe, or hangs; it holds nothing of this run's.
            return
        self._incoming.join()
        self._from.close()

    def _send(self, data: bytes) -> bool:
        try:
            self._to.write(data)
        except (OSError, ValueError):
            return False
        return True

    def _word(self, patience_s: float) -> str | None:
        """The next word; None if there is none in that time, empty at the end of the pipe."""
        while "\n" not in self._words:
            chunk = self._incoming.take(patience_s)
            if chunk is None:
                return None
            if not chunk:
                return ""
            self._words += chunk.decode("utf-8", "replace")
        word, _, self._words = self._words.partition("\n")
        return word


class _GuardedClock:
    """A run's clock that says that the loop goes on before, during and after each wait."""

    def __init__(self, clock: Clock, turned: Callable[[], None]) -> None:
        self._clock = clock
        self._turned = turned

    def now(self) -> datetime:
        return self._clock.now()

    def elapsed_s(self) -> float:
        return self._clock.elapsed_s()

    def sleep(self, duration_s: float) -> None:
        ends_s = self._clock.elapsed_s() + duration_s
        self._turned()
        while (left_s := ends_s - self._clock.elapsed_s()) > 0:
            self._clock.sleep(min(left_s, WAIT_SLICE_S))
            self._turned()
