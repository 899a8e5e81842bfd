"""``[instrument.chamber]``: a thermal chamber, which speaks SCPI or Modbus."""

from __future__ import annotations

from typing import Final, Literal, Self

from pydantic import Field, model_validator

from sequences.instrument_entry import InstrumentEntry
from sequences.part_file import FileModel, Span
from sequences.path_entries import NonNegative
from sequences.resource_strings import parse_resource

MODBUS: Final = "modbus"
"""Word of the driver that needs an address of its own form and a register table."""


class TemperatureAccuracy(FileModel):
    """Reading error within ±``temperature_k``."""

    temperature_k: NonNegative


class ChamberEntry(InstrumentEntry):
    """A thermal chamber. ``idle_c`` is where it is left; cooling says what could take the oxygen from the room.

    ``second_sensor``: the controller has another sensor, near the unit, which is watched as the board's temperature is.
    With ``driver = "modbus"``, ``registers`` names the register table, relative to the bench file.
    """

    accuracy: TemperatureAccuracy
    temperature_c: Span
    ramp_k_per_min: float = Field(gt=0)
    idle_c: float = 25.0
    cooling: Literal["compressor", "liquid nitrogen", "carbon dioxide"] = "compressor"
    limiter_c: float | None = None
    second_sensor: bool = False
    registers: str | None = Field(default=None, min_length=1)

    @model_validator(mode="after")
    def _modbus_is_whole(self) -> Self:
        speaks_modbus = self.driver == MODBUS
        if speaks_modbus is not (parse_resource(self.resource).kind == "Modbus"):
            raise ValueError(
                'driver = "modbus" goes with a resource modbus-tcp://… or modbus-rtu://…, and only with that'
            )
        if speaks_modbus is not (self.registers is not None):
            raise ValueError('driver = "modbus" needs registers, the name of a register table, and no other takes it')
        if speaks_modbus and self.serial is not None:
            raise ValueError("serial cannot be checked over Modbus, which does not tell it: leave it out")
        if speaks_modbus and self.deviations is not None:
            raise ValueError("deviations are of SCPI messages: a chamber that speaks Modbus has its register table")
        return self
