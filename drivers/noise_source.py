"""Noise source by SCPI: OUTPut, in SCPI-1999 (from memory). What feeds its diode is the instrument's own affair."""

from __future__ import annotations

from drivers.scpi_instrument import ScpiInstrument


class ScpiNoiseSource(ScpiInstrument):
    """A noise source that is switched on and off."""

    def prepare(self) -> None:
        """Output off."""
        self.switch_output(on=False)

    def switch_output(self, *, on: bool) -> None:
        """Switch the noise on or off and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)

    def output_is_on(self) -> bool:
        """Read back whether the noise is on."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def make_safe(self) -> None:
        """Noise off."""
        self._messages.tell_urgently(":OUTP:STAT 0")
