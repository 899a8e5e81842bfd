"""Thermal chamber by SCPI: MEASure, OUTPut and bit 4 of STATus:QUEStionable are in SCPI-1999 (from memory).

All of SOURce:TEMPerature is practice, met in temperature controllers: set point, ramp rate in K/min, low and high
limit, and whether these have stopped the chamber. A chamber that speaks otherwise needs a driver of its own.
"""

from __future__ import annotations

from typing import Final

from drivers.scpi_instrument import ScpiInstrument
from drivers.scpi_text import format_number

TEMPERATURE_WITHIN_K = 0.06
RAMP_WITHIN_K_PER_MIN = 0.06
"""Read-backs may differ by half a step of 0.1, the usual step of chamber controllers (common practice, no source)."""

QUESTIONABLE: Final[dict[int, str]] = {
    16: "it calls its temperature questionable",  # bit 4, temperature (SCPI-1999 Vol 2, 20.3)
}
"""What bits of STATus:QUEStionable mean to a person who has to act."""


class ScpiChamber(ScpiInstrument):
    """A thermal chamber."""

    _idle_c: float | None = None

    def prepare(self, ramp_k_per_min: float, lowest_c: float, highest_c: float, idle_c: float) -> None:
        """Set the ramp rate and the chamber's own low and high limits; note where ``make_safe`` sends it."""
        self._idle_c = idle_c
        self._set_celsius()
        self._set_number(":SOUR:TEMP:RAMP:RATE", ramp_k_per_min, RAMP_WITHIN_K_PER_MIN)
        self._set_number(":SOUR:TEMP:PROT:LOW:LEV", lowest_c, TEMPERATURE_WITHIN_K, "CEL")
        self._set_number(":SOUR:TEMP:PROT:HIGH:LEV", highest_c, TEMPERATURE_WITHIN_K, "CEL")
        self._messages.check(":SOUR:TEMP:PROT:HIGH:LEV")

    def set_target_c(self, temperature_c: float) -> None:
        """Set the air temperature to reach and check that the chamber took it; returns at once."""
        self._set_number(":SOUR:TEMP:SPO", temperature_c, TEMPERATURE_WITHIN_K, "CEL")

    def target_c(self) -> float:
        """Read back the air temperature that it is to reach."""
        return self._ask_number(":SOUR:TEMP:SPO?", "CEL")

    def switch_conditioning(self, *, on: bool) -> None:
        """Start or stop heating and cooling and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)

    def conditioning_is_on(self) -> bool:
        """Read back whether the chamber heats and cools."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def read_air_c(self) -> float:
        """Air temperature in °C."""
        return self._ask_number(":MEAS:SCAL:TEMP?", "CEL")

    def read_sensor_c(self) -> float:
        """Temperature at the second sensor: MEASure takes a channel list (Vol 2); that it is channel 2 is practice."""
        return self._ask_number(":MEAS:SCAL:TEMP? (@2)", "CEL")

    def alarms(self) -> tuple[str, ...]:
        """What the status register and the chamber's own protection say; the latter stays until a person clears it."""
        condition = int(self._ask_number(":STAT:QUES:COND?"))
        found = [words for bit, words in QUESTIONABLE.items() if condition & bit]
        if self._messages.ask_boolean(":SOUR:TEMP:PROT:TRIP?", repeatable=True):
            found.append("its own temperature limit has stopped it")
        return tuple(found)

    def make_safe(self) -> None:
        """Send it to its idle temperature and leave it conditioning, so that a cold load comes back dry.

        Before ``prepare`` nobody has said what idle is; then heating and cooling stop.
        """
        if self._idle_c is None:
            self._messages.tell_urgently(":OUTP:STAT 0")
        else:
            self._messages.tell_urgently(f":SOUR:TEMP:SPO {format_number(self._idle_c)}")
