"""What every digital port does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.roles import DigitalPort

ROLE = "digital port"


@pytest.fixture
def port(station: Station, place: str) -> DigitalPort:
    return cast(DigitalPort, station.driver(place))


def test_every_line_can_be_low(port: DigitalPort, station: Station) -> None:
    """The word that is safe for a unit without bias."""
    for number in station.values.ports:
        port.write_word(number, 0)

    assert [port.read_word(number) for number in station.values.ports] == [0] * len(station.values.ports)
    assert port.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_a_word_stands_on_its_port_only(port: DigitalPort, station: Station) -> None:
    """Gain codes of two channels and the mode pins must not mix."""
    for number, word in station.values.ports.items():
        port.write_word(number, word)

    assert {number: port.read_word(number) for number in station.values.ports} == station.values.ports
    assert port.drain_errors() == ()


@pytest.mark.usefixtures("queue", "energy")
def test_a_word_that_the_port_cannot_hold_shows_in_the_error_queue(port: DigitalPort, station: Station) -> None:
    """It is not read back, so the queue has to tell; the lines stay as they were."""
    number, word = next(iter(station.values.ports.items()))
    port.write_word(number, word)
    port.write_word(number, 100_000)

    assert len(port.drain_errors()) == 1
    assert port.read_word(number) == word


@pytest.mark.usefixtures("energy")
def test_make_safe_leaves_the_code_as_it_is(port: DigitalPort, station: Station) -> None:
    """A changed code would step the output of a unit that is still biased."""
    number, word = next(iter(station.values.ports.items()))
    port.write_word(number, word)
    port.make_safe()

    assert port.read_word(number) == word
