"""What every driver of every role does: identify, drain its errors, and be made safe."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.messages import Messages
from drivers.roles import Identity, Instrument

#: None: every place of the bench.
ROLE = None


@pytest.fixture
def driver(station: Station, place: str) -> Instrument:
    return cast(Instrument, station.driver(place))


def test_making_a_driver_sends_nothing(station: Station, place: str) -> None:
    """What the bench does is decided elsewhere."""
    station.driver(place)

    assert station.exchanges == []


def test_an_instrument_says_who_it_is(driver: Instrument) -> None:
    """Four fields, none of them empty (IEEE 488.2, 10.14)."""
    identity = driver.identify()

    assert isinstance(identity, Identity)
    assert all([identity.maker, identity.model, identity.serial, identity.firmware])


@pytest.mark.usefixtures("queue")
def test_errors_are_drained_once(driver: Instrument, standard: Messages, station: Station) -> None:
    """An unknown header is −113 (SCPI-1999 Vol 2, 21.8); reading empties the queue."""
    driver.drain_errors()
    standard.tell(":NO:SUCH:HEADER 1")

    assert [entry.number for entry in driver.drain_errors()] == [-113]
    assert driver.drain_errors() == ()


def test_draining_ends_and_leaves_nothing(driver: Instrument) -> None:
    """Whatever stood in the queue before."""
    driver.drain_errors()

    assert driver.drain_errors() == ()


def test_make_safe_may_be_called_twice_reads_nothing_and_raises_no_error(driver: Instrument, station: Station) -> None:
    """Idempotent, and nothing in it can hang."""
    driver.drain_errors()
    station.exchanges.clear()
    driver.make_safe()
    driver.make_safe()

    assert all(exchange.received is None for exchange in station.exchanges)
    assert driver.drain_errors() == ()


@pytest.mark.usefixtures("completion")
def test_make_safe_works_while_an_operation_is_begun(driver: Instrument, standard: Messages, station: Station) -> None:
    """And the operation's reply does not answer the next question; a role without energy leaves it to be finished."""
    standard.begin("*CLS")
    begun = len(station.exchanges)
    driver.make_safe()
    if len(station.exchanges) == begun:
        standard.finish()

    assert driver.identify().model != "1"
    assert {entry.number for entry in driver.drain_errors()} <= {-410}
