"""Spectrum analyzer by SCPI as a selective power meter: one zero-span sweep, its samples averaged in power here.

SENSe, INPut, DISPlay, INITiate, TRACe and FORMat are in SCPI-1999 (from memory). Practice and not standard: the trace
name TRACE1, and what bits of STATus:QUEStionable mean, in ``QUESTIONABLE``.

Noise must be averaged in power. A video filter, trace averaging or a peak detector would do so in decibels, or not at
all, before anything is read: the mean of the decibels of Gaussian noise lies 2.5 dB below its power. An RMS detector
is practice and differs between makers. So the video filter is at its widest and takes no part, trace averaging is off,
the sample detector takes one value a point, and the mean in watts is taken here.

The highest line of a span is found here too, from the trace: markers are practice, and every maker has others.
"""

from __future__ import annotations

import math
from typing import Final

from drivers import scpi_text
from drivers.roles import Peak, PowerReading, SweepSetting
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

QUESTIONABLE: Final[dict[int, str]] = {
    4: "the sweep was too fast for its bandwidth (uncalibrated)",  # bit 2: the standard says "time" (Vol 2, 20.3)
    8: "the input is overloaded",  # bit 3: the standard says "power"
}
"""Bits of STATus:QUEStionable after which a trace is not believed. Other bits are not about the trace."""

_POWER_QUESTIONABLE = 8

POINTS_PER_BANDWIDTH = 4
"""Points of a span for each bandwidth: enough for three of them on the top of a line (our choice)."""

MOST_SPAN_POINTS = 1001
"""Most points of a span; analyzers have offered that many for long (common practice, no source)."""

SPAN_WITHIN = 0.01
"""A span may be rounded by this part of it: frequencies are then off by half of that at its ends (our choice)."""

TRACE = ":TRAC:DATA? TRACE1"

REFERENCE_WITHIN_DB = 1.0
"""A reference level may be rounded down by this (our choice, small against the distance that is kept from it)."""

_DB_PER_RELATIVE = 10.0 / math.log(10.0)


