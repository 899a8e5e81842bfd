"""What every driver of every role does: identify, drain its errors, and be made safe."""

from __future__ import annotations

from typing import Any

import pytest

from drivers.catalogue import DRIVERS, DriverClass
from drivers.roles import Identity, Instrument

Station = Any  # the class of the fixture; tests cannot import each other

PLACES = {
    "tone source": "tone_1",
    "noise source": "noise_source",
    "spectrum analyzer": "analyzer",
    "DC supply": "supply",
    "meter": "current_meter",
    "chamber": "chamber",
    "switch": "load_switch",
    "digital port": "code_port",
    "network analyzer": "network_analyzer",
}
EVERY = [
    pytest.param(made, PLACES[role], id=f"{role}, {word}")
    for role, words in DRIVERS.items()
    for word, made in words.items()
]


@pytest.mark.parametrize(("made", "place"), EVERY)
def test_an_instrument_says_who_it_is(station: Station, made: DriverClass, place: str) -> None:
    """Four fields, none of them empty (IEEE 488.2, 10.14)."""
    identity = made(station.messages(place)).identify()

    assert isinstance(identity, Identity)
    assert all([identity.maker, identity.model, identity.serial, identity.firmware])


@pytest.mark.parametrize(("made", "place"), EVERY)
def test_making_a_driver_sends_nothing(station: Station, made: DriverClass, place: str) -> None:
    """What the bench does is decided elsewhere."""
    made(station.messages(place))

    assert station.exchanges == []


@pytest.mark.parametrize(("made", "place"), EVERY)
def test_errors_are_drained_once(station: Station, made: DriverClass, place: str) -> None:
    """An unknown header is −113 (SCPI-1999 Vol 2, 21.8); reading empties the queue."""
    messages = station.messages(place)
    driver = made(messages)
    driver.drain_errors()
    messages.tell(":NO:SUCH:HEADER 1")

    assert [entry.number for entry in driver.drain_errors()] == [-113]
    assert driver.drain_errors() == ()


@pytest.mark.parametrize(("made", "place"), EVERY)
def test_make_safe_may_be_called_twice_reads_nothing_and_raises_no_error(
    station: Station, made: DriverClass, place: str
) -> None:
    """Idempotent, and nothing in it can hang."""
    driver: Instrument = made(station.messages(place))
    driver.make_safe()
    driver.make_safe()

    assert all(exchange.received is None for exchange in station.exchanges)
    assert driver.drain_errors() == ()


@pytest.mark.parametrize(("made", "place"), EVERY)
def test_make_safe_works_while_an_operation_is_begun(station: Station, made: DriverClass, place: str) -> None:
    """And the operation's reply does not answer the next question; a role without energy leaves it to be finished."""
    messages = station.messages(place)
    driver = made(messages)
    messages.begin("*CLS")
    driver.make_safe()
    if len(station.exchanges) == 1:
        messages.finish()

    assert driver.identify().model != "1"
    assert {entry.number for entry in driver.drain_errors()} <= {-410}
