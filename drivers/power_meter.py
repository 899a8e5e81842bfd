"""Power meter by SCPI: INITiate, FETCh?, SENSe:AVERage, SENSe:FREQuency, UNIT:POWer and CALibration:ZERO:AUTO are in
SCPI-1999 (from memory); so is bit 8 of STATus:QUEStionable, calibration, which tells that the sensor needs zeroing.
"""

from __future__ import annotations

from typing import Final

from drivers.messages import Messages
from drivers.scpi_instrument import ScpiInstrument

ZERO_TIMEOUT_S: Final = 60.0
"""Zeroing averages over many seconds; a minute is more than any sensor needs (common practice, no source)."""

FREQUENCY_WITHIN_HZ: Final = 1.0
"""The frequency only picks a calibration factor."""

_NOT_CALIBRATED: Final = 1 << 8
"""STATus:QUEStionable bit 8, calibration (SCPI-1999 Vol 2, 20.3, from a quotation)."""


class ScpiPowerMeter(ScpiInstrument):
    """A power meter with one sensor; it reads all the power that reaches it."""

    def __init__(self, messages: Messages) -> None:
        super().__init__(messages)
        self._frequency_hz: float | None = None

    def prepare(self, averages: int) -> None:
        """Single readings in dBm, each the mean of ``averages``."""
        self._frequency_hz = None
        self._messages.tell(":ABOR")
        self._set_boolean(":INIT:CONT", on=False)
        self._set_word(":UNIT:POW", "DBM")
        self._set_number(":SENS:AVER:COUN", averages, 0.0)
        self._set_boolean(":SENS:AVER:STAT", on=True)
        self._messages.check(":SENS:AVER:STAT")

    def zero(self) -> None:
        """Zero the sensor and wait for it; no power may reach it meanwhile. Refused if it does not hold afterwards."""
        command = ":CAL:ZERO:AUTO ONCE"
        self._messages.begin(command)
        self._messages.finish(ZERO_TIMEOUT_S)
        self._messages.check(command)
        if not self.is_zeroed():
            raise self._messages.not_taken("it calls its calibration questionable still", command)

    def is_zeroed(self) -> bool:
        """Whether the instrument holds its zero and calibration for good."""
        query = ":STAT:QUES:COND?"
        return not int(self._messages.ask_number(query, repeatable=True)) & _NOT_CALIBRATED

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the frequency whose calibration factor is applied; written only if it is another one."""
        if frequency_hz != self._frequency_hz:
            self._frequency_hz = None
            self._set_number(":SENS:FREQ:CW", frequency_hz, FREQUENCY_WITHIN_HZ, "HZ")
            self._frequency_hz = frequency_hz

    def begin_reading(self) -> None:
        """Start one reading."""
        self._messages.begin(":INIT:IMM")

    def finish_reading(self) -> float:
        """Wait for it: dBm at the sensor."""
        self._messages.finish()
        return self._ask_number(":FETC?", "DBM")

    def make_safe(self) -> None:
        """Nothing to do: a power meter puts no energy into anything."""
