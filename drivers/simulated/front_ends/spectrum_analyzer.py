"""Command table of the simulated spectrum analyzer: SENSe, INPut, DISPlay, INITiate, TRACe, FORMat.

Practice and not standard: the trace name ``TRACE1``, the detector name RMS, and two bits of STATus:QUEStionable: 3 for
an input overload, 2 for a span that was swept too fast. What is above the reference level is cut off, and counts as
overload. The detectors all take one sample per point here; a longer sweep takes it later, not more of them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from drivers.simulated.analyzer import SweepState, sweep_s
from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import AnalyzerSetup
from drivers.simulated.status import ScpiError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_LOWEST_HZ, _HIGHEST_HZ = 1e4, 3e9
_FEWEST_POINTS, _MOST_POINTS = 1, 20_001
_LONGEST_SWEEP_S = 4000.0
_AUTO_ATTENUATION_DB = 10.0
_WIDEST_VIDEO_HZ = 3e6
_TOO_FAST = 4
_POWER_OVERLOAD = 8

#: Reference level at power-up, and its range (ours; common).
_REFERENCE_DBM = 0.0
_REFERENCES_DBM = (-130.0, 30.0)

#: A Gaussian filter is swept without loss in span / bandwidth² times this (common practice, no source).
_SWEEP_FACTOR = 2.5

#: How much lower a line reads that was swept too fast, in dB for each octave (ours, of the usual size).
_TOO_FAST_DB = 1.0
_SWEEPING = 8


class SpectrumAnalyzer(RigDevice):
    """A swept analyzer with an attenuator, a preamplifier and single sweeps."""

    model = "SPECTRUM-ANALYZER"

    def __init__(self, rig: Rig, place: str, setup: AnalyzerSetup) -> None:
        super().__init__(rig, place)
        self._setup = setup
        self._trace_dbm: NDArray[np.float64] | None = None
        self.reset()

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        return (*self._frequency_commands(), *self._sweep_commands(), *self._input_commands(), *self._data_commands())

    def reset(self) -> None:
        """Full span, automatic attenuation and sweep time, single sweep, text format; no trace."""
        bandwidth_hz = max(self._setup.bandwidths_hz)
        self._state = SweepState(
            (_LOWEST_HZ + _HIGHEST_HZ) / 2, _HIGHEST_HZ - _LOWEST_HZ, bandwidth_hz, 0.0, 101, False
        )
        self._automatic_attenuation = True
        self._apply_automatic_attenuation()
        self._sweep_time_s: float | None = None
        self._continuous = False
        self._averaging = False
        self._reference_dbm = _REFERENCE_DBM
        self._video_hz = _WIDEST_VIDEO_HZ
        self._automatic_video = True
        self._detector = "RMS"
        self._format = ("ASC", 0)
        self._border = "NORM"
        self._tuned_hz = 0.0
        self._abort()

    def busy_until_s(self) -> float:
        """End of the sweep; whoever asks after it finds the samples taken, so that later changes come too late."""
        self._complete()
        return self._busy_until_s

    def questionable(self) -> int:
        """Bit 3, power: the last sweep was overloaded. Bit 2, time: the sweep is too fast for its span."""
        self._complete()
        too_fast = self._duration_s < self._calibrated_s * (1 - 1e-9)
        return (_POWER_OVERLOAD if self._overloaded else 0) | (_TOO_FAST if too_fast else 0)

    def operation(self) -> int:
        """Bit 3: sweeping."""
        return _SWEEPING if self._is_busy() else 0

    # --- Tables --------------------------------------------------------------------------------------------------

    def _frequency_commands(self) -> tuple[Command, ...]:
        frequency = Number(lambda: (_LOWEST_HZ, _HIGHEST_HZ), suffixes("HZ"), default=60e6)
        span = Number(lambda: (0.0, _HIGHEST_HZ - _LOWEST_HZ), suffixes("HZ"), default=0.0)
        return (
            setting("[:SENSe]:FREQuency:CENTer", frequency, self._set_centre, lambda: nr3(self._state.centre_hz)),
            setting("[:SENSe]:FREQuency:SPAN", span, self._set_span, lambda: nr3(self._state.span_hz)),
            setting("[:SENSe]:FREQuency:STARt", frequency, self._set_start, lambda: nr3(self._start_hz)),
            setting("[:SENSe]:FREQuency:STOP", frequency, self._set_stop, lambda: nr3(self._stop_hz)),
        )

    def _sweep_commands(self) -> tuple[Command, ...]:
        bandwidths = self._setup.bandwidths_hz
        bandwidth = Number(lambda: (min(bandwidths), max(bandwidths)), suffixes("HZ"), default=max(bandwidths))
        points = Number(lambda: (_FEWEST_POINTS, _MOST_POINTS), {}, default=101, whole=True)
        time = Number(lambda: (1e-6, _LONGEST_SWEEP_S), suffixes("S"))
        detector = Keyword(("RMS", "SAMPle", "POSitive", "NEGative", "AVERage"))
        return (
            setting(
                "[:SENSe]:BANDwidth|:BWIDth[:RESolution]",
                bandwidth,
                self._set_bandwidth,
                lambda: nr3(self._state.bandwidth_hz),
            ),
            *self._video_commands(),
            setting("[:SENSe]:DETector[:FUNCtion]", detector, self._set_detector, lambda: self._detector),
            setting("[:SENSe]:SWEep:POINts", points, self._set_points, lambda: str(self._state.points)),
            setting("[:SENSe]:SWEep:TIME", time, self._set_sweep_time, lambda: nr3(self._duration_s)),
            setting(
                "[:SENSe]:SWEep:TIME:AUTO",
                Boolean(),
                self._set_sweep_time_auto,
                lambda: boolean(on=self._sweep_time_s is None),
            ),
            setting("[:SENSe]:AVERage[:STATe]", Boolean(), self._set_averaging, lambda: boolean(on=self._averaging)),
            setting(":INITiate:CONTinuous", Boolean(), self._set_continuous, lambda: boolean(on=self._continuous)),
            Command(":INITiate[:IMMediate]", self._initiate),
            Command(":ABORt", self._abort),
        )

    def _video_commands(self) -> tuple[Command, ...]:
        """The video filter: here it is so wide, or so well made, that it leaves the samples as they are."""
        video = Number(lambda: (1.0, _WIDEST_VIDEO_HZ), suffixes("HZ"))
        return (
            setting("[:SENSe]:BANDwidth|:BWIDth:VIDeo", video, self._set_video, lambda: nr3(self._video_hz)),
            setting(
                "[:SENSe]:BANDwidth|:BWIDth:VIDeo:AUTO",
                Boolean(),
                self._set_video_auto,
                lambda: boolean(on=self._automatic_video),
            ),
        )

    def _input_commands(self) -> tuple[Command, ...]:
        highest = max(self._setup.attenuations_db)
        attenuation = Number(lambda: (0.0, highest), suffixes("DB"), default=_AUTO_ATTENUATION_DB)
        return (
            setting(":INPut:ATTenuation", attenuation, self._set_attenuation, lambda: nr3(self._state.attenuation_db)),
            setting(
                ":INPut:ATTenuation:AUTO",
                Boolean(),
                self._set_attenuation_auto,
                lambda: boolean(on=self._automatic_attenuation),
            ),
            setting(
                ":INPut:GAIN:STATe",
                Boolean(),
                self._set_preamplifier,
                lambda: boolean(on=self._state.preamplifier),
            ),
            setting(
                ":DISPlay[:WINDow]:TRACe:Y[:SCALe]:RLEVel",
                Number(lambda: _REFERENCES_DBM, suffixes("DBM"), default=_REFERENCE_DBM),
                self._set_reference,
                lambda: nr3(self._reference_dbm),
            ),
            Command(":UNIT:POWer", lambda _: None, lambda: "DBM", takes=(Keyword(("DBM",)),)),
        )

    def _data_commands(self) -> tuple[Command, ...]:
        form = (Keyword(("ASCii", "REAL")), Number(lambda: (0.0, 64.0), {}, whole=True))
        return (
            Command(":TRACe[:DATA]", ask=self._trace, asks=(Keyword(("TRACE1",)),)),
            Command(
                ":FORMat[:DATA]", self._set_format, lambda: f"{self._format[0]},{self._format[1]}", form, optional=1
            ),
            setting(":FORMat:BORDer", Keyword(("NORMal", "SWAPped")), self._set_border, lambda: self._border),
        )

    # --- Frequencies ---------------------------------------------------------------------------------------------

    @property
    def _start_hz(self) -> float:
        return self._state.centre_hz - self._state.span_hz / 2

    @property
    def _stop_hz(self) -> float:
        return self._state.centre_hz + self._state.span_hz / 2

    def _set_centre(self, frequency_hz: float) -> None:
        self._change(replace(self._state, centre_hz=frequency_hz))

    def _set_span(self, span_hz: float) -> None:
        self._change(replace(self._state, span_hz=span_hz))

    def _set_start(self, frequency_hz: float) -> None:
        stop_hz = max(self._stop_hz, frequency_hz)
        self._change(replace(self._state, centre_hz=(frequency_hz + stop_hz) / 2, span_hz=stop_hz - frequency_hz))

    def _set_stop(self, frequency_hz: float) -> None:
        start_hz = min(self._start_hz, frequency_hz)
        self._change(replace(self._state, centre_hz=(frequency_hz + start_hz) / 2, span_hz=frequency_hz - start_hz))

    # --- Other settings ------------------------------------------------------------------------------------------

    def _change(self, state: SweepState) -> None:
        """Take a new setting: a sweep under way is dropped, and what it had so far is stale."""
        self._state = state
        self._trace_dbm = None
        self._busy_until_s = 0.0
        self._sweeping = False

    def _set_bandwidth(self, bandwidth_hz: float) -> None:
        """The filter next above, as there is no other between them."""
        above = [width for width in self._setup.bandwidths_hz if width >= bandwidth_hz * (1 - 1e-9)]
        self._change(replace(self._state, bandwidth_hz=min(above)))

    def _set_points(self, points: float) -> None:
        self._change(replace(self._state, points=int(points)))

    def _set_detector(self, detector: str) -> None:
        self._detector = detector

    def _set_video(self, bandwidth_hz: float) -> None:
        self._video_hz = bandwidth_hz
        self._automatic_video = False

    def _set_video_auto(self, on: bool) -> None:
        self._automatic_video = on

    def _set_reference(self, level_dbm: float) -> None:
        self._reference_dbm = level_dbm
        self._change(self._state)

    @property
    def _calibrated_s(self) -> float:
        """Shortest time in which the span may be swept; 0 in zero span."""
        return _SWEEP_FACTOR * self._state.span_hz / self._state.bandwidth_hz**2

    @property
    def _duration_s(self) -> float:
        """Sweep time in force: never so short that samples of zero span would not be independent."""
        automatic_s = max(sweep_s(self._state), self._calibrated_s)
        if self._sweep_time_s is None:
            return automatic_s
        return max(sweep_s(self._state), self._sweep_time_s)

    def _set_sweep_time(self, duration_s: float) -> None:
        self._sweep_time_s = duration_s
        self._change(self._state)

    def _set_sweep_time_auto(self, on: bool) -> None:
        self._sweep_time_s = None if on else self._duration_s

    def _set_averaging(self, on: bool) -> None:
        if on:
            raise ScpiError(-221)  # averaging over sweeps would need a sweep count, which no driver here uses
        self._averaging = on

    def _set_continuous(self, on: bool) -> None:
        self._continuous = on

    def _set_attenuation(self, attenuation_db: float) -> None:
        """The step next above: rounding down would take protection away."""
        above = [step for step in self._setup.attenuations_db if step >= attenuation_db - 1e-9]
        self._automatic_attenuation = False
        self._change(replace(self._state, attenuation_db=min(above)))

    def _set_attenuation_auto(self, on: bool) -> None:
        self._automatic_attenuation = on
        if on:
            self._apply_automatic_attenuation()

    def _apply_automatic_attenuation(self) -> None:
        nearest = min(self._setup.attenuations_db, key=lambda step: abs(step - _AUTO_ATTENUATION_DB))
        self._change(replace(self._state, attenuation_db=nearest))

    def _set_preamplifier(self, on: bool) -> None:
        self._change(replace(self._state, preamplifier=on))

    # --- Sweeps and their data -----------------------------------------------------------------------------------

    def _initiate(self) -> None:
        """Start one sweep. −213 while one runs or while sweeps are continuous (SCPI-1999, INITiate; 21.8)."""
        if self._continuous or self._is_busy():
            raise ScpiError(-213)
        tuning_s = self._setup.tune_s if self._state.centre_hz != self._tuned_hz else 0.0
        self._tuned_hz = self._state.centre_hz
        self._trace_dbm = None
        self._sweeping = True
        self._busy_until_s = self._rig.clock.elapsed_s() + tuning_s + self._duration_s

    def _abort(self) -> None:
        self._change(self._state)
        self._overloaded = False

    def _complete(self) -> None:
        """Take the samples once the sweep's time has passed, from the bench as it is by then."""
        if self._sweeping and not self._is_busy():
            trace_dbm, overloaded = self._rig.sweep(self._state)
            trace_dbm -= _TOO_FAST_DB * math.log2(max(1.0, self._calibrated_s / self._duration_s))
            self._overloaded = overloaded or bool(trace_dbm.max() > self._reference_dbm)
            self._trace_dbm = trace_dbm.clip(max=self._reference_dbm)
            self._sweeping = False

    def _trace(self, _name: str) -> str | bytes:
        """Trace in dBm; −230 when there is none for the present settings."""
        self._complete()
        if self._trace_dbm is None:
            raise ScpiError(-230)
        kind, bits = self._format
        if kind == "ASC":
            return ",".join(map(nr3, self._trace_dbm.tolist()))
        order = ">" if self._border == "NORM" else "<"
        data = self._trace_dbm.astype(f"{order}f{bits // 8}").tobytes()
        count = str(len(data))
        return b"#%d%s%s" % (len(count), count.encode("ascii"), data)

    def _set_format(self, kind: str, bits: float | None = None) -> None:
        """ASCii with its number of digits (0: the device chooses), or REAL with 32 or 64 bits."""
        if kind == "REAL":
            if bits not in (None, 32.0, 64.0):
                raise ScpiError(-224)
            self._format = ("REAL", int(bits or 64))
        else:
            self._format = ("ASC", 0)

    def _set_border(self, border: str) -> None:
        self._border = border
