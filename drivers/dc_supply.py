"""DC supply by SCPI: OUTPut, SOURce:VOLTage and CURRent with PROTection, INSTrument, MEASure, from memory of SCPI-1999.

The current limit (``CURRent``) folds the voltage back; over-current protection (``CURRent:PROTection``) switches the
output off and keeps it off. They are two things and both are set.

Of several outputs the one that is meant is selected anew before each group of messages, and read back: somebody at the
front panel may have chosen another. That OUTPut:STATe then switches this output alone is the standard's reading of
INSTrument; a supply that switches all at once needs a driver of its own.

Practice and not standard: SYSTem:RSENse for remote sense, and that bit 0 of STATus:QUEStionable (the standard says
"voltage", Vol 2, 20.3) means that the current limit holds the voltage down; of several outputs it is the bit of
INSTrument:ISUMmary<output>.
"""

from __future__ import annotations

from drivers import scpi_text
from drivers.errors import Refused
from drivers.roles import Regulation
from drivers.scpi_instrument import ScpiInstrument

SETTING_WITHIN = 0.01
"""Volts or amperes that a read-back may differ: one step of 10 mV or 10 mA (common practice, no source)."""


VOLTAGE_NOT_HELD = 1
"""Bit of the questionable register that says: in current limit."""


class ScpiDCSupply(ScpiInstrument):
    """One output of a DC supply."""

    _output: int | None = None

    def use_output(self, output: int) -> None:
        """Speak to this output of several from now on; sends nothing."""
        self._output = output

    def prepare(self, over_voltage_v: float, over_current_a: float, *, remote_sense: bool | None = None) -> None:
        """Output off; remote sense, over-voltage and over-current protection; read all back."""
        self._select()
        self._set_boolean(":OUTP:STAT", on=False)
        if remote_sense is not None:
            self._set_remote_sense(on=remote_sense)
        self._set_number(":SOUR:VOLT:PROT:LEV", over_voltage_v, SETTING_WITHIN, "V")
        self._set_boolean(":SOUR:VOLT:PROT:STAT", on=True)
        self._set_number(":SOUR:CURR:PROT:LEV", over_current_a, SETTING_WITHIN, "A")
        self._set_boolean(":SOUR:CURR:PROT:STAT", on=True)
        self._messages.check(":SOUR:CURR:PROT:STAT 1")

    def set_output(self, voltage_v: float, current_limit_a: float) -> None:
        """Set current limit, then voltage; read both back."""
        self._select()
        self._set_number(":SOUR:CURR:LEV:IMM:AMPL", current_limit_a, SETTING_WITHIN, "A")
        self._set_number(":SOUR:VOLT:LEV:IMM:AMPL", voltage_v, SETTING_WITHIN, "V")
        self._messages.check(":SOUR:VOLT:LEV:IMM:AMPL")

    def switch_output(self, *, on: bool) -> None:
        """Switch the output on or off and check that it did."""
        self._select()
        self._set_boolean(":OUTP:STAT", on=on)
        self._messages.check(":OUTP:STAT")

    def output_is_on(self) -> bool:
        """Read back whether the output is on."""
        self._select()
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def read_voltage_v(self) -> float:
        """Measure the output voltage."""
        self._select()
        return self._ask_number(":MEAS:SCAL:VOLT:DC?", "V")

    def read_current_a(self) -> float:
        """Measure the output current."""
        self._select()
        return self._ask_number(":MEAS:SCAL:CURR:DC?", "A")

    def regulation(self) -> Regulation:
        """Whether the output holds its voltage, is in current limit, or is off."""
        if not self.output_is_on():
            return "off"
        query = ":STAT:QUES:COND?" if self._output is None else f":STAT:QUES:INST:ISUM{self._output}:COND?"
        return "current" if int(self._ask_number(query)) & VOLTAGE_NOT_HELD else "voltage"

    def protection_tripped(self) -> bool:
        """Whether over-voltage or over-current protection has switched the output off."""
        self._select()
        voltage = self._messages.ask_boolean(":SOUR:VOLT:PROT:TRIP?", repeatable=True)
        current = self._messages.ask_boolean(":SOUR:CURR:PROT:TRIP?", repeatable=True)
        return voltage or current

    def clear_protection(self) -> None:
        """Forget that a protection has tripped; the output stays off."""
        self._select()
        self._messages.tell(":SOUR:VOLT:PROT:CLE")
        self._messages.tell(":SOUR:CURR:PROT:CLE")
        self._messages.check(":SOUR:VOLT:PROT:CLE or :SOUR:CURR:PROT:CLE")
        if self.protection_tripped():
            raise self._messages.not_taken("a protection is tripped still", ":SOUR:VOLT:PROT:CLE, :SOUR:CURR:PROT:CLE")

    def make_safe(self) -> None:
        """Output off. Which output is meant is not read back here; whoever confirms the safe state does."""
        if self._output is not None:
            self._messages.tell_urgently(f":INST:NSEL {self._output}")
        self._messages.tell_urgently(":OUTP:STAT 0")

    def _select(self) -> None:
        if self._output is not None:
            self._set_number(":INST:NSEL", self._output, 0.0)

    def _set_remote_sense(self, *, on: bool) -> None:
        command = f":SYST:RSEN {scpi_text.format_boolean(on=on)}"
        try:
            self._messages.check()  # so that what follows is about this command alone
            self._messages.tell(command)
            self._messages.check(command)  # before asking: a supply that lacks it would leave the question unanswered
            self._set_boolean(":SYST:RSEN", on=on)
        except Refused as error:
            way = "on" if on else "off"
            text = f"remote sense cannot be switched {way} ({error.problem}): do so at the supply, and leave "
            raise self._messages.not_taken(f"{text}remote_sense out of the bench file", command) from error
