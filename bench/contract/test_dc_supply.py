"""What every DC supply does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import DCSupply

ROLE = "DC supply"


@pytest.fixture
def supply(station: Station, place: str) -> DCSupply:
    return cast(DCSupply, station.driver(place))


def test_a_prepared_supply_is_off_and_not_tripped(supply: DCSupply, station: Station) -> None:
    """Whatever it was at power-up."""
    supply.prepare(*station.values.protection)

    assert not supply.output_is_on()
    assert not supply.protection_tripped()


def test_a_prepared_supply_is_protected(supply: DCSupply, standard: Messages, station: Station) -> None:
    """Protection is armed before the output is ever on."""
    over_voltage_v, over_current_a = station.values.protection
    supply.prepare(over_voltage_v, over_current_a)

    assert standard.ask_number(":SOUR:VOLT:PROT:LEV?") == pytest.approx(over_voltage_v, abs=0.01)
    assert standard.ask_number(":SOUR:CURR:PROT:LEV?") == pytest.approx(over_current_a, abs=0.01)
    assert standard.ask_boolean(":SOUR:VOLT:PROT:STAT?")
    assert standard.ask_boolean(":SOUR:CURR:PROT:STAT?")


def test_output_off_reads_no_current(supply: DCSupply, station: Station) -> None:
    """Within 5 mA, the reading error of a small supply (common practice, no source)."""
    supply.prepare(*station.values.protection)
    supply.set_output(station.values.voltage_v, station.values.current_limit_a)

    assert supply.read_current_a() == pytest.approx(0.0, abs=0.005)


@pytest.mark.usefixtures("energy")
def test_output_on_reads_the_voltage(supply: DCSupply, station: Station) -> None:
    """Within 5 %, far wider than any error of the instrument."""
    lowest_a, highest_a = station.values.current_a
    supply.prepare(*station.values.protection)
    supply.set_output(station.values.voltage_v, station.values.current_limit_a)
    supply.switch_output(on=True)

    assert supply.output_is_on()
    assert supply.read_voltage_v() == pytest.approx(station.values.voltage_v, rel=0.05)
    assert lowest_a < supply.read_current_a() < highest_a
    assert not supply.protection_tripped()


@pytest.mark.parametrize("what", ["voltage", "limit"])
def test_a_voltage_or_limit_out_of_range_is_refused(supply: DCSupply, station: Station, what: str) -> None:
    """−222, setting unchanged (SCPI-1999 Vol 2, 21.8)."""
    voltage_v = 500.0 if what == "voltage" else station.values.voltage_v
    limit_a = 500.0 if what == "limit" else station.values.current_limit_a
    supply.prepare(*station.values.protection)
    with pytest.raises(Refused) as caught:
        supply.set_output(voltage_v, limit_a)

    assert not station.values.refusals or caught.value.number in station.values.refusals


def test_a_protection_level_out_of_range_is_refused(supply: DCSupply, station: Station) -> None:
    """Bias is never switched on over it."""
    with pytest.raises(Refused):
        supply.prepare(5000.0, station.values.protection[1])

    assert not supply.output_is_on()


@pytest.mark.usefixtures("energy")
def test_make_safe_switches_the_output_off(supply: DCSupply, station: Station) -> None:
    """Energy is removed."""
    supply.prepare(*station.values.protection)
    supply.set_output(station.values.voltage_v, station.values.current_limit_a)
    supply.switch_output(on=True)
    supply.make_safe()

    assert not supply.output_is_on()


@pytest.mark.usefixtures("energy")
def test_a_supply_says_whether_it_holds_its_voltage(supply: DCSupply, station: Station) -> None:
    """A run that goes on in current limit would measure a unit without its voltage."""
    supply.prepare(*station.values.protection)
    supply.set_output(station.values.voltage_v, station.values.current_limit_a)
    assert supply.regulation() == "off"
    supply.switch_output(on=True)

    assert supply.regulation() in station.values.regulations
    assert supply.drain_errors() == ()


def test_protection_that_has_not_tripped_may_be_cleared(supply: DCSupply, station: Station) -> None:
    """Idempotent, and the output stays off."""
    supply.prepare(*station.values.protection)
    supply.clear_protection()

    assert not supply.protection_tripped()
    assert not supply.output_is_on()
    assert supply.drain_errors() == ()
