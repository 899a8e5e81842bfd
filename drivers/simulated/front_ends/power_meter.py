"""Command table of the simulated power meter: INITiate, FETCh?, READ?, SENSe, UNIT:POWer, CALibration:ZERO:AUTO."""

from __future__ import annotations

import math

from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Keyword, Number, suffixes
from drivers.simulated.power_sensor import PowerSensor
from drivers.simulated.rig import Rig
from drivers.simulated.status import ScpiError

#: Not a number (SCPI-1999 Vol 1, 7.2.1.5): no positive power, so no level in dBm.
_NOT_A_NUMBER = 9.91e37

#: STATus:QUEStionable bit 8, calibration (SCPI-1999 Vol 2, 20.3).
_CALIBRATION = 256

#: Time of zeroing. Ours: sensors need some seconds.
_ZERO_S = 5.0

#: READ? spelt out (SCPI-1999 Vol 2, measurement instructions).
_READ = ":ABOR;:INIT;:FETC?"

_RESET_HZ = 50e6


class PowerMeter(RigDevice):
    """A power meter with one sensor, not zeroed at power-up."""

    model = "POWER-METER"

    def __init__(self, rig: Rig, place: str, sensor: PowerSensor) -> None:
        super().__init__(rig, place)
        self._sensor = sensor
        self.reset()

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        frequency = Number(lambda: (1e5, 6e9), suffixes("HZ"), default=_RESET_HZ)
        count = Number(lambda: (1.0, 1024.0), {}, whole=True, default=1.0)
        unit, once = Keyword(("DBM", "W")), Keyword(("ONCE",))
        return (
            setting("[:SENSe]:FREQuency[:CW|:FIXed]", frequency, self._set_frequency, lambda: nr3(self._frequency_hz)),
            setting("[:SENSe]:AVERage:COUNt", count, self._set_count, lambda: str(self._count)),
            setting("[:SENSe]:AVERage[:STATe]", Boolean(), self._average, lambda: boolean(on=self._averaging)),
            setting(":INITiate:CONTinuous", Boolean(), self._go_on, lambda: boolean(on=self._continuous)),
            Command(":UNIT:POWer", self._set_unit, lambda: self._unit, takes=(unit,)),
            Command(":CALibration:ZERO:AUTO", self._zero, lambda: "0", takes=(once,)),
            Command(":INITiate[:IMMediate]", self._initiate),
            Command(":ABORt", self._abort),
            Command(":FETCh", ask=self._fetch, waits=True),
            Command(":READ", same_as=_READ),
        )

    def reset(self) -> None:
        """Single readings in dBm without averaging; the zero stays."""
        self._frequency_hz, self._count, self._averaging = _RESET_HZ, 1, False
        self._continuous, self._unit = False, "DBM"
        self._abort()

    def questionable(self) -> int:
        """Bit 8, calibration: the sensor has not been zeroed."""
        return 0 if self._sensor.zeroed else _CALIBRATION

    def operation(self) -> int:
        """Bit 4: measuring."""
        return 16 if self._is_busy() else 0

    def _set_frequency(self, frequency_hz: float) -> None:
        self._frequency_hz = frequency_hz
        self._abort()

    def _set_count(self, count: float) -> None:
        self._count = int(count)
        self._abort()

    def _average(self, on: bool) -> None:
        self._averaging = on
        self._abort()

    def _go_on(self, on: bool) -> None:
        self._continuous = on

    def _set_unit(self, unit: str) -> None:
        self._unit = unit

    def _zero(self, _once: str) -> None:
        """Zero the sensor; −221 if power reaches it, which leaves it without a zero."""
        self._abort()
        self._busy_until_s = self._rig.clock.elapsed_s() + _ZERO_S
        if not self._sensor.zero(self._rig):
            raise ScpiError(-221)

    def _initiate(self) -> None:
        """Start one reading; −213 while one is under way or readings go on by themselves."""
        if self._is_busy() or self._continuous:
            raise ScpiError(-213)
        self._power_mw: float | None = self._sensor.read_mw(self._rig)
        readings = self._count if self._averaging else 1
        self._busy_until_s = self._rig.clock.elapsed_s() + self._sensor.setup.reading_s * readings

    def _abort(self) -> None:
        self._power_mw = None
        self._busy_until_s = 0.0

    def _fetch(self) -> str:
        """The last reading; −230 when settings have changed since, or none was started."""
        if self._power_mw is None:
            raise ScpiError(-230)
        if self._unit == "W":
            return nr3(self._power_mw / 1e3)
        return nr3(10 * math.log10(self._power_mw) if self._power_mw > 0 else _NOT_A_NUMBER)
