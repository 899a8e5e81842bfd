"""The unit's own latch and shift register behind the lines of a port: what it has taken, as a function of the edges.

A register that is clocked while its data line changes takes the level from before, and nothing latches by itself: who
clocks in the wrong order, or stops halfway, gets a wrong word or none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

#: Port → word on its lines; a port that nobody has written stands at 0.
PortLines = Mapping[int, int]


@dataclass(frozen=True, slots=True)
class LatchSetup:
    """An edge-triggered latch on the lines of a port; ``strobe`` is port and bit of the line whose ``edge`` counts."""

    data_port: int
    bits: int
    strobe: tuple[int, int]
    edge: Literal["rising", "falling"]


@dataclass(frozen=True, slots=True)
class ShiftRegisterSetup:
    """A shift register with an output latch; lines are bits of ``port``.

    ``select_low``: it shifts only while the latch line is low, as with a chip select.
    """

    port: int
    bits: int
    data_bit: int
    clock_bit: int
    latch_bit: int
    msb_first: bool
    clock_edge: Literal["rising", "falling"]
    latch_edge: Literal["rising", "falling"]
    select_low: bool = False


class Latch:
    """State of one latch; a word that was never latched is 0."""

    def __init__(self, setup: LatchSetup) -> None:
        self._setup = setup
        self.word = 0

    def moved(self, before: PortLines, after: PortLines) -> None:
        """Lines have gone from one state to the next. Data that changes with the strobe comes too late."""
        setup = self._setup
        port, bit = setup.strobe
        if _edge(before, after, port, bit) == setup.edge:
            self.word = before.get(setup.data_port, 0) & (1 << setup.bits) - 1


class ShiftRegister:
    """State of one shift register and its latch."""

    def __init__(self, setup: ShiftRegisterSetup) -> None:
        self._setup = setup
        self._shifted = 0
        self.word = 0

    def moved(self, before: PortLines, after: PortLines) -> None:
        """Lines have gone from one state to the next; the latch takes what had been shifted in before."""
        setup = self._setup
        latch = _edge(before, after, setup.port, setup.latch_bit)
        if latch == setup.latch_edge:
            self.word = self._shifted
        selected = not (setup.select_low and before.get(setup.port, 0) >> setup.latch_bit & 1)
        if selected and _edge(before, after, setup.port, setup.clock_bit) == setup.clock_edge:
            bit = before.get(setup.port, 0) >> setup.data_bit & 1
            if setup.msb_first:
                self._shifted = (self._shifted << 1 | bit) & (1 << setup.bits) - 1
            else:
                self._shifted = self._shifted >> 1 | bit << setup.bits - 1


def _edge(before: PortLines, after: PortLines, port: int, bit: int) -> Literal["rising", "falling"] | None:
    was, now = (lines.get(port, 0) >> bit & 1 for lines in (before, after))
    if was == now:
        return None
    return "rising" if now else "falling"
