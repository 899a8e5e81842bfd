"""The simulated supply output and the loads that it meets."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.bias import Bias
from drivers.simulated.rig_setup import SupplySetup

_FAULTLESS = SupplySetup(0.0, 0.0, 0.0, 20.0, 2.0)


def _on(voltage_v: float, current_limit_a: float) -> Bias:
    bias = Bias(_FAULTLESS, seed=1)
    bias.voltage_v, bias.current_limit_a, bias.on = voltage_v, current_limit_a, True
    return bias


def test_below_its_current_limit_a_supply_holds_its_voltage() -> None:
    """5 V into 50 Ω are 100 mA."""
    terminals = _on(5.0, 0.3).terminals(lambda voltage: voltage / 50)

    assert terminals.voltage_v == 5.0
    assert terminals.current_a == pytest.approx(0.1)
    assert not terminals.limiting


@given(st.floats(1, 100), st.floats(0.1, 20), st.floats(0.01, 2))
def test_a_supply_never_gives_more_than_its_limit(resistance_ohm: float, voltage_v: float, limit_a: float) -> None:
    """Into any resistor it gives the smaller of V/R and the limit, at the voltage that belongs to it."""
    terminals = _on(voltage_v, limit_a).terminals(lambda voltage: voltage / resistance_ohm)

    assert terminals.current_a == pytest.approx(min(voltage_v / resistance_ohm, limit_a), abs=1e-4)
    assert terminals.voltage_v == pytest.approx(terminals.current_a * resistance_ohm, abs=1e-4)
    assert terminals.limiting is (voltage_v / resistance_ohm > limit_a)


def test_over_voltage_switches_off_and_stays_off() -> None:
    """A latch: lowering the voltage afterwards does not bring the output back."""
    bias = _on(6.0, 1.0)
    bias.over_voltage_v = 5.5

    assert bias.terminals(lambda _: 0.1).voltage_v == 0
    assert bias.over_voltage_tripped
    bias.voltage_v = 5.0
    assert bias.terminals(lambda _: 0.1).voltage_v == 0


def test_over_current_protection_acts_only_when_armed() -> None:
    """The current limit folds back, the protection switches off: two things."""
    bias = _on(5.0, 1.0)
    bias.over_current_a = 0.2

    assert bias.terminals(lambda _: 0.3).current_a == 0.3
    bias.over_current_armed = True
    assert bias.terminals(lambda _: 0.3).current_a == 0
    assert bias.over_current_tripped


@given(st.integers(0, 10_000))
def test_supply_errors_stay_within_the_declared_accuracy(seed: int) -> None:
    """Set voltage, voltage reading and current reading."""
    bias = Bias(SupplySetup(0.01, 0.005, 0.001, 20.0, 2.0), seed)

    assert abs(bias.voltage_error_v) <= 0.01
    assert abs(bias.voltage_reading_error_v) <= 0.005
    assert abs(bias.current_reading_error_a) <= 0.001
