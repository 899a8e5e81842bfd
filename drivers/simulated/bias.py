"""One supply output: constant voltage, current limiting, and two protections that latch.

The current limit folds the voltage back; over-current protection switches off. They are different things.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from drivers.simulated.drawing import within
from drivers.simulated.rig_setup import SupplySetup

#: Halvings that find the voltage in current limiting: 20 V to a microvolt.
_HALVINGS = 25


@dataclass(frozen=True, slots=True)
class Terminals:
    """What stands at the unit: volts, amperes, and whether the supply limits the current."""

    voltage_v: float
    current_a: float
    limiting: bool


OFF = Terminals(0.0, 0.0, limiting=False)


class Bias:
    """State of one supply output; ``load`` gives the current that the unit draws at a voltage."""

    def __init__(self, setup: SupplySetup, seed: int) -> None:
        self.setup = setup
        self.voltage_error_v = within(setup.voltage_v, seed, "supply voltage")
        self.voltage_reading_error_v = within(setup.voltage_reading_v, seed, "supply voltage reading")
        self.current_reading_error_a = within(setup.current_a, seed, "supply current reading")
        self.on = False
        self.voltage_v = 0.0
        self.current_limit_a = setup.highest_current_a
        self.over_voltage_v = setup.highest_voltage_v * 1.1
        self.over_current_a = setup.highest_current_a * 1.1
        self.over_voltage_armed = True
        self.over_current_armed = False
        self.over_voltage_tripped = False
        self.over_current_tripped = False
        #: Faults: what the output gives at most whatever its setting, and what the unit draws above its due.
        self.most_current_a = math.inf
        self.extra_current_a = 0.0

    def terminals(self, load: Callable[[float], float]) -> Terminals:
        """Operating point of supply and unit; trips a protection that is passed, and is off then."""
        if not self.on:
            return OFF
        voltage = max(0.0, self.voltage_v + self.voltage_error_v)
        if self.extra_current_a and voltage:
            load = _with_leak(load, self.extra_current_a / voltage)
        current = load(voltage)
        limiting = current > self._limit_a
        if limiting:
            voltage, current = self._fold_back(voltage, load)
        if self.over_voltage_armed and voltage > self.over_voltage_v:
            self.over_voltage_tripped = True
        if self.over_current_armed and current > self.over_current_a:
            self.over_current_tripped = True
        if self.over_voltage_tripped or self.over_current_tripped:
            self.on = False
            return OFF
        return Terminals(voltage, current, limiting)

    @property
    def _limit_a(self) -> float:
        return min(self.current_limit_a, self.most_current_a)

    def _fold_back(self, highest_v: float, load: Callable[[float], float]) -> tuple[float, float]:
        low, high = 0.0, highest_v
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            if load(middle) > self._limit_a:
                high = middle
            else:
                low = middle
        return low, load(low)


def _with_leak(load: Callable[[float], float], leak_s: float) -> Callable[[float], float]:
    """The load with a conductance beside it."""
    return lambda voltage: load(voltage) + leak_s * voltage
