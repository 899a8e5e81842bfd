"""Command table of the simulated DC supply: OUTPut, SOURce:VOLTage and CURRent with PROTection, INSTrument, MEASure.

Practice and not standard: SYSTem:RSENse, and bit 0 of STATus:QUEStionable while the current limit holds the voltage
down. With several outputs all commands are about the one that INSTrument:NSELect names, the first at power-up; nothing
is wired to the others but the unit's own.
"""

from __future__ import annotations

from drivers.simulated.bias import Bias, Terminals
from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.status import ScpiError

_VOLTAGE_NOT_HELD = 1

#: Outputs of a supply that has several (ours; common).
_OUTPUTS = 3

#: Protections reach this much above the highest setting, so that they can be out of the way (ours; common).
_PROTECTION_REACH = 1.1


class DCSupply(RigDevice):
    """Outputs with current limiting and two latching protections each; one of them is the unit's."""

    model = "DC-SUPPLY"

    def __init__(self, rig: Rig, place: str, bias: Bias) -> None:
        super().__init__(rig, place)
        self._wired = bias
        wired = bias.setup.output or 1
        several = bias.setup.output is not None
        numbers = range(1, max(_OUTPUTS, wired) + 1) if several else (1,)
        self._outputs = {number: bias if number == wired else Bias(bias.setup, 0) for number in numbers}
        self._selected = 1
        self._remote_sense = False

    @property
    def _bias(self) -> Bias:
        """The output that is spoken to."""
        return self._outputs[self._selected]

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        return (*self._instrument_commands(), *self._output_commands(), *self._protection_commands())

    def _instrument_commands(self) -> tuple[Command, ...]:
        sense = setting(":SYSTem:RSENse", Boolean(), self._set_remote_sense, lambda: boolean(on=self._remote_sense))
        if len(self._outputs) == 1:
            return (sense,)
        number = Number(lambda: (1.0, float(len(self._outputs))), {}, default=1.0, whole=True)
        return (
            sense,
            setting(":INSTrument:NSELect", number, self._select, lambda: str(self._selected)),
            Command(
                ":STATus:QUEStionable:INSTrument:ISUMmary#:CONDition",
                ask=lambda output: str(self._questionable(self._outputs[output])),
                suffixes=tuple(self._outputs),
            ),
        )

    def _output_commands(self) -> tuple[Command, ...]:
        highest = self._wired.setup
        volts, amperes = suffixes("V"), suffixes("A")
        voltage = Number(lambda: (0.0, highest.highest_voltage_v), volts, default=0.0)
        current = Number(lambda: (0.0, highest.highest_current_a), amperes, default=highest.highest_current_a)
        return (
            setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._is_on())),
            setting(
                "[:SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                voltage,
                self._set_voltage,
                lambda: nr3(self._bias.voltage_v),
            ),
            setting(
                "[:SOURce]:CURRent[:LEVel][:IMMediate][:AMPLitude]",
                current,
                self._set_current_limit,
                lambda: nr3(self._bias.current_limit_a),
            ),
            Command(":MEASure[:SCALar]:VOLTage[:DC]", ask=self._measure_voltage),
            Command(":MEASure[:SCALar]:CURRent[:DC]", ask=self._measure_current),
        )

    def _protection_commands(self) -> tuple[Command, ...]:
        highest = self._wired.setup
        over_voltage = Number(lambda: (0.0, highest.highest_voltage_v * _PROTECTION_REACH), suffixes("V"))
        over_current = Number(lambda: (0.0, highest.highest_current_a * _PROTECTION_REACH), suffixes("A"))
        return (
            setting(
                "[:SOURce]:VOLTage:PROTection[:LEVel]",
                over_voltage,
                self._set_over_voltage,
                lambda: nr3(self._bias.over_voltage_v),
            ),
            setting(
                "[:SOURce]:VOLTage:PROTection:STATe",
                Boolean(),
                self._arm_over_voltage,
                lambda: boolean(on=self._bias.over_voltage_armed),
            ),
            Command("[:SOURce]:VOLTage:PROTection:TRIPped", ask=self._over_voltage_tripped),
            Command("[:SOURce]:VOLTage:PROTection:CLEar", self._clear_over_voltage),
            setting(
                "[:SOURce]:CURRent:PROTection[:LEVel]",
                over_current,
                self._set_over_current,
                lambda: nr3(self._bias.over_current_a),
            ),
            setting(
                "[:SOURce]:CURRent:PROTection:STATe",
                Boolean(),
                self._arm_over_current,
                lambda: boolean(on=self._bias.over_current_armed),
            ),
            Command("[:SOURce]:CURRent:PROTection:TRIPped", ask=self._over_current_tripped),
            Command("[:SOURce]:CURRent:PROTection:CLEar", self._clear_over_current),
        )

    def reset(self) -> None:
        """All outputs off, 0 V, highest current limit, protections as at power-up; trips stay until cleared."""
        for output in self._outputs:
            self._selected = output
            self._switch(on=False)
            bias, highest = self._bias, self._bias.setup
            bias.voltage_v = 0.0
            bias.current_limit_a = highest.highest_current_a
            bias.over_voltage_v = highest.highest_voltage_v * _PROTECTION_REACH
            bias.over_current_a = highest.highest_current_a * _PROTECTION_REACH
            bias.over_voltage_armed, bias.over_current_armed = True, False
        self._selected = 1
        self._remote_sense = False

    def restart(self) -> None:
        """Trips are forgotten too."""
        for bias in self._outputs.values():
            bias.over_voltage_tripped = bias.over_current_tripped = False
        self.reset()

    def questionable(self) -> int:
        """Bit 0, voltage: the current limit of the selected output holds it down."""
        return self._questionable(self._bias)

    def _questionable(self, bias: Bias) -> int:
        return _VOLTAGE_NOT_HELD if self._terminals(bias).limiting else 0

    def _terminals(self, bias: Bias) -> Terminals:
        """What stands at an output; no current flows where no unit is."""
        return self._rig.operating().terminals if bias is self._wired else bias.terminals(lambda _: 0.0)

    def _select(self, output: float) -> None:
        self._selected = int(output)

    def _set_remote_sense(self, on: bool) -> None:
        self._remote_sense = on

    def _is_on(self) -> bool:
        self._rig.operating()
        return self._bias.on

    def _switch(self, on: bool) -> None:
        """Output on or off; on is refused while a trip is latched."""
        bias = self._bias
        if on and (bias.over_voltage_tripped or bias.over_current_tripped):
            raise ScpiError(-221)
        if on is not bias.on:
            which = "bias" if bias is self._wired else f"output {self._selected}"
            self._rig.note(self._place, f"{which} on" if on else f"{which} off")
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
        return nr3(self._terminals(self._bias).voltage_v + self._bias.voltage_reading_error_v)

    def _measure_current(self) -> str:
        return nr3(self._terminals(self._bias).current_a + self._bias.current_reading_error_a)
