"""Thermal chamber by SCPI: MEASure and OUTPut are in SCPI-1999 (from memory).

All of SOURce:TEMPerature is practice, met in temperature controllers: set point, ramp rate in K/min, low and high
limit. A chamber that speaks otherwise needs a driver of its own.
"""

from __future__ import annotations

from drivers.scpi_instrument import ScpiInstrument
from drivers.scpi_text import format_number

TEMPERATURE_WITHIN_K = 0.06
RAMP_WITHIN_K_PER_MIN = 0.06
"""Read-backs may differ by half a step of 0.1, the usual step of chamber controllers (common practice, no source)."""


class ScpiChamber(ScpiInstrument):
    """A thermal chamber."""

    _idle_c: float | None = None

    def prepare(self, ramp_k_per_min: float, lowest_c: float, highest_c: float, idle_c: float) -> None:
        """Set the ramp rate and the chamber's own low and high limits; note where ``make_safe`` sends it."""
        self._idle_c = idle_c
        self._set_number(":SOUR:TEMP:RAMP:RATE", ramp_k_per_min, RAMP_WITHIN_K_PER_MIN)
        self._set_number(":SOUR:TEMP:PROT:LOW:LEV", lowest_c, TEMPERATURE_WITHIN_K)
        self._set_number(":SOUR:TEMP:PROT:HIGH:LEV", highest_c, TEMPERATURE_WITHIN_K)
        self._messages.check(":SOUR:TEMP:PROT:HIGH:LEV")

    def set_target_c(self, temperature_c: float) -> None:
        """Set the air temperature to reach and check that the chamber took it; returns at once."""
        self._set_number(":SOUR:TEMP:SPO", temperature_c, TEMPERATURE_WITHIN_K)

    def switch_conditioning(self, *, on: bool) -> None:
        """Start or stop heating and cooling and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)

    def conditioning_is_on(self) -> bool:
        """Read back whether the chamber heats and cools."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def read_air_c(self) -> float:
        """Air temperature in °C."""
        return self._messages.ask_number(":MEAS:SCAL:TEMP?", repeatable=True)

    def make_safe(self) -> None:
        """Send it to its idle temperature and leave it conditioning, so that a cold load comes back dry.

        Before ``prepare`` nobody has said what idle is; then heating and cooling stop.
        """
        if self._idle_c is None:
            self._messages.tell_urgently(":OUTP:STAT 0")
        else:
            self._messages.tell_urgently(f":SOUR:TEMP:SPO {format_number(self._idle_c)}")
