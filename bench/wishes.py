"""What people wish of a run from another terminal: a file beside the run's lock, by which they speak to its process.

Whoever wishes appends a line, and the process that writes the run answers it with another; both are one JSON object.
The file is there only while the run listens. Anybody with an account on the computer can hold or stop a run, as anybody
at the bench can; what was wished, and by whom, is in the run's events.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal
from uuid import uuid4

from bench.clocks import RealClock
from bench.errors import NotGoingOn
from bench.job import StopSwitch
from bench.locks import Holder, wishes_of, writer_of

Wish = Literal["hold", "go on", "stop", "stop after condition"]

#: How often a run looks into its file, and whoever has wished for the answer. Ours: short against a person's patience.
LOOK_S = 0.1

#: How long whoever has wished waits for an answer. Ours: a machine that is busy all this time is worth a word.
PATIENCE_S = 5.0


def tell_switch(stop: StopSwitch, wish: Wish, by: str) -> None:
    """Pass a wish on."""
    if wish == "hold":
        stop.ask_hold(by)
    elif wish == "go on":
        stop.ask_go_on(by)
    elif wish == "stop":
        stop.ask(by)
    else:
        stop.ask_after_condition(by)


@contextmanager
def listening(run: str, stop: StopSwitch) -> Iterator[None]:
    """Take wishes of others for a run, which this process writes, until the end of the block.

    Without a place for the file the run goes on and nobody can speak to it but by signals and keys.
    """
    path = wishes_of(run)
    try:
        _make(path)
    except OSError:
        yield
        return
    over = threading.Event()
    thread = threading.Thread(target=_listen, args=(path, stop, over), name="wishes", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        with contextlib.suppress(OSError):
            path.unlink()


def _make(path: Path) -> None:
    with contextlib.suppress(FileNotFoundError):
        path.unlink()  # of a process that died
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
    try:
        if sys.platform != "win32":
            os.fchmod(number, 0o666)  # for every account, whatever the mask of this one is
    finally:
        os.close(number)


def _listen(path: Path, stop: StopSwitch, over: threading.Event) -> None:
    heard: set[str] = set()
    while not over.wait(LOOK_S):
        for line in _lines(path):
            if "wish" in line and line.get("id") not in heard:
                heard.add(line["id"])
                tell_switch(stop, line["wish"], str(line.get("by", "")))
                with contextlib.suppress(OSError):
                    _append(path, {"heard": line["id"], "held": stop.held})


def ask(run: str, wish: Wish) -> Holder:
    """Tell the process that writes a run at this computer what is wished; returns who it is, when it has heard.

    Raises NotGoingOn if there is none, or it does not answer; BenchError if the folder of the locks cannot be used.
    """
    holder = writer_of(run)
    if holder is None:
        raise NotGoingOn(f"run {run[:8]} does not go on at this computer; nightbench runs says how it ended")
    path, name = wishes_of(run), str(uuid4())
    by = f"by {Holder.here('check').user} from another terminal"
    try:
        _append(path, {"id": name, "wish": wish, "by": by})
    except FileNotFoundError:
        raise NotGoingOn(f"{holder} takes no wishes: it begins or ends just now. Try again") from None
    except OSError as error:
        raise NotGoingOn(f"{holder} cannot be told: {error.strerror or error}") from error
    clock = RealClock()
    while clock.elapsed_s() < PATIENCE_S:
        if any(line.get("heard") == name for line in _lines(path)):
            return holder
        clock.sleep(LOOK_S)
    raise NotGoingOn(f"{holder} does not answer. Its guard, or whoever is at the bench, can make the bench safe")


def _append(path: Path, line: dict[str, Any]) -> None:
    # Not made if it is not there; one write, so that lines of several do not mix.
    number = os.open(path, os.O_WRONLY | os.O_APPEND)
    try:
        os.write(number, json.dumps(line).encode() + b"\n")
    finally:
        os.close(number)


def _lines(path: Path) -> Iterator[dict[str, Any]]:
    """Every whole line that can be read."""
    try:
        text = path.read_bytes()
    except OSError:
        return
    for line in text.split(b"\n")[:-1]:
        with contextlib.suppress(ValueError):
            found = json.loads(line)
            if isinstance(found, dict):
                yield found
