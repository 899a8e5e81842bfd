"""Command table of the simulated DC supply: OUTPut, SOURce:VOLTage and CURRent with PROTection, MEASure.

Practice and not standard: bit 0 of STATus:QUEStionable while the current limit holds the voltage down.
"""

from __future__ import annotations

from drivers.simulated.bias import Bias
from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.status import ScpiError

_VOLTAGE_NOT_HELD = 1

#: Protections reach this much above the highest setting, so that they can be out of the way (ours; common).
_PROTECTION_REACH = 1.1


class DCSupply(RigDevice):
    """One output with current limiting and two latching protections."""

    model = "DC-SUPPLY"

    def __init__(self, rig: Rig, place: str, bias: Bias) -> None:
        super().__init__(rig, place)
        self._bias = bias

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        bias, highest = self._bias, self._bias.setup
        volts, amperes = suffixes("V"), suffixes("A")
        voltage = Number(lambda: (0.0, highest.highest_voltage_v), volts, default=0.0)
        current = Number(lambda: (0.0, highest.highest_current_a), amperes, default=highest.highest_current_a)
        over_voltage = Number(lambda: (0.0, highest.highest_voltage_v * _PROTECTION_REACH), volts)
        over_current = Number(lambda: (0.0, highest.highest_current_a * _PROTECTION_REACH), amperes)
        return (
            setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._is_on())),
            setting(
                "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                voltage,
                self._set_voltage,
                lambda: nr3(bias.voltage_v),
            ),
            setting(
                "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
                current,
                self._set_current_limit,
                lambda: nr3(bias.current_limit_a),
            ),
            setting(
                "[:SOURce]:VOLTage:PROTection[:LEVel]",
                over_voltage,
                self._set_over_voltage,
                lambda: nr3(bias.over_voltage_v),
            ),
            setting(
                "[:SOURce]:VOLTage:PROTection:STATe",
                Boolean(),
                self._arm_over_voltage,
                lambda: boolean(on=bias.over_voltage_armed),
            ),
            Command("[:SOURce]:VOLTage:PROTection:TRIPped", ask=self._over_voltage_tripped),
            Command("[:SOURce]:VOLTage:PROTection:CLEar", self._clear_over_voltage),
            setting(
                "[:SOURce]:CURRent:PROTection[:LEVel]",
                over_current,
                self._set_over_current,
                lambda: nr3(bias.over_current_a),
            ),
            setting(
                "[:SOURce]:CURRent:PROTection:STATe",
                Boolean(),
                self._arm_over_current,
                lambda: boolean(on=bias.over_current_armed),
            ),
            Command("[:SOURce]:CURRent:PROTection:TRIPped", ask=self._over_current_tripped),
            Command("[:SOURce]:CURRent:PROTection:CLEar", self._clear_over_current),
            Command(":MEASure[:SCALar]:VOLTage[:DC]", ask=self._measure_voltage),
            Command(":MEASure[:SCALar]:CURRent[:DC]", ask=self._measure_current),
        )

    def reset(self) -> None:
        """Output off, 0 V, highest current limit, protections as at power-up; trips stay until cleared."""
        self._switch(on=False)
        bias, highest = self._bias, self._bias.setup
        bias.voltage_v = 0.0
        bias.current_limit_a = highest.highest_current_a
        bias.over_voltage_v = highest.highest_voltage_v * _PROTECTION_REACH
        bias.over_current_a = highest.highest_current_a * _PROTECTION_REACH
        bias.over_voltage_armed, bias.over_current_armed = True, False

    def questionable(self) -> int:
        """Bit 0, voltage: the current limit holds it down."""
        return _VOLTAGE_NOT_HELD if self._rig.operating().terminals.limiting else 0

    def _is_on(self) -> bool:
        self._rig.operating()
        return self._bias.on

    def _switch(self, on: bool) -> None:
        """Output on or off; on is refused while a trip is latched."""
        bias = self._bias
        if on and (bias.over_voltage_tripped or bias.over_current_tripped):
            raise ScpiError(-221)
        if on is not bias.on:
            self._rig.note(self._place, "bias on" if on else "bias off")
        bias.on = on
        self._rig.operating()

    def _set_voltage(self, voltage_v: float) -> None:
        self._bias.voltage_v = voltage_v
        self._rig.operating()

    def _set_current_limit(self, current_a: float) -> None:
        self._bias.current_limit_a = current_a
        self._rig.operating()

    def _set_over_voltage(self, voltage_v: float) -> None:
        self._bias.over_voltage_v = voltage_v
        self._rig.operating()

    def _arm_over_voltage(self, on: bool) -> None:
        self._bias.over_voltage_armed = on
        self._rig.operating()

    def _over_voltage_tripped(self) -> str:
        self._rig.operating()
        return boolean(on=self._bias.over_voltage_tripped)

    def _clear_over_voltage(self) -> None:
        self._bias.over_voltage_tripped = False

    def _set_over_current(self, current_a: float) -> None:
        self._bias.over_current_a = current_a
        self._rig.operating()

    def _arm_over_current(self, on: bool) -> None:
        self._bias.over_current_armed = on
        self._rig.operating()

    def _over_current_tripped(self) -> str:
        self._rig.operating()
        return boolean(on=self._bias.over_current_tripped)

    def _clear_over_current(self) -> None:
        self._bias.over_current_tripped = False

    def _measure_voltage(self) -> str:
        return nr3(self._rig.operating().terminals.voltage_v + self._bias.voltage_reading_error_v)

    def _measure_current(self) -> str:
        return nr3(self._rig.operating().terminals.current_a + self._bias.current_reading_error_a)
