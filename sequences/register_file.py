"""The register table of a chamber that speaks Modbus: where each value is, and how it is written there.

Addresses are 0-based, as they go over the wire: what a manual calls register 40001 is the holding register 0 (Modbus
Application Protocol Specification V1.1b3, 4.4, from memory, not seen). Prove one by reading a value that is known,
before anything is written.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sequences.part_file import FileModel

Address = Annotated[int, Field(ge=0, le=0xFFFF)]


class ValueRegister(FileModel):
    """``[registers.…]``: a number; value = what is in the register · ``scale``. 32-bit types take two registers."""

    address: Address
    kind: Literal["holding", "input"] = "holding"
    type: Literal["int16", "uint16", "int32", "float32"] = "int16"
    scale: float = Field(default=1.0, gt=0)


class RunRegister(FileModel):
    """``[registers.run]``: starts and stops heating and cooling: a coil, or a register that holds ``on`` or ``off``."""

    address: Address
    kind: Literal["coil", "holding"] = "coil"
    on: int = Field(default=1, ge=0, le=0xFFFF)
    off: int = Field(default=0, ge=0, le=0xFFFF)

    @model_validator(mode="after")
    def _differ(self) -> Self:
        if self.on == self.off or (self.kind == "coil" and (self.on, self.off) != (1, 0)):
            raise ValueError("on and off must differ, and are 1 and 0 for a coil")
        return self


class AlarmBit(FileModel):
    """``[[alarm]]``: a bit that is 1 when something is wrong, and what it means to a person."""

    text: str = Field(min_length=1)
    address: Address
    kind: Literal["coil", "discrete", "holding", "input"] = "discrete"
    bit: int | None = Field(default=None, ge=0, le=15)

    @model_validator(mode="after")
    def _has_its_bit(self) -> Self:
        if (self.bit is None) == (self.kind in ("holding", "input")):
            raise ValueError("bit is for a register, and must be given there")
        return self


class Registers(FileModel):
    """``[registers.…]``: what is left out, ramp and limits, is not set; the chamber keeps its own.

    ``air`` and ``set_point`` in °C, ``ramp`` in K/min, ``low_limit`` and ``high_limit`` in °C.
    """

    air: ValueRegister
    set_point: ValueRegister
    run: RunRegister
    ramp: ValueRegister | None = None
    low_limit: ValueRegister | None = None
    high_limit: ValueRegister | None = None

    @model_validator(mode="after")
    def _can_be_written(self) -> Self:
        written = {name: getattr(self, name) for name in ("set_point", "ramp", "low_limit", "high_limit")}
        for name, register in written.items():
            if register is not None and register.kind == "input":
                raise ValueError(f"{name} is written, and an input register cannot be")
        return self


class ModbusFacts(FileModel):
    """``[modbus]``: the order of the two registers of a 32-bit value."""

    word_order: Literal["high first", "low first"] = "high first"


class RegisterFile(FileModel):
    """A whole register table."""

    modbus: ModbusFacts = ModbusFacts()
    registers: Registers
    alarm: tuple[AlarmBit, ...] = ()
