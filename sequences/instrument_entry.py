"""What every instrument entry of a bench file says: where the instrument is and how the line to it is set."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sequences.part_file import FileModel
from sequences.resource_strings import parse_resource

Terminator = Literal["LF", "CR LF", "CR"]


class SerialLineEntry(FileModel):
    """``serial_line`` of an instrument at a serial port: as the instrument's own menu says."""

    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: int = Field(default=8, ge=7, le=8)
    parity: Literal["none", "odd", "even"] = "none"
    stop_bits: int = Field(default=1, ge=1, le=2)
    flow_control: Literal["none", "XON/XOFF", "RTS/CTS", "DTR/DSR"] = "none"


def _known_form(resource: str) -> str:
    parse_resource(resource)
    return resource


class InstrumentEntry(FileModel):
    """What every instrument says: where it is and which driver speaks to it.

    ``terminator`` ends messages both ways; ``reply_terminator`` is for an instrument that ends its replies otherwise.
    Where the line itself signals the end of a reply (VXI-11, HiSLIP, USBTMC, GPIB) no byte is waited for unless
    ``reply_terminator`` names one. ``timeout_s`` is the time for a whole reply, ``open_timeout_s`` that for opening the
    line, which is ``timeout_s`` if left out. ``deviations`` names a table of deviations, relative to the bench file.
    """

    driver: str = "scpi"
    deviations: str | None = Field(default=None, min_length=1)
    resource: Annotated[str, AfterValidator(_known_form)]
    timeout_s: float = Field(default=5.0, ge=0.001)
    open_timeout_s: float | None = Field(default=None, ge=0.001)
    terminator: Terminator = "LF"
    reply_terminator: Terminator | None = None
    serial_line: SerialLineEntry | None = None
    calibration_due: date | None = None
    serial: str | None = None

    @model_validator(mode="after")
    def _line_is_serial(self) -> Self:
        if self.serial_line is not None and parse_resource(self.resource).kind != "serial":
            raise ValueError(f"serial_line goes only with a serial port, ASRL…, and resource is {self.resource}")
        if self.driver != "modbus" and parse_resource(self.resource).kind == "Modbus":
            raise ValueError(f'{self.resource} takes no messages: it goes only with a chamber and driver = "modbus"')
        return self
