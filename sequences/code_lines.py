"""How a word of the code port reaches the unit when it is not simply put on the port of its number.

Strobed: the word stands on a data port while a pulse on a strobe line makes the unit take it. Shifted: bit after bit
on a data line, each with an edge of a clock line, and at the end an edge of a latch line.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sequences.part_file import FileModel

#: Ports of 32 lines and registers of 32 bits are the most that is met (common practice, no source).
_MOST_LINES = 32

PortNumber = Annotated[int, Field(ge=0)]
BitNumber = Annotated[int, Field(ge=0, lt=_MOST_LINES)]
BitCount = Annotated[int, Field(ge=1, le=_MOST_LINES)]

#: A line as port and bit.
_Line = tuple[int, int]


class StrobedWord(FileModel):
    """``[[instrument.code_port.strobed]]``: the unit takes what stands on ``data_port`` when the strobe gets active.

    ``word`` is its number under ``channels`` or ``mode``. Several words may share a data port.
    """

    word: int
    data_port: PortNumber
    bits: BitCount = 8
    strobe_port: PortNumber
    strobe_bit: BitNumber
    active: Literal["high", "low"] = "high"


class ShiftedWord(FileModel):
    """``[[instrument.code_port.shifted]]``: lines of ``port`` feed a shift register of ``bits`` bits in the unit.

    It takes a bit at the ``clock`` edge and the whole word at the end of the ``latch``: a pulse after the last bit, or
    a line that is low while bits are shifted. ``word`` is its number under ``channels`` or ``mode``. Several words may
    share data and clock lines.
    """

    word: int
    port: PortNumber
    bits: BitCount
    data_bit: BitNumber
    clock_bit: BitNumber
    latch_bit: BitNumber
    first: Literal["MSB", "LSB"] = "MSB"
    clock: Literal["rising", "falling"] = "rising"
    latch: Literal["pulse high", "pulse low", "low while shifting"] = "pulse high"

    @model_validator(mode="after")
    def _three_lines(self) -> Self:
        if len({self.data_bit, self.clock_bit, self.latch_bit}) != 3:
            raise ValueError("data_bit, clock_bit and latch_bit must be three lines")
        return self


def line_problems(
    numbers: Iterable[int], strobed: tuple[StrobedWord, ...], shifted: tuple[ShiftedWord, ...]
) -> Iterator[str]:
    """What is wrong between the words of one port; ``numbers`` are all that channels and mode name."""
    known = set(numbers)
    apart = [entry.word for entry in strobed] + [entry.word for entry in shifted]
    for word in sorted(set(apart) - known):
        yield f"word {word} is that of no channel and not of the mode pins"
    for word, count in Counter(apart).items():
        if count > 1:
            yield f"word {word} is described {count} times"
    whole = (known - set(apart)) | {entry.data_port for entry in strobed}
    own: list[_Line] = [(entry.strobe_port, entry.strobe_bit) for entry in strobed]
    own += [(entry.port, entry.latch_bit) for entry in shifted]
    shared: set[_Line] = {(entry.port, bit) for entry in shifted for bit in (entry.data_bit, entry.clock_bit)}
    for (port, bit), count in Counter(own).items():
        if count > 1 or (port, bit) in shared:
            yield f"bit {bit} of port {port} has more than one use"
    for port in sorted({port for port, _ in (*own, *shared)} & whole):
        yield f"port {port} carries whole words and cannot have lines for strobe, data, clock or latch"
