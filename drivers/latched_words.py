"""Words that the unit takes through a latch or a shift register, over the lines of any digital port.

Three rules that must not be broken here:

1. One line of a control port moves at a time, but for data that changes while its clock rests: what the unit does when
   data and clock change together nobody knows.
2. Whatever fails leaves the lines and every word as unknown: the next word starts from resting lines and goes whole.
3. What cannot be read back is never claimed: a word is known only as long as the lines stand where it left them.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal

from drivers.errors import InstrumentError, NotUnderstood, Refused
from drivers.roles import DigitalPort, Identity, QueueEntry


@dataclass(frozen=True, slots=True)
class Strobed:
    """The unit takes the word on ``data_port`` when the strobe line gets active."""

    data_port: int
    bits: int
    strobe_port: int
    strobe_bit: int
    active_high: bool


@dataclass(frozen=True, slots=True)
class Shifted:
    """The unit shifts a bit in at each clock edge and takes the word over at the latch's edge.

    ``latch``: a pulse after the last bit, or low from before the first bit until after the last.
    """

    port: int
    bits: int
    data_bit: int
    clock_bit: int
    latch_bit: int
    msb_first: bool
    clock_rising: bool
    latch: Literal["pulse high", "pulse low", "low while shifting"]


Levels = dict[int, bool]
"""Bit → level: lines of one port that change together."""


def shift_steps(way: Shifted, word: int) -> Iterator[Levels]:
    """What the lines do, one step after the other, from resting lines to resting lines."""
    rest = not way.clock_rising
    if way.latch == "low while shifting":
        yield {way.latch_bit: False}
    places = range(way.bits)
    for place in reversed(places) if way.msb_first else places:
        yield {way.data_bit: bool(word >> place & 1), way.clock_bit: rest}
        yield {way.clock_bit: not rest}
    yield {way.clock_bit: rest}
    if way.latch == "low while shifting":
        yield {way.latch_bit: True}
    else:
        active = way.latch == "pulse high"
        yield {way.latch_bit: active}
        yield {way.latch_bit: not active}


class LatchedPort:
    """A digital port some of whose words go through latches or shift registers; the others stand on their own port.

    Args:
        lines: Driver of the port itself.
        ways: Number of a word → how it gets to the unit.
        instrument, resource: For the text of errors.
    """

    def __init__(
        self, lines: DigitalPort, ways: Mapping[int, Strobed | Shifted], instrument: str = "", resource: str = ""
    ) -> None:
        self._lines = lines
        self._ways = dict(ways)
        self._instrument = instrument
        self._resource = resource
        self._rest = _resting(self._ways.values())
        self._standing: dict[int, int] = {}
        self._taken: dict[int, int] = {}

    def identify(self) -> Identity:
        """Ask who the port is."""
        with self._doubting():
            return self._lines.identify()

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Read the port's error queue; an entry may mean that a line did not move, so nothing is known after it."""
        with self._doubting():
            entries = self._lines.drain_errors()
        if entries:
            self._forget()
        return entries

    def make_safe(self) -> None:
        """As the port itself does: a changed code would step the unit's output."""
        self._lines.make_safe()

    def write_word(self, port: int, word: int) -> None:
        """Have the unit take a word. Raises Refused, with no line moved, if it has more bits than the unit takes."""
        way = self._ways.get(port)
        with self._doubting():
            if way is None:
                self._lines.write_word(port, word)
                return
            if not 0 <= word < 1 << way.bits:
                text = f"word {word} does not fit into {way.bits} bits"
                raise Refused(0, text, instrument=self._instrument, resource=self._resource)
            self._taken.pop(port, None)
            if isinstance(way, Strobed):
                self._strobe(way, word)
            else:
                for levels in shift_steps(way, word):
                    self._move(way.port, levels)
        self._taken[port] = word

    def read_word(self, port: int) -> int:
        """Word that stands on a port; of a latch the word last taken, as nothing can be read from the unit itself.

        Raises:
            NotUnderstood: Nothing has been written since the last failure, or the lines are not where they were left.
        """
        way = self._ways.get(port)
        with self._doubting():
            if way is None:
                return self._lines.read_word(port)
            if port not in self._taken:
                raise self._wrong(f"which word {port} the unit holds is not known; it must be written anew")
            control = way.strobe_port if isinstance(way, Strobed) else way.port
            found = self._lines.read_word(control)
            if found != self._standing[control]:
                raise self._wrong(f"the lines of port {control} stand at {found}, left at {self._standing[control]}")
        return self._taken[port]

    def _strobe(self, way: Strobed, word: int) -> None:
        self._to_rest(way.strobe_port)
        self._lines.write_word(way.data_port, word)
        self._move(way.strobe_port, {way.strobe_bit: way.active_high})
        self._move(way.strobe_port, {way.strobe_bit: not way.active_high})

    def _move(self, port: int, levels: Levels) -> None:
        self._to_rest(port)
        word = self._standing[port]
        for bit, level in levels.items():
            word = word | 1 << bit if level else word & ~(1 << bit)
        if word != self._standing[port]:
            self._lines.write_word(port, word)
            self._standing[port] = word

    def _to_rest(self, port: int) -> None:
        if port not in self._standing:
            self._lines.write_word(port, self._rest[port])
            self._standing[port] = self._rest[port]

    @contextmanager
    def _doubting(self) -> Iterator[None]:
        """Whatever fails inside, an interrupt as well, may have left lines between two steps."""
        try:
            yield
        except BaseException:
            self._forget()
            raise

    def _forget(self) -> None:
        self._standing.clear()
        self._taken.clear()

    def _wrong(self, problem: str) -> InstrumentError:
        return NotUnderstood(problem, instrument=self._instrument, resource=self._resource)


def _resting(ways: Iterable[Strobed | Shifted]) -> dict[int, int]:
    """Word of each control port with nothing going on: no strobe, no latch, every clock away from its edge."""
    rest: dict[int, int] = {}
    for way in ways:
        if isinstance(way, Strobed):
            port, high = way.strobe_port, [way.strobe_bit] if not way.active_high else []
        else:
            port, high = way.port, [way.clock_bit] if not way.clock_rising else []
            high += [way.latch_bit] if way.latch != "pulse high" else []
        rest[port] = rest.get(port, 0) | sum(1 << bit for bit in high)
    return rest
