"""What every chamber does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import Chamber

ROLE = "chamber"


@pytest.fixture
def chamber(station: Station, place: str) -> Chamber:
    return cast(Chamber, station.driver(place))


def prepare(chamber: Chamber, station: Station) -> None:
    values = station.values
    chamber.prepare(values.ramp_k_per_min, values.lowest_c, values.highest_c, values.idle_c)


def test_a_prepared_chamber_keeps_its_own_limits_and_ramp(
    chamber: Chamber, standard: Messages, station: Station
) -> None:
    """Below our interlocks, the chamber's own controller guards too."""
    prepare(chamber, station)

    assert standard.ask_number(":SOUR:TEMP:RAMP:RATE?") == pytest.approx(station.values.ramp_k_per_min)
    assert standard.ask_number(":SOUR:TEMP:PROT:LOW:LEV?") == pytest.approx(station.values.lowest_c)
    assert standard.ask_number(":SOUR:TEMP:PROT:HIGH:LEV?") == pytest.approx(station.values.highest_c)


@pytest.mark.usefixtures("energy")
def test_conditioning_switches_on_and_off_and_says_so(chamber: Chamber, station: Station) -> None:
    """Read back, not remembered."""
    prepare(chamber, station)
    chamber.set_target_c(station.values.target_c)
    chamber.switch_conditioning(on=True)
    assert chamber.conditioning_is_on()
    chamber.switch_conditioning(on=False)

    assert not chamber.conditioning_is_on()


def test_air_is_read_in_degrees_celsius(chamber: Chamber, station: Station) -> None:
    """At room temperature before anything is switched on."""
    lowest_c, highest_c = station.values.room_c

    assert lowest_c < chamber.read_air_c() < highest_c


def test_a_target_is_read_back(chamber: Chamber, station: Station) -> None:
    """To within 0.5 K, the coarsest step of a controller; the way to the safe state is confirmed by it."""
    prepare(chamber, station)
    chamber.set_target_c(station.values.away_c)
    assert chamber.target_c() == pytest.approx(station.values.away_c, abs=0.5)
    chamber.make_safe()

    assert chamber.target_c() == pytest.approx(station.values.idle_c, abs=0.5)


def test_a_chamber_at_room_temperature_has_no_alarm(chamber: Chamber, station: Station) -> None:
    """Nothing is wrong, and asking is refused by none."""
    prepare(chamber, station)

    assert chamber.alarms() == ()
    assert chamber.drain_errors() == ()


@pytest.mark.parametrize("target_c", [-200.0, 500.0])
def test_a_target_out_of_range_is_refused(chamber: Chamber, station: Station, target_c: float) -> None:
    """−222, setting unchanged (SCPI-1999 Vol 2, 21.8)."""
    prepare(chamber, station)
    with pytest.raises(Refused):
        chamber.set_target_c(target_c)


@pytest.mark.usefixtures("energy")
def test_make_safe_leaves_it_conditioning(chamber: Chamber, station: Station) -> None:
    """A cold load has to come back dry."""
    prepare(chamber, station)
    chamber.set_target_c(station.values.away_c)
    chamber.switch_conditioning(on=True)
    chamber.make_safe()

    assert chamber.conditioning_is_on()


@pytest.mark.usefixtures("energy")
def test_make_safe_sends_it_to_idle(chamber: Chamber, standard: Messages, station: Station) -> None:
    """Where the bench file says."""
    prepare(chamber, station)
    chamber.set_target_c(station.values.away_c)
    chamber.switch_conditioning(on=True)
    chamber.make_safe()

    assert standard.ask_number(":SOUR:TEMP:SPO?") == pytest.approx(station.values.idle_c)


@pytest.mark.usefixtures("energy")
def test_make_safe_stops_a_chamber_of_which_no_idle_temperature_is_known(
    chamber: Chamber, station: Station, place: str
) -> None:
    """A guard that only knows the address can still remove the energy."""
    prepare(chamber, station)
    chamber.set_target_c(station.values.target_c)
    chamber.switch_conditioning(on=True)
    ignorant: Chamber = station.driver(place)
    ignorant.make_safe()

    assert not chamber.conditioning_is_on()
