"""Tone source by SCPI: OUTPut, SOURce:FREQuency, SOURce:POWer and UNIT:POWer, all in SCPI-1999 (from memory)."""

from __future__ import annotations

import math

from drivers import scpi_text
from drivers.scpi_instrument import ScpiInstrument

LEVEL_WITHIN_DB = 0.06
"""Read-back may differ by half a step of 0.1 dB, the coarsest level setting met (common practice, no source)."""


UNLEVELLED = 8
"""Bit 3 of STATus:QUEStionable: the standard says "power" (Vol 2, 20.3); that it means unlevelled is practice."""


class ScpiToneSource(ScpiInstrument):
    """A signal generator that emits one tone."""

    _ceiling_dbm = -math.inf

    def prepare(self, ceiling_dbm: float) -> None:
        """Output off, level unit dBm, continuous wave, never above ``ceiling_dbm``."""
        self._set_boolean(":OUTP:STAT", on=False)
        self._set_word(":UNIT:POW", "DBM")
        self._messages.tell(":SOUR:FREQ:MODE CW")  # not read back: CW and FIXed are two words for one mode
        self._set_number(":SOUR:POW:LIM:AMPL", ceiling_dbm, LEVEL_WITHIN_DB, "DBM")
        self._messages.check(":SOUR:POW:LIM:AMPL")
        self._ceiling_dbm = ceiling_dbm

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the tone's frequency; not read back, as a sweep sets it for every condition."""
        self._messages.tell(f":SOUR:FREQ:CW {scpi_text.format_number(frequency_hz)}")

    def set_level(self, level_dbm: float) -> float:
        """Set the level and return it as the instrument reads it back.

        Raises:
            Refused: Above the ceiling (nothing is sent; before ``prepare`` every level is), or not taken over.
        """
        if level_dbm > self._ceiling_dbm:
            text = f"{level_dbm:g} dBm is above the ceiling of {self._ceiling_dbm:g} dBm"
            raise self._messages.not_taken(text, "")
        return self._set_number(":SOUR:POW:LEV:IMM:AMPL", level_dbm, LEVEL_WITHIN_DB, "DBM")

    def is_unlevelled(self) -> bool:
        """Whether it calls its power questionable: more than its output stage can give, or something reflects it."""
        return bool(int(self._ask_number(":STAT:QUES:COND?")) & UNLEVELLED)

    def switch_output(self, *, on: bool) -> None:
        """Switch RF on or off and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)

    def output_is_on(self) -> bool:
        """Read back whether RF is on."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def make_safe(self) -> None:
        """RF off."""
        self._messages.tell_urgently(":OUTP:STAT 0")
