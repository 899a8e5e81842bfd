"""Numbers in Modbus registers: 16 bits each, two of them for 32 bits in an order that every maker chooses. Pure.

Negative numbers are two's complement, high byte first (Modbus Application Protocol Specification V1.1b3, 4.2, from
memory, not seen); that a tenth of a degree is 1 is practice, and so are floats.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Final, Literal

RegisterKind = Literal["holding", "input"]
BitKind = Literal["coil", "discrete"]
NumberType = Literal["int16", "uint16", "int32", "float32"]

_CODES: Final[dict[NumberType, str]] = {"int16": ">h", "uint16": ">H", "int32": ">i", "float32": ">f"}


class BadNumber(ValueError):
    """A number that its registers cannot hold, or registers that hold none."""


@dataclass(frozen=True, slots=True)
class NumberRegister:
    """Where a number is, 0-based, and how it is written there: value = content · ``scale``."""

    address: int
    kind: RegisterKind
    type: NumberType
    scale: float
    high_first: bool = True

    @property
    def count(self) -> int:
        """Registers that it takes."""
        return struct.calcsize(_CODES[self.type]) // 2

    def words(self, value: float) -> tuple[int, ...]:
        """Content for a value. Raises BadNumber when it cannot be held."""
        content = value / self.scale
        try:
            if self.type == "float32":
                data = struct.pack(">f", content)
            else:
                data = struct.pack(_CODES[self.type], round(content))
        except (struct.error, OverflowError, ValueError):
            raise BadNumber(f"{value:g} does not fit into {self.type} with a scale of {self.scale:g}") from None
        return self._ordered(struct.unpack(f">{self.count}H", data))

    def value(self, words: tuple[int, ...]) -> float:
        """Value of a content of ``count`` words. Raises BadNumber for a float that is no number."""
        data = struct.pack(f">{self.count}H", *self._ordered(words))
        (content,) = struct.unpack(_CODES[self.type], data)
        if not math.isfinite(content):
            raise BadNumber(f"{' '.join(f'{word:04X}' for word in words)} is no number")
        # A tenth is no binary fraction: 231 · 0.1 shall be 23.1.
        return float(f"{content * self.scale:.9g}")

    def _ordered(self, words: tuple[int, ...]) -> tuple[int, ...]:
        return words if self.high_first else words[::-1]
