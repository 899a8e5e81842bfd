"""Multimeter by SCPI: CONFigure, INITiate, FETCh?, SENSe:CURRent:DC:NPLCycles are in SCPI-1999 (from memory).

Practice and not standard: NPLCycles and TRANsducer under SENSe:TEMPerature, and that CONFigure:TEMPerature without
parameters takes the sensor that the meter is set up for. That one is kept unless a sensor is named.
"""

from __future__ import annotations

from typing import Final

from drivers.meter_setting import USUAL, MeterQuantity, MeterSetting, Sensor
from drivers.scpi_instrument import ScpiInstrument
from drivers.scpi_text import Unit, format_number

MAINS_HZ = 50.0
"""The slower of the two mains frequencies, for the time that a reading may take."""

WAIT_FACTOR = 4.0
WAIT_EXTRA_S = 5.0
LONG_S = 1.0
"""A reply may take four times the integration, for zero, reference and both current directions. Where that is long, it
is waited for and five seconds more, else as long as for any reply (our choice)."""

RANGE_WITHIN = 1e-6
"""A range that is read back may be rounded in its last digit."""

FOUR_WIRES = 4
_OHM_AT_0_C: Final[dict[Sensor, float]] = {"Pt100": 100.0, "Pt1000": 1000.0}

_FUNCTIONS: Final[dict[MeterQuantity, tuple[str, str]]] = {
    "current": (":CONF:SCAL:CURR:DC", ":SENS:CURR:DC:NPLC"),
    "temperature": (":CONF:SCAL:TEMP", ":SENS:TEMP:NPLC"),
}
_UNITS: Final[dict[MeterQuantity, Unit]] = {"current": "A", "temperature": "CEL"}


class ScpiMeter(ScpiInstrument):
    """A multimeter that reads one quantity: current in A, or temperature in °C."""

    _unit: Unit | None = None
    _wait_s: float | None = None

    def prepare(self, quantity: MeterQuantity, setting: MeterSetting = USUAL) -> None:
        """Choose what to measure and how; all but what CONFigure itself chooses is read back."""
        configure, integration = _FUNCTIONS[quantity]
        self._messages.tell(configure)
        if quantity == "temperature":
            if setting.sensor is not None:
                self._set_sensor(setting.sensor, setting.wires)
            self._set_celsius()
        elif setting.range_a is not None:
            self._set_range(setting.range_a)
        self._set_number(integration, setting.integration_cycles, 0.0)
        self._messages.check(configure)
        self._unit = _UNITS[quantity]
        takes_s = WAIT_FACTOR * setting.integration_cycles / MAINS_HZ
        self._wait_s = takes_s + WAIT_EXTRA_S if takes_s > LONG_S else None

    def begin_reading(self) -> None:
        """Start one reading."""
        self._messages.begin(":INIT:IMM")

    def finish_reading(self) -> float:
        """Wait for it: A or °C."""
        self._messages.finish(self._wait_s)
        return self._ask_number(":FETC?", self._unit, self._wait_s)

    def make_safe(self) -> None:
        """Nothing to do: a meter puts no energy into anything, and a series shunt must not open under current."""

    def _set_range(self, range_a: float) -> None:
        """A fixed range: the instrument takes the one next above."""
        command = f":SENS:CURR:DC:RANG:UPP {format_number(range_a)}"
        self._messages.tell(command)
        held_a = self._ask_number(":SENS:CURR:DC:RANG:UPP?", "A")
        if held_a < range_a * (1 - RANGE_WITHIN):
            self._messages.check(command)
            raise self._messages.not_taken(f"its range ends at {held_a:.9g} A, below {range_a:.9g} A", command)

    def _set_sensor(self, sensor: Sensor, wires: int) -> None:
        """Another kind of sensor than the one that is wired reads a wrong temperature without a word."""
        resistance_ohm = _OHM_AT_0_C.get(sensor)
        if resistance_ohm is None:
            self._set_word(":SENS:TEMP:TRAN:TYPE", "TCouple")
            self._set_word(":SENS:TEMP:TRAN:TC:TYPE", sensor[-1])
        else:
            kind = "FRTD" if wires == FOUR_WIRES else "RTD"
            self._set_word(":SENS:TEMP:TRAN:TYPE", kind)
            self._set_number(f":SENS:TEMP:TRAN:{kind}:RES:REF", resistance_ohm, 0.0)
