"""Multimeter by SCPI: CONFigure, INITiate, FETCh?, SENSe:CURRent:DC:NPLCycles are in SCPI-1999 (from memory).

Practice and not standard: NPLCycles under SENSe:TEMPerature, and that CONFigure:TEMPerature without parameters takes
the four-wire Pt100 that is wired to the meter.
"""

from __future__ import annotations

from typing import Final

from drivers.roles import MeterQuantity
from drivers.scpi_instrument import ScpiInstrument
from drivers.scpi_text import Unit

POWER_LINE_CYCLES = 1.0
"""One cycle of the mains: the shortest integration that rejects hum (common practice, no source)."""

_FUNCTIONS: Final[dict[MeterQuantity, tuple[str, str]]] = {
    "current": (":CONF:SCAL:CURR:DC", ":SENS:CURR:DC:NPLC"),
    "temperature": (":CONF:SCAL:TEMP", ":SENS:TEMP:NPLC"),
}
_UNITS: Final[dict[MeterQuantity, Unit]] = {"current": "A", "temperature": "CEL"}


class ScpiMeter(ScpiInstrument):
    """A multimeter that reads one quantity: current in A, or temperature in °C."""

    _unit: Unit | None = None

    def prepare(self, quantity: MeterQuantity) -> None:
        """Choose what to measure; the range is automatic, the integration time one cycle of the mains."""
        configure, integration = _FUNCTIONS[quantity]
        self._messages.tell(configure)
        if quantity == "temperature":
            self._set_celsius()
        self._set_number(integration, POWER_LINE_CYCLES, 0.0)
        self._messages.check(configure)
        self._unit = _UNITS[quantity]

    def begin_reading(self) -> None:
        """Start one reading."""
        self._messages.begin(":INIT:IMM")

    def finish_reading(self) -> float:
        """Wait for it: A or °C."""
        self._messages.finish()
        return self._ask_number(":FETC?", self._unit)

    def make_safe(self) -> None:
        """Nothing to do: a meter puts no energy into anything, and a series shunt must not open under current."""
