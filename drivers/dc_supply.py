"""DC supply by SCPI: OUTPut, SOURce:VOLTage and CURRent with PROTection, MEASure; all in SCPI-1999 (from memory).

The current limit (``CURRent``) folds the voltage back; over-current protection (``CURRent:PROTection``) switches the
output off and keeps it off. They are two things and both are set.
"""

from __future__ import annotations

from drivers.scpi_instrument import ScpiInstrument

SETTING_WITHIN = 0.01
"""Volts or amperes that a read-back may differ: one step of 10 mV or 10 mA (common practice, no source)."""


class ScpiDCSupply(ScpiInstrument):
    """One output of a DC supply."""

    def prepare(self, over_voltage_v: float, over_current_a: float) -> None:
        """Output off; arm over-voltage and over-current protection; read both back."""
        self._set_boolean(":OUTP:STAT", on=False)
        self._set_number(":SOUR:VOLT:PROT:LEV", over_voltage_v, SETTING_WITHIN, "V")
        self._set_boolean(":SOUR:VOLT:PROT:STAT", on=True)
        self._set_number(":SOUR:CURR:PROT:LEV", over_current_a, SETTING_WITHIN, "A")
        self._set_boolean(":SOUR:CURR:PROT:STAT", on=True)
        self._messages.check(":SOUR:CURR:PROT:STAT 1")

    def set_output(self, voltage_v: float, current_limit_a: float) -> None:
        """Set current limit, then voltage; read both back."""
        self._set_number(":SOUR:CURR:LEV:IMM:AMPL", current_limit_a, SETTING_WITHIN, "A")
        self._set_number(":SOUR:VOLT:LEV:IMM:AMPL", voltage_v, SETTING_WITHIN, "V")
        self._messages.check(":SOUR:VOLT:LEV:IMM:AMPL")

    def switch_output(self, *, on: bool) -> None:
        """Switch the output on or off and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)
        self._messages.check(":OUTP:STAT")

    def output_is_on(self) -> bool:
        """Read back whether the output is on."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def read_voltage_v(self) -> float:
        """Measure the output voltage."""
        return self._ask_number(":MEAS:SCAL:VOLT:DC?", "V")

    def read_current_a(self) -> float:
        """Measure the output current."""
        return self._ask_number(":MEAS:SCAL:CURR:DC?", "A")

    def protection_tripped(self) -> bool:
        """Whether over-voltage or over-current protection has switched the output off."""
        voltage = self._messages.ask_boolean(":SOUR:VOLT:PROT:TRIP?", repeatable=True)
        current = self._messages.ask_boolean(":SOUR:CURR:PROT:TRIP?", repeatable=True)
        return voltage or current

    def make_safe(self) -> None:
        """Output off."""
        self._messages.tell_urgently(":OUTP:STAT 0")
