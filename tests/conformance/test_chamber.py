"""What every chamber does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import Chamber

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture
def messages(station: Station) -> Messages:
    return cast(Messages, station.messages("chamber"))


@pytest.fixture(params=list(DRIVERS["chamber"].values()), ids=list(DRIVERS["chamber"]))
def chamber(request: pytest.FixtureRequest, messages: Messages) -> Chamber:
    return cast(Callable[[Messages], Chamber], request.param)(messages)


def test_a_prepared_chamber_keeps_its_own_limits_and_ramp(chamber: Chamber, messages: Messages) -> None:
    """Below our interlocks, the chamber's own controller guards too."""
    chamber.prepare(3.0, -45.0, 90.0, 25.0)

    assert messages.ask_number(":SOUR:TEMP:RAMP:RATE?") == pytest.approx(3.0)
    assert messages.ask_number(":SOUR:TEMP:PROT:LOW:LEV?") == pytest.approx(-45.0)
    assert messages.ask_number(":SOUR:TEMP:PROT:HIGH:LEV?") == pytest.approx(90.0)


def test_conditioning_switches_on_and_off_and_says_so(chamber: Chamber) -> None:
    """Read back, not remembered."""
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    chamber.set_target_c(23.0)
    chamber.switch_conditioning(on=True)
    assert chamber.conditioning_is_on()
    chamber.switch_conditioning(on=False)

    assert not chamber.conditioning_is_on()


def test_air_is_read_in_degrees_celsius(chamber: Chamber) -> None:
    """At room temperature before anything is switched on."""
    assert 15.0 < chamber.read_air_c() < 30.0


@pytest.mark.parametrize("target_c", [-200.0, 500.0])
def test_a_target_out_of_range_is_refused(chamber: Chamber, target_c: float) -> None:
    """−222, setting unchanged (SCPI-1999 Vol 2, 21.8)."""
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    with pytest.raises(Refused):
        chamber.set_target_c(target_c)


def test_make_safe_sends_it_to_idle_and_leaves_it_conditioning(chamber: Chamber, messages: Messages) -> None:
    """A cold load has to come back dry."""
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    chamber.set_target_c(-40.0)
    chamber.switch_conditioning(on=True)
    chamber.make_safe()

    assert messages.ask_number(":SOUR:TEMP:SPO?") == pytest.approx(25.0)
    assert chamber.conditioning_is_on()


def test_make_safe_stops_a_chamber_of_which_no_idle_temperature_is_known(chamber: Chamber, messages: Messages) -> None:
    """A guard that only knows the address can still remove the energy."""
    messages.tell(":OUTP:STAT 1")
    chamber.make_safe()

    assert not chamber.conditioning_is_on()
