"""Single keys while a run goes on in a terminal; the terminal is as it was at the end, however that comes.

Ctrl-C stays the signal that it is. Ctrl-Z becomes a key: a run that is suspended looks as if it hung, and its guard
would act.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial

from bench.job import StopSwitch

#: How long a look for a key takes. Ours: short against a person's patience, and seldom enough to cost nothing.
LOOK_S = 0.2


def can_press() -> bool:
    """Whether there is somebody at a terminal who can press keys for this process: not in the background."""
    try:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            return False
        if sys.platform == "win32":
            return True
        # Whoever reads from, or sets, a terminal in the background is stopped by it.
        return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
    except (AttributeError, ValueError, OSError):
        return False


@contextmanager
def keys_of(stop: StopSwitch) -> Iterator[Callable[[], str]]:
    """Take keys as wishes; yields what says what they do now, an empty text where nobody can press any."""
    if not can_press():
        yield str
        return
    with pressed(partial(press, stop)):
        yield partial(keys_text, stop)


def keys_text(stop: StopSwitch) -> str:
    """What keys do while it stands so with a run."""
    if stop.asked:
        return "stopping: the bench is being made safe"
    if stop.held and not stop.hold and stop.gone_on == 0:
        return "HELD by an interlock   g go on when it holds again   s stop now"
    if stop.held:
        return "HELD, RF is off   g go on   s stop now"
    if stop.hold:
        return "holds after the readings in progress   g go on   s stop now"
    if stop.after_condition:
        return "stops after this condition   p hold   s stop now"
    return "keys: p hold   a stop after this condition   s stop now"


def press(stop: StopSwitch, key: str) -> None:
    """Do what a key does; others do nothing."""
    by = "by a key at the terminal"
    if key in "pP":
        stop.ask_hold(by)
    elif key in "gG" and (stop.hold or stop.held):
        stop.ask_go_on(by)
    elif key in "aA":
        stop.ask_after_condition(by)
    elif key in "sS":
        stop.ask(by)


@contextmanager
def pressed(press: Callable[[str], None]) -> Iterator[None]:
    """Call ``press`` with each key, on a thread of its own, until the end of the block."""
    over = threading.Event()
    with _one_by_one():
        thread = threading.Thread(target=_read, args=(press, over), name="keys", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


if sys.platform == "win32":
    import msvcrt

    @contextmanager
    def _one_by_one() -> Iterator[None]:
        yield

    def _read(press: Callable[[str], None], over: threading.Event) -> None:
        while not over.wait(LOOK_S):
            while msvcrt.kbhit():
                press(msvcrt.getwch())

else:
    import select
    import termios

    @contextmanager
    def _one_by_one() -> Iterator[None]:
        number = sys.stdin.fileno()
        before = termios.tcgetattr(number)
        wanted = termios.tcgetattr(number)
        wanted[3] &= ~(termios.ICANON | termios.ECHO)
        wanted[6][termios.VSUSP] = os.fpathconf(number, "PC_VDISABLE").to_bytes(1, "little")
        try:
            termios.tcsetattr(number, termios.TCSADRAIN, wanted)
            yield
        finally:
            # A terminal that has been closed has nothing to be restored.
            with contextlib.suppress(termios.error):
                termios.tcsetattr(number, termios.TCSADRAIN, before)

    def _read(press: Callable[[str], None], over: threading.Event) -> None:
        number = sys.stdin.fileno()
        while not over.is_set():
            try:
                if not select.select([number], [], [], LOOK_S)[0]:
                    continue
                keys = os.read(number, 64)
            except OSError:
                return
            if not keys:
                return
            for key in keys.decode("utf-8", "ignore"):
                press(key)
