"""Spectrum analyzer by SCPI as a selective power meter: one zero-span sweep, its samples averaged in power here.

SENSe, INPut, INITiate, TRACe and FORMat are in SCPI-1999 (from memory). Practice and not standard: the trace name
TRACE1, and that bit 3 of STATus:QUEStionable means input overload (the standard says "power", Vol 2, 20.3). An RMS
detector is practice too, so the sample detector is used, which the standard has, and the mean in watts is taken here.
"""

from __future__ import annotations

import math

from drivers import scpi_text
from drivers.roles import PowerReading, SweepSetting
from drivers.scpi_instrument import ScpiInstrument

FEWEST_POINTS = 2
"""The scatter of a mean needs at least two samples."""

WAIT_FACTOR = 2.0
WAIT_EXTRA_S = 5.0
"""A reply may take twice the sweep time, and five seconds for tuning and the bus (our choice)."""

WIDEST_DBM = 400.0
NARROWEST_DBM = 1e-12
"""A level further from 0 dBm, or nearer without being 0, is another number or has its bytes in another order.

Thermal noise is -174 dBm in 1 Hz; a 32-bit number resolves 1e-8 dB at best where levels are not almost 0 (our bounds).
"""

_POWER_QUESTIONABLE = 8
_DB_PER_RELATIVE = 10.0 / math.log(10.0)


class ScpiSpectrumAnalyzer(ScpiInstrument):
    """A spectrum analyzer used as a selective power meter in zero span."""

    _setting: SweepSetting | None = None
    _wait_s = WAIT_EXTRA_S

    def prepare(self) -> None:
        """Highest attenuation, preamplifier off, single sweep, zero span, sample detector, binary trace in dBm."""
        self._setting = None
        self._messages.tell(":ABOR")
        self._messages.tell(":INP:ATT:AUTO OFF")
        self._messages.tell(":INP:ATT MAX")
        self._set_boolean(":INP:GAIN:STAT", on=False)
        self._set_boolean(":INIT:CONT", on=False)
        self._set_number(":SENS:FREQ:SPAN", 0.0, 0.0, "HZ")
        self._messages.tell(":SENS:DET:FUNC SAMP")
        self._set_word(":UNIT:POW", "DBM")
        self._messages.tell(":FORM:DATA REAL,32")  # not read back: the size of each trace tells
        self._set_word(":FORM:BORD", "NORMal")
        self._messages.check(":INP:ATT MAX … :FORM:BORD NORM")

    def set_sweep(self, setting: SweepSetting) -> SweepSetting:
        """Set bandwidth, attenuation and points; return them as read back (the instrument may round).

        Only what differs from the last setting is sent. The sweep time follows from points and bandwidth.

        Raises:
            Refused: An error in the queue, or fewer than two points.
        """
        if setting.points < FEWEST_POINTS:
            raise self._messages.not_taken(f"{setting.points} points: a mean needs two for its scatter", "")
        if setting == self._setting:
            return setting
        before, self._setting = self._setting, None
        attenuation_db = bandwidth_hz = points = None
        if before is not None:
            attenuation_db = before.attenuation_db if setting.attenuation_db == before.attenuation_db else None
            same_bandwidth = setting.resolution_bandwidth_hz == before.resolution_bandwidth_hz
            bandwidth_hz = before.resolution_bandwidth_hz if same_bandwidth else None
            points = before.points if setting.points == before.points else None
        retimed = bandwidth_hz is None or points is None
        if attenuation_db is None:
            attenuation_db = self._rounded(":INP:ATT", setting.attenuation_db, "DB")
        if bandwidth_hz is None:
            bandwidth_hz = self._rounded(":SENS:BAND:RES", setting.resolution_bandwidth_hz, "HZ")
        if points is None:
            points = round(self._rounded(":SENS:SWE:POIN", setting.points))
        held = SweepSetting(bandwidth_hz, attenuation_db, points)
        if retimed:
            sweep_s = self._rounded(":SENS:SWE:TIME", held.sweep_s, "S")
            self._wait_s = WAIT_FACTOR * sweep_s + WAIT_EXTRA_S
        self._messages.check(":INP:ATT, :SENS:BAND:RES, :SENS:SWE:POIN or :SENS:SWE:TIME")
        self._setting = held
        return held

    def begin_power(self, frequency_hz: float) -> None:
        """Tune and start one sweep."""
        self._messages.tell(f":SENS:FREQ:CENT {scpi_text.format_number(frequency_hz)}")
        self._messages.begin(":INIT:IMM")

    def finish_power(self) -> PowerReading:
        """Wait for the sweep and return its mean power.

        Raises:
            NotUnderstood: The input is overloaded, the trace has another number of points, or holds no numbers.
        """
        wait_s = self._wait_s
        self._messages.finish(wait_s)
        query = ":TRAC:DATA? TRACE1"
        levels_dbm = self._messages.ask_block(query, timeout_s=wait_s)
        if self._setting is None or len(levels_dbm) != self._setting.points:
            wanted = "no sweep setting" if self._setting is None else f"{self._setting.points} points"
            raise self._messages.wrong(f"{len(levels_dbm)} points came, {wanted} had been made", query)
        for level in levels_dbm:
            if level and not NARROWEST_DBM <= abs(level) <= WIDEST_DBM:
                raise self._messages.wrong(f"{level:.3g} is no level in dBm; is the byte order another?", query)
        if self.input_overloaded():
            raise self._messages.wrong("the input is overloaded", ":STAT:QUES:COND?")
        return mean_power(levels_dbm)

    def input_overloaded(self) -> bool:
        """Whether the analyzer calls its power readings questionable: input overload."""
        condition = self._messages.ask_number(":STAT:QUES:COND?", self._wait_s, repeatable=True)
        return bool(int(condition) & _POWER_QUESTIONABLE)

    def make_safe(self) -> None:
        """Sweep stopped, highest attenuation. No energy comes from an analyzer; this protects its input."""
        self._setting = None
        self._messages.tell_urgently(":ABOR")
        self._messages.tell_urgently(":INP:ATT MAX")

    def _rounded(self, header: str, value: float, unit: scpi_text.Unit | None = None) -> float:
        """Set a number that the instrument may round to its own steps, and return what it holds."""
        self._messages.tell(f"{header} {scpi_text.format_number(value)}")
        return self._ask_number(f"{header}?", unit)


def mean_power(levels_dbm: tuple[float, ...]) -> PowerReading:
    """Average samples in power.

    The scatter is s/√n relative to the mean (experimental standard deviation of the mean; JCGM 100:2008, 4.2.3),
    turned into dB by the slope of 10·log10 at the mean, 10/ln 10.

    Args:
        levels_dbm: Two or more independent samples in dBm.
    """
    count = len(levels_dbm)
    powers_mw = [10.0 ** (level / 10.0) for level in levels_dbm]
    mean_mw = sum(powers_mw) / count
    variance = sum((power - mean_mw) ** 2 for power in powers_mw) / (count - 1)
    scatter_db = _DB_PER_RELATIVE * math.sqrt(variance / count) / mean_mw
    return PowerReading(10.0 * math.log10(mean_mw), scatter_db)
