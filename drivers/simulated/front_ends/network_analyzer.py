"""Command table of the simulated network analyzer: OUTPut, SOURce:POWer, SENSe, CALCulate, INITiate, TRACe, FORMat.

Practice and not standard: the traces are called S11, S21, S12 and S22. Each holds real and imaginary part in turn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.network import sweep_s
from drivers.simulated.parameters import Boolean, Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import NetworkAnalyzerSetup
from drivers.simulated.status import ScpiError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_LOWEST_HZ, _HIGHEST_HZ = 1e5, 3e9
_FEWEST_POINTS, _MOST_POINTS = 2, 2001
_LOWEST_DBM = -90.0
_RESET_DBM = -60.0
_BANDWIDTHS_HZ = (1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4)
_SWEEPING = 8
_TRACES = {"S11": (0, 0), "S21": (1, 0), "S12": (0, 1), "S22": (1, 1)}


class NetworkAnalyzer(RigDevice):
    """Two ports, one source, single sweeps in both directions."""

    model = "NETWORK-ANALYZER"

    def __init__(self, rig: Rig, place: str, setup: NetworkAnalyzerSetup) -> None:
        super().__init__(rig, place)
        self._setup = setup
        self.reset()

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        return (*self._source_commands(), *self._sweep_commands(), *self._data_commands())

    def reset(self) -> None:
        """Source off, full span, text format; no trace."""
        self._ceiling_dbm = self._setup.highest_power_dbm
        self._power_dbm = _RESET_DBM
        self._start_hz, self._stop_hz, self._points = _LOWEST_HZ, _HIGHEST_HZ, 201
        self._list_hz: tuple[float, ...] = ()
        self._mode = "SWE"
        self._bandwidth_hz = 1e3
        self._continuous = False
        self._form = "MLOG"
        self._format = ("ASC", 0)
        self._border = "NORM"
        self._abort()
        self._switch(on=False)

    def busy_until_s(self) -> float:
        """End of the sweep; whoever asks after it finds the samples taken, so that later changes come too late."""
        self._complete()
        return self._busy_until_s

    def operation(self) -> int:
        """Bit 3: sweeping."""
        return _SWEEPING if self._is_busy() else 0

    # --- Tables --------------------------------------------------------------------------------------------------

    def _source_commands(self) -> tuple[Command, ...]:
        highest = self._setup.highest_power_dbm
        power = Number(lambda: (_LOWEST_DBM, self._ceiling_dbm), suffixes("DBM"), default=_RESET_DBM)
        ceiling = Number(lambda: (_LOWEST_DBM, highest), suffixes("DBM"), default=highest)
        return (
            setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._rig.network_on)),
            setting(
                "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]", power, self._set_power, lambda: nr3(self._power_dbm)
            ),
            setting("[:SOURce]:POWer:LIMit[:AMPLitude]", ceiling, self._set_ceiling, lambda: nr3(self._ceiling_dbm)),
        )

    def _sweep_commands(self) -> tuple[Command, ...]:
        frequency = Number(lambda: (_LOWEST_HZ, _HIGHEST_HZ), suffixes("HZ"), default=60e6)
        bandwidth = Number(lambda: (_BANDWIDTHS_HZ[0], _BANDWIDTHS_HZ[-1]), suffixes("HZ"), default=1e3)
        points = Number(lambda: (_FEWEST_POINTS, _MOST_POINTS), {}, default=201, whole=True)
        return (
            setting("[:SENSe]:FREQuency:STARt", frequency, self._set_start, lambda: nr3(self._start_hz)),
            setting("[:SENSe]:FREQuency:STOP", frequency, self._set_stop, lambda: nr3(self._stop_hz)),
            setting("[:SENSe]:FREQuency:MODE", Keyword(("SWEep", "LIST")), self._set_mode, lambda: self._mode),
            setting("[:SENSe]:SWEep:POINts", points, self._set_points, lambda: str(self._points)),
            Command(
                "[:SENSe]:LIST:FREQuency",
                self._set_list,
                lambda: ",".join(map(nr3, self._list_hz)),
                takes=(frequency,) * _MOST_POINTS,
                optional=_MOST_POINTS - 1,
            ),
            Command("[:SENSe]:LIST:FREQuency:POINts", ask=lambda: str(len(self._list_hz))),
            setting(
                "[:SENSe]:BANDwidth|:BWIDth[:RESolution]",
                bandwidth,
                self._set_bandwidth,
                lambda: nr3(self._bandwidth_hz),
            ),
            setting(":INITiate:CONTinuous", Boolean(), self._set_continuous, lambda: boolean(on=self._continuous)),
            Command(":INITiate[:IMMediate]", self._initiate),
            Command(":ABORt", self._abort),
        )

    def _data_commands(self) -> tuple[Command, ...]:
        form = (Keyword(("ASCii", "REAL")), Number(lambda: (0.0, 64.0), {}, whole=True))
        return (
            setting(":CALCulate:FORMat", Keyword(("MLOGarithmic", "COMPlex")), self._set_form, lambda: self._form),
            Command(":TRACe[:DATA]", ask=self._trace, asks=(Keyword(tuple(_TRACES)),)),
            Command(
                ":FORMat[:DATA]", self._set_format, lambda: f"{self._format[0]},{self._format[1]}", form, optional=1
            ),
            setting(":FORMat:BORDer", Keyword(("NORMal", "SWAPped")), self._set_border, lambda: self._border),
        )

    # --- Settings ------------------------------------------------------------------------------------------------

    def _switch(self, on: bool) -> None:
        if on is not self._rig.network_on:
            self._rig.note(self._place, "rf on" if on else "rf off")
        self._rig.network_on = on

    def _set_power(self, power_dbm: float) -> None:
        self._power_dbm = round(power_dbm, 2)
        self._change()

    def _set_ceiling(self, ceiling_dbm: float) -> None:
        """A ceiling below the present power lowers the power too, so that the limit holds at once."""
        self._ceiling_dbm = ceiling_dbm
        self._power_dbm = min(self._power_dbm, ceiling_dbm)

    def _set_start(self, frequency_hz: float) -> None:
        self._start_hz, self._stop_hz = frequency_hz, max(self._stop_hz, frequency_hz)
        self._change()

    def _set_stop(self, frequency_hz: float) -> None:
        self._start_hz, self._stop_hz = min(self._start_hz, frequency_hz), frequency_hz
        self._change()

    def _set_mode(self, mode: str) -> None:
        """−221 for a sweep over a list that is empty."""
        if mode == "LIST" and not self._list_hz:
            raise ScpiError(-221)
        self._mode = mode
        self._change()

    def _set_points(self, points: float) -> None:
        self._points = int(points)
        self._change()

    def _set_list(self, *frequencies_hz: float) -> None:
        self._list_hz = frequencies_hz
        self._change()

    def _set_bandwidth(self, bandwidth_hz: float) -> None:
        """The filter next below, so that no more noise comes than was asked for."""
        self._bandwidth_hz = max(width for width in _BANDWIDTHS_HZ if width <= bandwidth_hz * (1 + 1e-9))
        self._change()

    def _set_continuous(self, on: bool) -> None:
        self._continuous = on

    def _set_form(self, form: str) -> None:
        self._form = form

    def _set_border(self, border: str) -> None:
        self._border = border

    def _set_format(self, kind: str, bits: float = 0.0) -> None:
        """ASCii with any precision, or REAL with 32 or 64 bits; −224 for another size."""
        if kind == "REAL" and bits not in (0.0, 32.0, 64.0):
            raise ScpiError(-224)
        self._format = (kind, int(bits) or (64 if kind == "REAL" else 0))

    # --- Sweeps and their data -----------------------------------------------------------------------------------

    def _frequencies_hz(self) -> NDArray[np.float64]:
        import numpy as np

        if self._mode == "LIST":
            return np.array(self._list_hz)
        return np.linspace(self._start_hz, self._stop_hz, self._points)

    def _change(self) -> None:
        """A new setting: a sweep under way is dropped, and what it had so far is stale."""
        self._matrices: NDArray[np.complex128] | None = None
        self._busy_until_s = 0.0
        self._sweeping = False

    def _initiate(self) -> None:
        """Start one sweep. −213 while one runs or while sweeps are continuous (SCPI-1999, INITiate; 21.8)."""
        if self._continuous or self._is_busy():
            raise ScpiError(-213)
        self._change()
        self._sweeping = True
        points = len(self._frequencies_hz())
        self._busy_until_s = self._rig.clock.elapsed_s() + sweep_s(points, self._bandwidth_hz)

    def _abort(self) -> None:
        self._change()

    def _complete(self) -> None:
        """Take the samples once the sweep's time has passed, from the bench as it is by then."""
        if self._sweeping and not self._is_busy():
            self._matrices = self._rig.network_sweep(self._frequencies_hz(), self._power_dbm, self._bandwidth_hz)
            self._sweeping = False

    def _trace(self, name: str) -> str | bytes:
        """One S-parameter; −230 when there is none for the present settings, −221 for a format that is not complex."""
        self._complete()
        if self._matrices is None:
            raise ScpiError(-230)
        if self._form != "COMP":
            raise ScpiError(-221)
        row, column = _TRACES[name]
        parts = self._matrices[:, row, column].copy().view("f8")
        kind, bits = self._format
        if kind == "ASC":
            return ",".join(map(nr3, parts.tolist()))
        order = ">" if self._border == "NORM" else "<"
        data = parts.astype(f"{order}f{bits // 8}").tobytes()
        count = str(len(data))
        return b"#%d%s%s" % (len(count), count.encode("ascii"), data)
