"""What every DC supply does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import DCSupply

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture
def messages(station: Station) -> Messages:
    return cast(Messages, station.messages("supply"))


@pytest.fixture(params=list(DRIVERS["DC supply"].values()), ids=list(DRIVERS["DC supply"]))
def supply(request: pytest.FixtureRequest, messages: Messages) -> DCSupply:
    return cast(Callable[[Messages], DCSupply], request.param)(messages)


def test_a_prepared_supply_is_off_and_protected(supply: DCSupply, messages: Messages) -> None:
    """Protection is armed before the output is ever on."""
    supply.prepare(5.4, 0.33)

    assert not supply.output_is_on()
    assert messages.ask_number(":SOUR:VOLT:PROT:LEV?") == pytest.approx(5.4, abs=0.01)
    assert messages.ask_number(":SOUR:CURR:PROT:LEV?") == pytest.approx(0.33, abs=0.01)
    assert messages.ask_boolean(":SOUR:VOLT:PROT:STAT?")
    assert messages.ask_boolean(":SOUR:CURR:PROT:STAT?")
    assert not supply.protection_tripped()


def test_output_off_reads_no_current_and_output_on_reads_the_voltage(supply: DCSupply) -> None:
    """Within 5 % of 5 V, far wider than any error of the instrument."""
    supply.prepare(5.4, 0.33)
    supply.set_output(5.0, 0.3)
    assert supply.read_current_a() == pytest.approx(0.0, abs=0.005)
    supply.switch_output(on=True)

    assert supply.output_is_on()
    assert supply.read_voltage_v() == pytest.approx(5.0, rel=0.05)
    assert 0.05 < supply.read_current_a() < 0.3
    assert not supply.protection_tripped()


@pytest.mark.parametrize(("voltage_v", "limit_a"), [(500.0, 0.3), (5.0, 500.0)])
def test_a_voltage_or_limit_out_of_range_is_refused(supply: DCSupply, voltage_v: float, limit_a: float) -> None:
    """−222, setting unchanged (SCPI-1999 Vol 2, 21.8)."""
    supply.prepare(5.4, 0.33)
    with pytest.raises(Refused) as caught:
        supply.set_output(voltage_v, limit_a)

    assert caught.value.number == -222


def test_a_protection_level_out_of_range_is_refused(supply: DCSupply) -> None:
    """Bias is never switched on over it."""
    with pytest.raises(Refused):
        supply.prepare(5000.0, 0.33)

    assert not supply.output_is_on()


def test_make_safe_switches_the_output_off(supply: DCSupply) -> None:
    """Energy is removed."""
    supply.prepare(5.4, 0.33)
    supply.set_output(5.0, 0.3)
    supply.switch_output(on=True)
    supply.make_safe()

    assert not supply.output_is_on()
