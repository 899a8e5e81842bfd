"""Instruments of the rig that speak words of their own: the relay box and the tone source that the guide shows.

Each stands before a front end of the rig and turns its words into SCPI and the replies back, so the physics behind it
is that of every other test. ``served`` puts some of them on loopback sockets.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from bench.clocks import SimulatedClock
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.rig import Rig
from drivers.simulated.server import Server

#: SCPI messages that a message of the instrument's own becomes, and what its reply is made of theirs.
Words = Callable[[str], tuple[tuple[str, ...], Callable[[str], str] | None]]

RELAYS = (101, 102, 103, 104)


def relay_box(message: str) -> tuple[tuple[str, ...], Callable[[str], str] | None]:
    """``TAKE 101`` closes one relay and opens the others, ``WHICH?`` tells which is closed; no error queue."""
    if message == "WHO?":
        return ("*IDN?",), lambda _: "RELAY BOX 7"
    if message == "WHICH?":
        listed = ",".join(map(str, RELAYS))
        return (f":ROUT:CLOS? (@{listed})",), _closed_relay
    taken = re.fullmatch(r"TAKE (\d+)", message)
    if taken is None:
        return (), None
    return (":ROUT:OPEN:ALL", f":ROUT:CLOS (@{taken[1]})"), None


def _closed_relay(states: str) -> str:
    closed = [route for route, state in zip(RELAYS, states.split(","), strict=True) if state == "1"]
    return str(closed[0]) if closed else "0"


def word_source(message: str) -> tuple[tuple[str, ...], Callable[[str], str] | None]:
    """``LVL -12.50 DBM``, ``FRQ 60.5`` in MHz, ``OUT ON``; it has no other unit, no modes and no event register."""
    questions: dict[str, tuple[str, Callable[[str], str]]] = {
        "ID?": ("*IDN?", lambda identity: identity),
        "ERR?": (":SYST:ERR?", lambda entry: entry),
        "OUT?": (":OUTP:STAT?", lambda state: "ON" if state == "1" else "OFF"),
        "LVL?": (":SOUR:POW:LEV:IMM:AMPL?", lambda level: f"LVL={float(level):.2f} DBM"),
        "FRQ?": (":SOUR:FREQ:CW?", lambda hertz: f"{float(hertz) / 1e6:.7f},MHZ"),
    }
    if message in questions:
        query, answer = questions[message]
        return (query,), answer
    commands: tuple[tuple[str, Callable[[str], str]], ...] = (
        (r"OUT (ON|OFF)", lambda found: f":OUTP:STAT {found}"),
        (r"LVL (-?\d+\.\d\d) DBM", lambda found: f":SOUR:POW:LEV:IMM:AMPL {found}"),
        (r"MAX (-?\d+\.\d\d) DBM", lambda found: f":SOUR:POW:LIM:AMPL {found}"),
        (r"FRQ (\d+\.\d{6})", lambda found: f":SOUR:FREQ:CW {float(found) * 1e6:.12G}"),
    )
    for pattern, command in commands:
        if (found := re.fullmatch(pattern, message)) is not None:
            return (command(found[1]),), None
    return (":NO:SUCH:WORD",), None


@dataclass
class OtherWords:
    """A front end that understands ``words`` only."""

    inner: FrontEnd
    words: Words
    heard: list[str] = field(default_factory=list)
    _input: bytes = b""
    _due: deque[Callable[[str], str]] = field(default_factory=deque)

    def receive(self, data: bytes) -> None:
        *messages, self._input = (self._input + data).split(b"\n")
        for message in messages:
            self.heard.append(message.decode("ascii"))
            sent, answer = self.words(self.heard[-1])
            for text in sent:
                self.inner.receive(text.encode("ascii") + b"\n")
            if answer is not None:
                self._due.append(answer)

    def reply(self) -> bytes | None:
        if not self._due:
            return None
        response = self.inner.reply()
        assert response is not None
        return self._due.popleft()(response.decode("ascii").strip()).encode("ascii") + b"\n"

    def interrupt(self) -> None:
        self._due.clear()
        self.inner.interrupt()

    # --- As a line of a server, which asks whether there is anything to send

    refuses = False
    broken = False

    def line(self) -> OtherWords:
        return self

    def ready(self) -> bytes | None:
        return self.reply()

    def waits_until_s(self) -> float | None:
        return None

    def holds_input(self) -> bool:
        return False


#: Words by place.
WORDS: Mapping[str, Words] = {"tone_2": word_source, "load_switch": relay_box}


def in_other_words(ends: Mapping[str, FrontEnd]) -> dict[str, FrontEnd | OtherWords]:
    """Front ends of a rig, those of ``WORDS`` with words of their own."""
    return {place: OtherWords(end, WORDS[place]) if place in WORDS else end for place, end in ends.items()}


@contextlib.contextmanager
def served(make_rig: Callable[[SimulatedClock], tuple[Rig, Mapping[str, FrontEnd]]]) -> Iterator[dict[str, int]]:
    """Serve the instruments of ``WORDS`` on loopback; port by place."""
    clock = SimulatedClock(datetime(2026, 11, 2, 18, 30, tzinfo=UTC))
    _, ends = make_rig(clock)
    server = Server(clock)
    ports = {place: server.listen(OtherWords(ends[place], words)) for place, words in WORDS.items()}
    thread = threading.Thread(target=server.serve)
    thread.start()
    try:
        yield ports
    finally:
        server.stop()
        thread.join()
