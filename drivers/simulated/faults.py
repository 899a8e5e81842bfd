"""Faults of a served rig, each switched on and off while it runs.

A fault of messages stands between one instrument and all lines to it: ``FaultyInstrument``, ``FaultyLine``. A physical
one changes the rig. Both are named by the place where they happen; ``KINDS`` is the list.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drivers.simulated.rig import Drift, Rig
from drivers.simulated.served_front_end import ServedFrontEnd
from drivers.simulated.status import TEXTS
from drivers.timing import Clock

#: What an instrument says that has lost its mind: neither text nor number, but with an end, so that nobody waits.
GARBAGE = b"\x95\xfe\x07?#;\xff\x80\n"

#: Not a number, as instruments say it (SCPI-1999 Vol 1, 7.2.1.5).
_NOT_A_NUMBER = 9.91e37

#: More than can be measured (SCPI-1999 Vol 1, 7.2.1.4): what a meter says of a resistor that is not connected.
_OVERLOAD = 9.9e37

#: A number with exponent: here all physical quantities are written so, and registers and counts are not.
_PHYSICAL = re.compile(rb"[+-]?\d+\.\d+E[+-]\d+")
_BLOCK = re.compile(rb"#([1-9])", re.S)


class FaultError(ValueError):
    """There is no such fault, or not at this place; the text says what there is."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of fault.

    Attributes:
        what: What happens, in one line.
        argument: Default of its number; None when it takes none.
        places: Where it can happen; empty for every instrument.
        times: How often it happens before it is over by itself; None for until it is healed.
    """

    what: str
    argument: float | None = None
    places: tuple[str, ...] = ()
    times: int | None = None


_MESSAGE_KINDS = {
    "silence": Kind("hung: messages are neither obeyed nor answered"),
    "garbage": Kind("obeys, and answers with bytes that mean nothing"),
    "partial": Kind("half of each reply is sent, without its end"),
    "wrong-number": Kind("each physical number in a reply is NUMBER, in a block not-a-number", _NOT_A_NUMBER),
    "late": Kind("replies come NUMBER seconds late, by the client's watch", 1.0),
    "dropped": Kind("the connection is closed instead of an answer", times=1),
    "refused": Kind("connections are closed and new ones refused"),
    "error": Kind("each command is obeyed and leaves entry NUMBER in the queue", -310.0),
}
_PHYSICAL_KINDS = {
    "runaway": Kind("conditioning, the air rises by NUMBER K/min whatever the target; 0: full rate", 0.0, ("chamber",)),
    "stuck": Kind("conditioning, the air stays where it is", None, ("chamber",)),
    "supply-limit": Kind("the output gives NUMBER A at most, whatever its setting", 0.05, ("supply",)),
    "drifting-sensor": Kind(
        "the reading drifts by NUMBER K or mA per minute", 1.0, ("board_thermometer", "current_meter")
    ),
    "stuck-sensor": Kind("the reading stays what it is", None, ("board_thermometer",)),
    "open-sensor": Kind("a lead is off: each reading is an overload", None, ("board_thermometer",)),
    "drifting-current": Kind("the unit draws NUMBER mA more with every minute", 10.0, ("supply",)),
}
#: All kinds by name. ``restart`` is over as soon as it has happened.
KINDS = {
    **_MESSAGE_KINDS,
    "restart": Kind("power fails for a moment: connections, settings and queue are lost, outputs off"),
    **_PHYSICAL_KINDS,
}


@dataclass(slots=True)
class MessageFault:
    """A fault that is in force between an instrument and its lines.

    Attributes:
        kind: One of the message kinds.
        argument: Its number, 0 when it takes none.
        after: In which message from now it begins; 0 when it has begun.
        times: How often it still happens; None for until it is healed.
    """

    kind: str
    argument: float
    after: int
    times: int | None


class FaultyInstrument:
    """An instrument behind a fault that may be switched on.

    Args:
        end: A line to the instrument.
        clock: Clock of the rig.
        speed: How much faster than a client's watch that clock runs.
    """

    def __init__(self, end: ServedFrontEnd, clock: Clock, speed: float) -> None:
        self.end = end
        self.clock = clock
        self.speed = speed
        self.fault: MessageFault | None = None
        self.connections_lost = 0

    @property
    def refuses(self) -> bool:
        """Whether its port is closed."""
        return self.fault is not None and self.fault.kind == "refused" and self.fault.after == 0

    def line(self) -> FaultyLine:
        """A new line to it."""
        return FaultyLine(self)

    def lose_connections(self) -> None:
        """Break all lines that are open."""
        self.connections_lost += 1

    def acting(self) -> MessageFault | None:
        """The fault, once it has begun."""
        fault = self.fault
        return fault if fault is not None and fault.after == 0 else None

    def count_message(self) -> None:
        """A message has come: one less before the fault begins."""
        fault = self.fault
        if fault is not None and fault.after > 0:
            fault.after -= 1
            if fault.after == 0 and fault.kind == "refused":
                self.lose_connections()

    def happened(self, fault: MessageFault) -> None:
        """The fault has happened once more; it is over when that was the last time."""
        if fault.times is not None:
            fault.times -= 1
            if fault.times == 0:
                self.fault = None


class FaultyLine:
    """One line to an instrument: bytes in, bytes out, and what the fault of the instrument makes of both."""

    def __init__(self, instrument: FaultyInstrument) -> None:
        self._instrument = instrument
        self._end = instrument.end.another()
        self._lost = instrument.connections_lost
        self._dropped = False
        self._due: deque[tuple[float, bytes]] = deque()

    @property
    def broken(self) -> bool:
        """Whether the connection is to be closed."""
        return self._dropped or self._lost != self._instrument.connections_lost

    def receive(self, message: bytes) -> None:
        """Take one message with its NL."""
        instrument = self._instrument
        if instrument.fault is None:
            self._end.receive(message)
            return
        instrument.count_message()
        fault, is_query = instrument.acting(), b"?" in message
        if fault is not None and fault.kind in ("silence", "dropped", "refused"):
            self._dropped = is_query and fault.kind == "dropped"
            if is_query:
                instrument.happened(fault)
            return
        self._end.receive(message)
        if fault is not None and fault.kind == "error" and not is_query:
            self._end.enter_error(int(fault.argument))
            instrument.happened(fault)

    def ready(self) -> bytes | None:
        """The next reply that is due by now."""
        reply = self._end.ready()
        if reply is not None:
            if self._instrument.fault is None and not self._due:
                return reply
            self._due.append(self._spoilt(reply))
        if self._due and self._due[0][0] <= self._instrument.clock.elapsed_s():
            return self._due.popleft()[1]
        return None

    def waits_until_s(self) -> float | None:
        """Clock time at which ``ready`` is worth asking again; None when nothing is under way."""
        held = self._end.waits_until_s()
        if not self._due:
            return held
        return self._due[0][0] if held is None else min(held, self._due[0][0])

    def holds_input(self) -> bool:
        """Whether messages have to wait."""
        return self._end.holds_input()

    def _spoilt(self, reply: bytes) -> tuple[float, bytes]:
        """When a reply comes, and what is left of it."""
        fault, now = self._instrument.acting(), self._instrument.clock.elapsed_s()
        if fault is None:
            return now, reply
        due = now + fault.argument * self._instrument.speed if fault.kind == "late" else now
        if fault.kind == "garbage":
            spoilt = GARBAGE
        elif fault.kind == "partial":
            spoilt = reply[: len(reply) // 2]
        elif fault.kind == "wrong-number":
            spoilt = _with_wrong_numbers(reply, fault.argument)
        else:
            spoilt = reply
        if spoilt != reply or due > now:
            self._instrument.happened(fault)
        return due, spoilt


def _with_wrong_numbers(reply: bytes, value: float) -> bytes:
    """The reply with ``value`` for each physical number; all bits of a block's data set, which is no number."""
    block = _BLOCK.match(reply)
    if block is None:
        return _PHYSICAL.sub(f"{value:.9E}".encode("ascii"), reply)
    head = 2 + int(block[1])
    return reply[:head] + b"\xff" * (len(reply) - head - 1) + b"\n"


