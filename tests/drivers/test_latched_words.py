"""Words through latches and shift registers: any word, width and polarity arrives, and a torn one is never believed.

The register on the other side is the rig's, which knows nothing of the driver and takes what the edges say.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import InstrumentError, LinkLost, NotUnderstood, Refused
from drivers.latched_words import LatchedPort, Shifted, Strobed, shift_steps
from drivers.roles import Identity, QueueEntry
from drivers.simulated.latches import Latch, LatchSetup, ShiftRegister, ShiftRegisterSetup

ShiftLatch = Literal["pulse high", "pulse low", "low while shifting"]
LATCHES: list[ShiftLatch] = ["pulse high", "pulse low", "low while shifting"]


@dataclass
class Board:
    """A port whose lines go to latches of a unit; the link breaks at the write of number ``breaks_at``.

    ``arrives``: whether the lines still moved when it broke.
    """

    latches: Mapping[int, Latch | ShiftRegister]
    lines: dict[int, int] = field(default_factory=dict)
    writes: list[tuple[int, int]] = field(default_factory=list)
    breaks_at: int | None = None
    arrives: bool = False
    queue: tuple[QueueEntry, ...] = ()
    safe: int = 0

    def identify(self) -> Identity:
        return Identity("MAKER", "PORT", "1", "1")

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        entries, self.queue = self.queue, ()
        return entries

    def make_safe(self) -> None:
        self.safe += 1

    def write_word(self, port: int, word: int) -> None:
        breaks = len(self.writes) == self.breaks_at
        self.writes.append((port, word))
        if not breaks or self.arrives:
            before = dict(self.lines)
            self.lines[port] = word
            for latch in self.latches.values():
                latch.moved(before, self.lines)
        if breaks:
            raise LinkLost("the link broke")

    def read_word(self, port: int) -> int:
        return self.lines.get(port, 0)


def shifted(bits: int = 6, *, msb: bool = True, rising: bool = True, latch: ShiftLatch = "pulse high") -> Shifted:
    return Shifted(1, bits, 0, 1, 2, msb, rising, latch)


def register_for(way: Shifted) -> ShiftRegister:
    """What a part with these lines has inside, said apart from the driver."""
    return ShiftRegister(
        ShiftRegisterSetup(
            way.port,
            way.bits,
            way.data_bit,
            way.clock_bit,
            way.latch_bit,
            msb_first=way.msb_first,
            clock_edge="rising" if way.clock_rising else "falling",
            latch_edge="falling" if way.latch == "pulse low" else "rising",
            select_low=way.latch == "low while shifting",
        )
    )


WAYS = st.builds(
    lambda bits, lines, msb, rising, latch: Shifted(1, bits, lines[0], lines[1], lines[2], msb, rising, latch),
    st.integers(1, 32),
    st.permutations(range(8)),
    st.booleans(),
    st.booleans(),
    st.sampled_from(LATCHES),
)


@given(way=WAYS, words=st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=4), power_up=st.integers(0, 255))
def test_any_word_of_any_width_and_polarity_is_shifted_in(way: Shifted, words: list[int], power_up: int) -> None:
    """Whatever the lines were at power-up, and one word after the other."""
    board = Board({7: register_for(way)}, {1: power_up})
    port = LatchedPort(board, {7: way})
    for word in words:
        port.write_word(7, word % (1 << way.bits))

        assert board.latches[7].word == port.read_word(7) == word % (1 << way.bits)


@given(high=st.tuples(st.booleans(), st.booleans()), words=st.tuples(st.integers(0, 255), st.integers(0, 255)))
def test_two_strobes_share_one_bus_and_each_takes_its_own_word(high: tuple[bool, bool], words: tuple[int, int]) -> None:
    """As of a part with one set of data pins and a latch pin for each channel."""
    ways: dict[int, Strobed | Shifted] = {n: Strobed(1, 8, 2, n, active_high=high[n]) for n in (0, 1)}
    board = Board({n: Latch(LatchSetup(1, 8, (2, n), "rising" if high[n] else "falling")) for n in (0, 1)})
    port = LatchedPort(board, ways)
    for number, word in enumerate(words):
        port.write_word(number, word)

    assert [board.latches[n].word for n in (0, 1)] == list(words)
    assert [port.read_word(n) for n in (0, 1)] == list(words)


def test_two_registers_share_data_and_clock_and_each_takes_its_own_word() -> None:
    """A latch line for each channel tells whose word it is."""
    ways = {n: Shifted(1, 6, 0, 1, 2 + n, msb_first=True, clock_rising=True, latch="pulse high") for n in (0, 1)}
    board = Board({n: register_for(way) for n, way in ways.items()})
    port = LatchedPort(board, ways)
    port.write_word(0, 21)
    port.write_word(1, 42)

    assert [board.latches[n].word for n in (0, 1)] == [21, 42]


def test_a_word_without_a_latch_stands_on_the_port_of_its_number() -> None:
    """Mode pins sit still beside a register that is shifted."""
    board = Board({7: register_for(shifted())})
    port = LatchedPort(board, {7: shifted()})
    port.write_word(3, 1)
    port.write_word(7, 17)

    assert board.lines[3] == port.read_word(3) == 1
    assert board.latches[7].word == 17


@pytest.mark.parametrize("spoil", ["order", "clock", "latch first"])
def test_a_wrong_clocking_order_gives_a_wrong_word(spoil: str) -> None:
    """The register is no mirror of the driver: what it takes depends on which line moves when."""
    way = shifted()
    register = register_for(way)
    steps = list(shift_steps(way, 0b101100))
    if spoil == "order":
        steps = list(shift_steps(shifted(msb=False), 0b101100))
    elif spoil == "clock":  # data and clock edge together: the register sees the bit before
        bits = [steps[n] | steps[n + 1] for n in range(0, 12, 2)]
        steps = [step for bit in bits for step in (bit, {1: False})] + steps[12:]
    else:
        steps = steps[-2:] + steps[:-2]
    word = 0
    for step in steps:
        before = word
        for bit, level in step.items():
            word = word | 1 << bit if level else word & ~(1 << bit)
        register.moved({1: before}, {1: word})

    assert register.word != 0b101100


TORN = [
    pytest.param(shifted(latch=latch, rising=rising), at, arrives, id=f"{latch}, {rising}, {at}, {arrives}")
    for latch in LATCHES
    for rising in (True, False)
    for at in (0, 1, 6, 12, 13, 14)
    for arrives in (True, False)
]


@pytest.mark.parametrize(("way", "at", "arrives"), TORN)
def test_a_torn_word_is_unknown_until_it_is_written_anew(way: Shifted, at: int, arrives: bool) -> None:
    """Wherever the link breaks, and whether or not the last message arrived, the next word goes whole and is right."""
    board = Board({7: register_for(way)})
    port = LatchedPort(board, {7: way})
    port.write_word(7, 9)
    board.breaks_at, board.arrives = len(board.writes) + at, arrives
    with pytest.raises(LinkLost):
        port.write_word(7, 0b001101)
    with pytest.raises(NotUnderstood, match="not known"):
        port.read_word(7)
    port.write_word(7, 0b010011)

    assert board.latches[7].word == port.read_word(7) == 0b010011


def test_a_failure_at_one_word_leaves_none_known() -> None:
    """A port that restarts in between moves all of its lines."""
    ways = {n: Shifted(n, 4, 0, 1, 2, msb_first=True, clock_rising=True, latch="pulse high") for n in (1, 2)}
    board = Board({})
    port = LatchedPort(board, ways)
    port.write_word(1, 3)
    board.breaks_at = len(board.writes)
    with pytest.raises(InstrumentError):
        port.write_word(2, 5)
    with pytest.raises(NotUnderstood):
        port.read_word(1)


def test_lines_that_somebody_else_has_moved_are_not_believed() -> None:
    """The unit cannot be asked, but its lines can: they must stand where the last word left them."""
    board = Board({7: register_for(shifted())})
    port = LatchedPort(board, {7: shifted()})
    port.write_word(7, 9)
    board.lines[1] ^= 4
    with pytest.raises(NotUnderstood, match="port 1 stand at 5, left at 1"):
        port.read_word(7)


def test_an_entry_in_the_error_queue_leaves_no_word_known() -> None:
    """A line that was refused has not moved, and nobody knows which of them it was."""
    board = Board({7: register_for(shifted())}, queue=(QueueEntry(-222, "Data out of range"),))
    port = LatchedPort(board, {7: shifted()})
    port.write_word(7, 9)
    assert len(port.drain_errors()) == 1
    with pytest.raises(NotUnderstood):
        port.read_word(7)


@pytest.mark.parametrize("word", [64, -1])
@pytest.mark.parametrize("way", [shifted(6), Strobed(1, 6, 2, 0, active_high=True)])
def test_a_word_that_does_not_fit_is_refused_before_any_line_moves(way: Shifted | Strobed, word: int) -> None:
    """Its upper bits would fall out of the register, and another word would stand there."""
    board = Board({})
    with pytest.raises(Refused, match="does not fit into 6 bits"):
        LatchedPort(board, {7: way}).write_word(7, word)

    assert board.writes == []


def test_make_safe_and_identify_are_those_of_the_port() -> None:
    """A latch has nothing to make safe: a changed code would step the output of a unit that is still biased."""
    board = Board({})
    port = LatchedPort(board, {7: shifted()})
    port.make_safe()

    assert board.safe == 1
    assert board.writes == []
    assert port.identify().model == "PORT"


def test_a_clock_of_six_bits_costs_no_more_messages_than_edges() -> None:
    """Two for each bit, two for the latch, one to rest the clock, one to rest the lines at first."""
    board = Board({})
    LatchedPort(board, {7: shifted(6)}).write_word(7, 0b111111)

    assert len(board.writes) == 1 + 2 * 6 + 1 + 2
