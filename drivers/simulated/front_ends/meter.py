"""Command table of the simulated multimeter: CONFigure, INITiate, FETCh?, READ?, MEASure?, NPLCycles.

What a meter is wired to is its place: the supply line, or a Pt100 on the board. Configured for the other quantity it
reads what an open input reads.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.simulated.front_end import nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.status import ScpiError

#: Not a number (SCPI-1999 Vol 1, 7.2.1.5): what a temperature reading without a sensor gives.
_NOT_A_NUMBER = 9.91e37

#: READ? and MEASure? spelt out (SCPI-1999 Vol 2, measurement instructions; as quoted in open-source parsers).
_READ = ":ABOR;:INIT;:FETC?"

_CURRENT, _TEMPERATURE = "CURR", "TEMP"


class Meter(RigDevice):
    """A meter that takes one reading at a time.

    Args:
        rig: The bench.
        place: Where it is.
        wired: What it is wired to: ``CURR`` or ``TEMP``.
        read: Reading of the wired quantity, errors included.
        reading_s: Time of a reading at one power line cycle.
    """

    model = "METER"

    def __init__(self, rig: Rig, place: str, wired: str, read: Callable[[], float], reading_s: float) -> None:
        super().__init__(rig, place)
        self._wired = wired
        self._read = read
        self._reading_s = reading_s
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

    def reset(self) -> None:
        """Direct current, one power line cycle, no reading."""
        self._function = _CURRENT
        self._cycles = 1.0
        self._abort()

    def operation(self) -> int:
        """Bit 4: measuring."""
        return 16 if self._is_busy() else 0

    def _configure(self, function: str) -> None:
        self._function = function
        self._cycles = 1.0
        self._abort()

    def _configure_current(self, _expected_a: float | None = None) -> None:
        self._configure(_CURRENT)

    def _configure_temperature(self, _expected_c: float | None = None) -> None:
        self._configure(_TEMPERATURE)

    def _set_cycles(self, cycles: float) -> None:
        self._cycles = cycles
        self._abort()

    def _initiate(self) -> None:
        """Start one reading; −213 while one is under way. The value is the quantity's at this instant."""
        if self._is_busy():
            raise ScpiError(-213)
        if self._function == self._wired:
            self._value: float | None = self._read()
        else:
            self._value = _NOT_A_NUMBER if self._function == _TEMPERATURE else 0.0
        self._busy_until_s = self._rig.clock.elapsed_s() + self._reading_s * self._cycles

    def _abort(self) -> None:
        self._value = None
        self._busy_until_s = 0.0

    def _fetch(self) -> str:
        """The last reading; −230 when settings have changed since, or none was started."""
        if self._value is None:
            raise ScpiError(-230)
        return nr3(self._value)
