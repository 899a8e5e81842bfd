"""Network analyzer by SCPI: one sweep over four S-parameters of a two-port, read as pairs of real and imaginary part.

In SCPI-1999 (from memory): OUTPut, SOURce:POWer with its limit, SENSe:FREQuency (STARt, STOP, MODE),
SENSe:SWEep:POINts, SENSe:LIST:FREQuency, SENSe:BANDwidth, INITiate, CALCulate:FORMat COMPlex, TRACe:DATA?, FORMat.
Practice and not standard: the traces are called S11, S21, S12 and S22, and each holds real and imaginary part in turn.

Two-port and single-ended on purpose: that is what the standard's words can ask for. A unit with differential ports is
reached through baluns, which are taken off afterwards with the rest of the path.
"""

from __future__ import annotations

import math
from itertools import pairwise

from drivers import scpi_text
from drivers.messages import Messages
from drivers.roles import NetworkSetting, SParameters
from drivers.scpi_instrument import ScpiInstrument

POWER_WITHIN_DB = 0.06
"""Read-back may differ by half a step of 0.1 dB, the coarsest level setting met (common practice, no source)."""

EVEN_WITHIN = 1e-9
"""Frequencies whose steps differ by less than this part of the highest one are sent as start, stop and points."""

WAIT_FACTOR = 4.0
WAIT_EXTRA_S = 5.0
"""A sweep may take four times points/bandwidth in each direction, and five seconds beside (our choice)."""

_TRACES = ("S11", "S21", "S12", "S22")


class ScpiNetworkAnalyzer(ScpiInstrument):
    """A network analyzer with two ports, calibrated at its own connectors."""

    def __init__(self, messages: Messages) -> None:
        super().__init__(messages)
        self._ceiling_dbm = -math.inf
        self._frequencies_hz: tuple[float, ...] = ()
        self._bandwidth_hz = 0.0

    def prepare(self, ceiling_dbm: float) -> None:
        """Source off, never above ``ceiling_dbm``, single sweeps, complex traces in binary."""
        self._frequencies_hz = ()
        self._bandwidth_hz = 0.0
        self._messages.tell(":ABOR")
        self._set_boolean(":OUTP:STAT", on=False)
        self._set_boolean(":INIT:CONT", on=False)
        self._set_number(":SOUR:POW:LIM:AMPL", ceiling_dbm, POWER_WITHIN_DB, "DBM")
        self._set_word(":CALC:FORM", "COMPlex")
        self._messages.tell(":FORM:DATA REAL,64")  # not read back: the size of each trace tells
        self._set_word(":FORM:BORD", "NORMal")
        self._messages.check(":SOUR:POW:LIM:AMPL … :FORM:BORD NORM")
        self._ceiling_dbm = ceiling_dbm

    def set_sweep(self, setting: NetworkSetting) -> NetworkSetting:
        """Set source power and bandwidth; return them as read back (the instrument may round the bandwidth).

        Raises:
            Refused: Power above the ceiling (nothing is sent; before ``prepare`` every power is), or not taken over.
        """
        if setting.power_dbm > self._ceiling_dbm:
            text = f"{setting.power_dbm:g} dBm is above the ceiling of {self._ceiling_dbm:g} dBm"
            raise self._messages.not_taken(text, "")
        power_dbm = self._set_number(":SOUR:POW:LEV:IMM:AMPL", setting.power_dbm, POWER_WITHIN_DB, "DBM")
        # Half: an instrument has filters in steps of 1, 2, 5 or 1, 3, 10, and takes the one next to what is asked.
        bandwidth_hz = self._set_number(":SENS:BAND:RES", setting.bandwidth_hz, setting.bandwidth_hz, "HZ")
        self._messages.check(":SOUR:POW or :SENS:BAND:RES")
        self._bandwidth_hz = bandwidth_hz
        return NetworkSetting(power_dbm, bandwidth_hz)

    def set_frequencies(self, frequencies_hz: tuple[float, ...]) -> None:
        """Set the frequencies of the sweep, two or more, rising: as start, stop and points if even, else as a list.

        Raises:
            Refused: Fewer than two, not rising, or the instrument holds another number of points or other ends.
        """
        if len(frequencies_hz) < 2 or any(later <= earlier for earlier, later in pairwise(frequencies_hz)):
            raise self._messages.not_taken("a sweep needs two or more rising frequencies", "")
        if frequencies_hz == self._frequencies_hz:
            return
        self._frequencies_hz = ()
        first, last, count = frequencies_hz[0], frequencies_hz[-1], len(frequencies_hz)
        step = (last - first) / (count - 1)
        if all(abs(first + index * step - hertz) <= EVEN_WITHIN * last for index, hertz in enumerate(frequencies_hz)):
            self._set_word(":SENS:FREQ:MODE", "SWEep")
            # From the outside in: a start above the stop that stands would push it, or be refused.
            self._messages.tell(f":SENS:FREQ:STOP {scpi_text.format_number(last)}")
            self._set_number(":SENS:FREQ:STAR", first, EVEN_WITHIN * last, "HZ")
            self._set_number(":SENS:FREQ:STOP", last, EVEN_WITHIN * last, "HZ")
            self._set_number(":SENS:SWE:POIN", count, 0.0)
        else:
            self._messages.tell(f":SENS:LIST:FREQ {','.join(map(scpi_text.format_number, frequencies_hz))}")
            held = self._messages.ask_number(":SENS:LIST:FREQ:POIN?", repeatable=True)
            if held != count:
                self._messages.check(":SENS:LIST:FREQ")
                raise self._messages.not_taken(f"its list has {held:g} points instead of {count}", ":SENS:LIST:FREQ")
            self._set_word(":SENS:FREQ:MODE", "LIST")
        self._messages.check(":SENS:FREQ or :SENS:LIST:FREQ")
        self._frequencies_hz = frequencies_hz

    def switch_output(self, *, on: bool) -> None:
        """Switch the source on or off and check that it did."""
        self._set_boolean(":OUTP:STAT", on=on)

    def output_is_on(self) -> bool:
        """Read back whether the source is on."""
        return self._messages.ask_boolean(":OUTP:STAT?", repeatable=True)

    def begin_sweep(self) -> None:
        """Start one sweep in both directions."""
        self._messages.begin(":INIT:IMM")

    def finish_sweep(self) -> SParameters:
        """Wait for the sweep and read its four traces.

        Raises:
            NotUnderstood: A trace has another number of points, or holds no numbers.
        """
        wait_s = WAIT_EXTRA_S
        if self._bandwidth_hz > 0:
            wait_s += 2 * WAIT_FACTOR * len(self._frequencies_hz) / self._bandwidth_hz
        self._messages.finish(wait_s)
        return SParameters(self._frequencies_hz, *(self._trace(name, wait_s) for name in _TRACES))

    def make_safe(self) -> None:
        """Source off."""
        self._messages.tell_urgently(":OUTP:STAT 0")

    def _trace(self, name: str, wait_s: float) -> tuple[complex, ...]:
        query = f":TRAC:DATA? {name}"
        parts = self._messages.ask_block(query, bits=64, timeout_s=wait_s)
        if not self._frequencies_hz or len(parts) != 2 * len(self._frequencies_hz):
            wanted = f"{len(self._frequencies_hz)} points had been asked for" if self._frequencies_hz else "no sweep"
            raise self._messages.wrong(f"{len(parts)} numbers came, {wanted}", query)
        return tuple(map(complex, parts[::2], parts[1::2]))