class Faults:
    """All faults of one rig.

    Args:
        rig: The rig.
        ends: A line to each instrument, by place.
        speed: How much faster than a client's watch the rig's clock runs.
    """

    def __init__(self, rig: Rig, ends: Mapping[str, ServedFrontEnd], speed: float) -> None:
        self._rig = rig
        self.instruments = {place: FaultyInstrument(end, rig.clock, speed) for place, end in ends.items()}
        self._physical: dict[str, str] = {}

    def switch_on(self, place: str, kind: str, words: Sequence[str] = ()) -> None:
        """Make a fault happen at a place, instead of the one of its sort that is there.

        Args:
            place: Place of an instrument.
            kind: One of ``KINDS``.
            words: Its number; for a fault of messages also ``@N`` (it begins after N) and ``xN`` (it happens N times).

        Raises:
            FaultError: This cannot be.
        """
        instrument = self._instrument(place)
        if kind not in KINDS:
            raise FaultError(f"no fault {kind!r}; there are {', '.join(KINDS)}, and none")
        facts = KINDS[kind]
        if facts.places and place not in facts.places:
            raise FaultError(f"{kind} happens at {' and '.join(facts.places)}, not at {place}")
        fault = _read_words(kind, facts, words)
        if kind == "restart":
            instrument.end.restart()
            instrument.lose_connections()
        elif kind in _MESSAGE_KINDS:
            instrument.fault = fault
            if instrument.refuses:
                instrument.lose_connections()
        else:
            self._mend(place)
            self._upset(place, kind, fault.argument)
            self._physical[place] = kind

    def heal(self, place: str) -> None:
        """End all faults of a place."""
        self._instrument(place).fault = None
        self._mend(place)

    def active(self) -> dict[str, list[str]]:
        """Kinds of fault that are switched on, by place."""
        found = {place: [] if item.fault is None else [item.fault.kind] for place, item in self.instruments.items()}
        for place, kind in self._physical.items():
            found[place].append(kind)
        return {place: kinds for place, kinds in found.items() if kinds}

    def _instrument(self, place: str) -> FaultyInstrument:
        if place not in self.instruments:
            raise FaultError(f"no instrument at {place!r}; there are {', '.join(self.instruments)}")
        return self.instruments[place]

    def _upset(self, place: str, kind: str, argument: float) -> None:
        """Change the rig."""
        rig = self._rig
        rig.advance()
        if kind == "runaway":
            chamber = rig.setup.chamber
            rate_k_per_min = argument or (chamber.ramp_k_per_min if chamber is not None else 0.0)
            rig.thermal.lose_control(rate_k_per_min / 60)
        elif kind == "stuck":
            rig.thermal.lose_control(0.0)
        elif kind == "supply-limit" and rig.bias is not None:
            rig.bias.most_current_a = argument
        elif kind in ("stuck-sensor", "open-sensor"):
            rig.dead_sensors[place] = rig.metered_board_c() if kind == "stuck-sensor" else _OVERLOAD
        else:
            unit = 1.0 if place == "board_thermometer" else 1e-3
            rig.drifts[place] = Drift(argument * unit / 60, rig.clock.elapsed_s())

    def _mend(self, place: str) -> None:
        rig = self._rig
        kind = self._physical.pop(place, None)
        if kind is None:
            return
        rig.advance()
        if kind in ("runaway", "stuck"):
            rig.thermal.regain_control()
        elif kind == "supply-limit" and rig.bias is not None:
            rig.bias.most_current_a = math.inf
        elif kind in ("stuck-sensor", "open-sensor"):
            rig.dead_sensors.pop(place)
        else:
            rig.drifts.pop(place)


def _read_words(kind: str, facts: Kind, words: Sequence[str]) -> MessageFault:
    fault = MessageFault(kind, facts.argument or 0.0, 0, facts.times)
    for word in words:
        if kind in _MESSAGE_KINDS and word[:1] in ("@", "x") and word[1:].isdecimal() and int(word[1:]) > 0:
            if word[0] == "@":
                fault.after = int(word[1:]) + 1
            else:
                fault.times = int(word[1:])
            continue
        try:
            fault.argument = float(word)
        except ValueError:
            fault.argument = math.nan
        if facts.argument is None or not math.isfinite(fault.argument):
            raise FaultError(f"{kind} ({facts.what}) does not take {word!r}")
    if kind == "error" and (fault.argument not in TEXTS or fault.argument == 0):
        raise FaultError(
            f"no entry {fault.argument:g}; there are {', '.join(str(number) for number in TEXTS if number)}"
        )
    if kind in ("late", "supply-limit", "runaway") and fault.argument < 0:
        raise FaultError(f"{kind} takes no negative number")
    return fault
