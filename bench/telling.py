"""Telling people of a run, on a thread of its own: whatever becomes of it, the run goes on.

Each way of telling is a process with a time limit, whose output goes nowhere: it could hold a secret. What fails is
kept as one line that names the way, never an address or an argument, and waits for the run to note it.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue

import bench.post
from bench.events import Event
from bench.post import REASONS
from bench.tell_file import Message, TellFile, What

#: Kind of event → what people are told. A run that ends is told as done, stopped or tripped once.
_TOLD: Mapping[str, What] = {
    "stopped": "stopped",
    "tripped": "tripped",
    "paused": "paused",
    "unsafe": "unsafe",
    "safe to open": "safe to open",
}


def what_to_tell(event: Event) -> What | None:
    """What an event is to people; None for what can wait until somebody looks."""
    if event.kind == "run ended":
        return "done" if event.text in ("done", "incomplete") else None
    return _TOLD.get(event.kind)


@dataclass(frozen=True, slots=True)
class Untold:
    """A message that did not get out: what it was about, by which way, and why."""

    what: str
    way: str
    reason: str

    def __str__(self) -> str:
        return f"{self.what!r} by {self.way}: {self.reason}"


class Teller:
    """Tells people, one message after the other.

    Args:
        file: Whom and how.
    """

    def __init__(self, file: TellFile) -> None:
        self.file = file
        self._todo: SimpleQueue[Message | None] = SimpleQueue()
        self._untold: SimpleQueue[Untold] = SimpleQueue()
        self._process: subprocess.Popen[bytes] | None = None
        self._hurry = threading.Event()
        self._thread = threading.Thread(target=self._work, name="telling", daemon=True)
        self._thread.start()

    def tell(self, message: Message) -> None:
        """Have a message told; returns at once."""
        if message.what in self.file.on:
            self._todo.put(message)

    def failures(self) -> Iterator[Untold]:
        """What did not get out since this was last asked."""
        with contextlib.suppress(Empty):
            while True:
                yield self._untold.get_nowait()

    def close(self) -> None:
        """Wait until all is told, no longer than every way may take once; then end what is still trying."""
        self._todo.put(None)
        ways = len(list(ways_of(self.file)))
        self._thread.join(self.file.limit_s * ways + 1)
        if self._thread.is_alive():
            self._hurry.set()
            process = self._process
            if process is not None:
                _kill(process)
            self._thread.join(1)

    def _work(self) -> None:
        while (message := self._todo.get()) is not None:
            for way in ways_of(self.file):
                reason = "there was no time left" if self._hurry.is_set() else self._tell(way, message)
                if reason:
                    self._untold.put(Untold(message.what, way.name, reason))

    def _tell(self, way: Way, message: Message) -> str:
        """Tell by one way; the reason if it failed, else an empty text."""
        try:
            self._process = subprocess.Popen(
                way.arguments(message),
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,  # so that Ctrl-C, which stops the run, does not end it
            )
        except OSError as error:
            return error.strerror or "it cannot be started"
        except ValueError:
            return "an argument holds a zero byte"
        try:
            self._process.communicate(way.given(message), timeout=self.file.limit_s)
        except subprocess.TimeoutExpired:
            _kill(self._process)
            self._process.wait()
            return f"it did not end within {self.file.limit_s:g} s"
        code = self._process.returncode
        return way.reason(code) if code else ""


@dataclass(frozen=True, slots=True)
class Way:
    """One way of telling: the command, or one address (``number`` from 1)."""

    file: TellFile
    number: int = 0

    @property
    def name(self) -> str:
        """What messages call it: the program by its file name, or the kind of address."""
        if not self.number:
            program = self.file.command[0]
            return f"command {Path(program).name}" if "$" not in program else "command"
        scheme, colon, _ = self.file.urls[self.number - 1].partition("://")
        kind = f" ({scheme})" if colon and scheme.isalnum() and len(scheme) <= 16 else ""
        return f"address {self.number}{kind}"

    def arguments(self, message: Message) -> list[str]:
        """Program and arguments of the process."""
        if not self.number:
            return self.file.arguments(message)
        return [sys.executable, "-P", str(bench.post.__file__)]

    def given(self, message: Message) -> bytes:
        """What the process finds on its standard input."""
        if not self.number:
            return b""
        title = f"nightbench: {message.what} ({message.unit})" if message.unit else f"nightbench: {message.what}"
        body = f"{message.text}\nrun {message.run}, bench {message.bench}, {message.at}"
        url = self.file.urls[self.number - 1]
        return json.dumps({"url": url, "title": title, "body": body}).encode()

    def reason(self, code: int) -> str:
        """Why it failed, from the exit code of the process."""
        if code < 0:
            return f"it was ended by signal {-code}"
        return REASONS.get(code, f"it ended with {code}") if self.number else f"it ended with {code}"


def ways_of(file: TellFile) -> Iterator[Way]:
    """Every way of a file: its command first, then its addresses."""
    if file.command:
        yield Way(file)
    for number in range(1, len(file.urls) + 1):
        yield Way(file, number)


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End a process, with what it has started where the system has groups of processes."""
    if hasattr(os, "killpg"):
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
