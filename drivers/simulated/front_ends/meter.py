"""Command table of the simulated multimeter: CONFigure, INITiate, FETCh?, READ?, MEASure?, NPLCycles.

What a meter is wired to is its place: the supply line, or a Pt100 on the board. Configured for the other quantity it
reads what an open input reads.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.drawing import normal
from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.status import ScpiError

#: Not a number (SCPI-1999 Vol 1, 7.2.1.5): what a temperature reading without a sensor gives.
_NOT_A_NUMBER = 9.91e37

#: READ? and MEASure? spelt out (SCPI-1999 Vol 2, measurement instructions; as quoted in open-source parsers).
_READ = ":ABOR;:INIT;:FETC?"

_CURRENT, _TEMPERATURE = "CURR", "TEMP"

#: More than the range can hold (SCPI-1999 Vol 1, 7.2.1.4).
_OVERLOAD = 9.9e37

#: Ranges of a meter in A, and how far each reaches beyond its end (ours; common).
_RANGES_A = (0.01, 0.1, 0.4, 1.0, 3.0, 10.0)
_BEYOND = 1.2

#: Below one cycle of the mains, hum adds to the noise (ours, of the usual size).
_HUM_FACTOR = 10.0

#: Leads of a sensor that is read in two wires though it has four, in Ω, and its slope (IEC 60751: 0.385 Ω/K at 100 Ω).
_LEADS_OHM = 0.5
_SLOPE_PER_K = 3.85e-3


@dataclass(frozen=True, slots=True)
class Wired:
    """What a meter is wired to.

    Attributes:
        function: ``CURR`` or ``TEMP``.
        read: Reading of that quantity, errors included and noise not.
        reading_s, noise: Time of a reading and its standard deviation, at one cycle of the mains.
        sensor, wires: Of a thermometer: ``Pt100``, ``Pt1000``, or ``thermocouple`` and its letter; 2 or 4.
    """

    function: str
    read: Callable[[], float]
    reading_s: float
    noise: float
    sensor: str = ""
    wires: int = 4


class Meter(RigDevice):
    """A meter that takes one reading at a time.

    Args:
        rig: The bench.
        place: Where it is; also names its noise.
        wired: What it is wired to.
    """

    model = "METER"

    def __init__(self, rig: Rig, place: str, wired: Wired) -> None:
        super().__init__(rig, place)
        self._wired = wired
        self._readings = 0
        self.reset()

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        cycles = Number(lambda: (0.02, 100.0), {}, default=1.0)
        expected_a = Number(lambda: (0.0, 10.0), suffixes("A"), default=1.0)
        expected_c = Number(lambda: (-200.0, 850.0), suffixes("CEL"), default=25.0)
        return (
            Command(":CONFigure[:SCALar]:CURRent[:DC]", self._configure_current, takes=(expected_a,), optional=1),
            Command(":CONFigure[:SCALar]:TEMPerature", self._configure_temperature, takes=(expected_c,), optional=1),
            Command(":CONFigure", ask=lambda: f'"{self._function}"'),
            *self._range_commands(),
            *self._transducer_commands(),
            setting("[:SENSe]:CURRent[:DC]:NPLCycles", cycles, self._set_cycles, lambda: nr3(self._cycles)),
            setting("[:SENSe]:TEMPerature:NPLCycles", cycles, self._set_cycles, lambda: nr3(self._cycles)),
            Command(":UNIT:TEMPerature", lambda _: None, lambda: "C", takes=(Keyword(("C", "CEL")),)),
            Command(":INITiate[:IMMediate]", self._initiate),
            Command(":ABORt", self._abort),
            Command(":FETCh", ask=self._fetch, waits=True),
            Command(":READ", same_as=_READ),
            Command(":MEASure[:SCALar]:CURRent[:DC]", asks=(expected_a,), optional=1, same_as=f":CONF:CURR;{_READ}"),
            Command(":MEASure[:SCALar]:TEMPerature", asks=(expected_c,), optional=1, same_as=f":CONF:TEMP;{_READ}"),
        )

    def _range_commands(self) -> tuple[Command, ...]:
        largest = Number(lambda: (0.0, _RANGES_A[-1]), suffixes("A"), default=1.0)
        return (
            setting("[:SENSe]:CURRent[:DC]:RANGe[:UPPer]", largest, self._set_range, lambda: nr3(self._range_a)),
            setting(
                "[:SENSe]:CURRent[:DC]:RANGe:AUTO",
                Boolean(),
                self._set_range_auto,
                lambda: boolean(on=self._automatic_range),
            ),
        )

    def _transducer_commands(self) -> tuple[Command, ...]:
        """Sensor of a temperature: practice, not standard."""
        ohm = Number(lambda: (80.0, 1200.0), suffixes("OHM"), default=100.0)
        kinds, letters = Keyword(("RTD", "FRTD", "TCouple")), Keyword(tuple("BEJKNRST"))
        root = "[:SENSe]:TEMPerature:TRANsducer"
        return (
            setting(f"{root}:TYPE", kinds, self._set_kind, lambda: self._kind),
            setting(f"{root}:RTD|:FRTD:RESistance[:REFerence]", ohm, self._set_ohm, lambda: nr3(self._ohm)),
            setting(f"{root}:TCouple:TYPE", letters, self._set_letter, lambda: self._letter),
        )

    def reset(self) -> None:
        """Direct current, automatic range, one power line cycle, sensor as it is wired, no reading."""
        self._function = _CURRENT
        self._cycles = 1.0
        self._range_a, self._automatic_range = _RANGES_A[-1], True
        sensor = self._wired.sensor
        self._ohm = 1000.0 if sensor == "Pt1000" else 100.0
        self._letter = sensor[-1] if sensor.startswith("thermocouple") else "K"
        self._kind = "TC" if sensor.startswith("thermocouple") else "FRTD" if self._wired.wires == 4 else "RTD"
        self._abort()

    def operation(self) -> int:
        """Bit 4: measuring."""
        return 16 if self._is_busy() else 0

    def _configure(self, function: str) -> None:
        self._function = function
        self._cycles = 1.0
        self._abort()

    def _configure_current(self, expected_a: float | None = None) -> None:
        self._configure(_CURRENT)
        self._set_range_auto(on=True)
        if expected_a is not None:
            self._set_range(expected_a)

    def _configure_temperature(self, _expected_c: float | None = None) -> None:
        self._configure(_TEMPERATURE)

    def _set_cycles(self, cycles: float) -> None:
        self._cycles = cycles
        self._abort()

    def _set_range(self, largest_a: float) -> None:
        """The range next above."""
        self._range_a = min(end for end in _RANGES_A if end >= largest_a * (1 - 1e-9))
        self._automatic_range = False
        self._abort()

    def _set_range_auto(self, on: bool) -> None:
        self._automatic_range = on
        self._abort()

    def _set_kind(self, kind: str) -> None:
        self._kind = kind
        self._abort()

    def _set_ohm(self, ohm: float) -> None:
        self._ohm = ohm
        self._abort()

    def _set_letter(self, letter: str) -> None:
        self._letter = letter
        self._abort()

    def _initiate(self) -> None:
        """Start one reading; −213 while one is under way. The value is the quantity's at this instant."""
        if self._is_busy():
            raise ScpiError(-213)
        if self._function != self._wired.function:
            self._value: float | None = _NOT_A_NUMBER if self._function == _TEMPERATURE else 0.0
        else:
            self._value = self._current_a() if self._function == _CURRENT else self._temperature_c()
        self._busy_until_s = self._rig.clock.elapsed_s() + self._wired.reading_s * self._cycles

    def _current_a(self) -> float:
        """The longer it is integrated, the less noise; below one cycle of the mains hum comes in."""
        self._readings += 1
        noise_a = self._wired.noise / math.sqrt(self._cycles) * (1.0 if self._cycles >= 1 else _HUM_FACTOR)
        value_a = self._wired.read()
        if noise_a > 0:
            value_a += normal(noise_a, self._rig.setup.seed, f"{self._place} noise {self._readings}")
        fits = self._automatic_range or abs(value_a) <= _BEYOND * self._range_a
        return value_a if fits else math.copysign(_OVERLOAD, value_a)

    def _temperature_c(self) -> float:
        """Right for the sensor that is wired; with another it overloads or reads its leads too."""
        wired = self._wired
        if wired.sensor.startswith("thermocouple"):
            fits = self._kind == "TC" and self._letter == wired.sensor[-1]
            return wired.read() if fits else _OVERLOAD
        if self._kind == "TC" or self._ohm != (1000.0 if wired.sensor == "Pt1000" else 100.0):
            return _OVERLOAD
        if self._kind == "FRTD" and wired.wires != 4:
            return _NOT_A_NUMBER
        leads_k = _LEADS_OHM / (_SLOPE_PER_K * self._ohm) if self._kind == "RTD" and wired.wires == 4 else 0.0
        return wired.read() + leads_k

    def _abort(self) -> None:
        self._value = None
        self._busy_until_s = 0.0

    def _fetch(self) -> str:
        """The last reading; −230 when settings have changed since, or none was started."""
        if self._value is None:
            raise ScpiError(-230)
        return nr3(self._value)