class ScpiSpectrumAnalyzer(ScpiInstrument):
    """A spectrum analyzer used as a selective power meter in zero span."""

    _setting: SweepSetting | None = None
    _spanned = False
    _wait_s = WAIT_EXTRA_S

    def prepare(self) -> None:
        """Highest attenuation, preamplifier off, single sweep, zero span, sample detector, binary trace in dBm."""
        self._setting, self._spanned = None, False
        self._messages.tell(":ABOR")
        self._messages.tell(":INP:ATT:AUTO OFF")
        self._messages.tell(":INP:ATT MAX")
        self._set_boolean(":INP:GAIN:STAT", on=False)
        self._set_boolean(":INIT:CONT", on=False)
        self._set_number(":SENS:FREQ:SPAN", 0.0, 0.0, "HZ")
        self._messages.tell(":SENS:DET:FUNC SAMP")
        self._set_boolean(":SENS:AVER:STAT", on=False)
        self._messages.tell(":SENS:BAND:VID:AUTO OFF")
        self._messages.tell(":SENS:BAND:VID MAX")
        self._set_word(":UNIT:POW", "DBM")
        self._messages.tell(":FORM:DATA REAL,32")  # not read back: the size of each trace tells
        self._set_word(":FORM:BORD", "NORMal")
        self._messages.check(":INP:ATT MAX … :FORM:BORD NORM")

    def set_reference_level(self, level_dbm: float) -> float:
        """Set the top of the trace and return it as read back."""
        header = ":DISP:WIND:TRAC:Y:SCAL:RLEV"
        held_dbm = self._rounded(header, level_dbm, "DBM")
        if held_dbm < level_dbm - REFERENCE_WITHIN_DB:
            self._messages.check(header)
            raise self._messages.not_taken(f"it holds {held_dbm:.9g} instead of {level_dbm:.9g}", header)
        return held_dbm

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
        if self._spanned:
            self._set_number(":SENS:FREQ:SPAN", 0.0, 0.0, "HZ")
            self._spanned = False
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
        return mean_power(self._trace(None if self._setting is None else self._setting.points, self._wait_s))

    def find_peak(self, centre_hz: float, span_hz: float) -> Peak:
        """Sweep a span and return its highest line, read between the points of the trace; see ``peak_of``.

        The sweep time is the analyzer's own choice: it knows how fast its filter may be swept.
        """
        setting, self._setting = self._setting, None
        if setting is None:
            raise self._messages.not_taken("a span needs a sweep setting first, for its bandwidth and attenuation", "")
        points = math.ceil(POINTS_PER_BANDWIDTH * span_hz / setting.resolution_bandwidth_hz) + 1
        if points > MOST_SPAN_POINTS:
            widest_hz = (MOST_SPAN_POINTS - 1) / POINTS_PER_BANDWIDTH * setting.resolution_bandwidth_hz
            text = f"a span of {span_hz:g} Hz is too wide, at this bandwidth {widest_hz:g} Hz would do"
            raise self._messages.not_taken(text, "")
        self._spanned = True
        self._set_number(":SENS:FREQ:SPAN", span_hz, SPAN_WITHIN * span_hz, "HZ")
        points = round(self._rounded(":SENS:SWE:POIN", points))
        self._messages.tell(f":SENS:FREQ:CENT {scpi_text.format_number(centre_hz)}")
        self._messages.tell(":SENS:SWE:TIME:AUTO ON")
        wait_s = WAIT_FACTOR * self._ask_number(":SENS:SWE:TIME?", "S") + WAIT_EXTRA_S
        self._messages.check(":SENS:FREQ:SPAN … :SENS:SWE:TIME:AUTO ON")
        self._messages.begin(":INIT:IMM")
        levels_dbm = self._trace(points, wait_s)
        peak = peak_of(levels_dbm, centre_hz, span_hz)
        if peak is None:
            raise self._messages.wrong("the highest point is an end of the span: no line lies within it", TRACE)
        return peak

    def input_overloaded(self) -> bool:
        """Whether the analyzer calls its power readings questionable: input overload."""
        return bool(self._questionable(self._wait_s) & _POWER_QUESTIONABLE)

    def _questionable(self, wait_s: float) -> int:
        return int(self._ask_number(":STAT:QUES:COND?", None, wait_s))

    def _trace(self, points: int | None, wait_s: float) -> tuple[float, ...]:
        """Wait for the sweep and read it: levels in dBm that are believed, one time-out for all messages."""
        self._messages.finish(wait_s)
        levels_dbm = self._messages.ask_block(TRACE, timeout_s=wait_s)
        if len(levels_dbm) != points:
            wanted = "no sweep setting" if points is None else f"{points} points"
            raise self._messages.wrong(f"{len(levels_dbm)} points came, {wanted} had been made", TRACE)
        for level in levels_dbm:
            if level and not NARROWEST_DBM <= abs(level) <= WIDEST_DBM:
                raise self._messages.wrong(f"{level:.3g} is no level in dBm; is the byte order another?", TRACE)
        condition = self._questionable(wait_s)
        doubts = [words for bit, words in QUESTIONABLE.items() if condition & bit]
        if doubts:
            raise self._messages.wrong("; ".join(doubts), ":STAT:QUES:COND?")
        return levels_dbm

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


def peak_of(levels_dbm: tuple[float, ...], centre_hz: float, span_hz: float) -> Peak | None:
    """Find the highest line of a trace, between its points; None if the highest point is an end of the trace.

    The top of a parabola through the highest point and its neighbours. A Gaussian filter is a parabola in decibels, and
    the filters of swept analyzers are near to one, so line and level come out far better than the points lie apart.

    Args:
        levels_dbm: The trace, three points or more at equal distance, the first and last at the ends of the span.
        centre_hz: Middle of the span.
        span_hz: Distance of the ends.
    """
    top = max(range(len(levels_dbm)), key=levels_dbm.__getitem__)
    if top in (0, len(levels_dbm) - 1):
        return None
    before, at, after = levels_dbm[top - 1 : top + 2]
    bend = before - 2 * at + after  # below 0, or 0 where all three are equal
    off = 0.5 * (before - after) / bend if bend else 0.0
    step_hz = span_hz / (len(levels_dbm) - 1)
    return Peak(centre_hz - span_hz / 2 + (top + off) * step_hz, at - 0.25 * (before - after) * off)
