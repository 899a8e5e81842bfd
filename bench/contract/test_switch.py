"""What every switch does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import Refused
from drivers.roles import Switch

ROLE = "switch"


@pytest.fixture
def routes(station: Station) -> tuple[int, int]:
    """Two routes of the switch."""
    if len(station.values.routes) < 2:
        pytest.skip("it needs two routes, and the bench file gives this switch fewer")
    return station.values.routes[0], station.values.routes[1]


@pytest.fixture
def switch(station: Station, place: str) -> Switch:
    return cast(Switch, station.driver(place))


def test_selecting_a_route_opens_the_one_before(switch: Switch, routes: tuple[int, int]) -> None:
    """The output sees one load at a time."""
    first, second = routes
    switch.select(first)
    assert switch.selected() == (first,)
    switch.select(second)

    assert switch.selected() == (second,)
    assert switch.drain_errors() == ()


def test_selecting_twice_keeps_the_route(switch: Switch, routes: tuple[int, int]) -> None:
    """Idempotent."""
    switch.select(routes[1])
    switch.select(routes[1])

    assert switch.selected() == (routes[1],)


def test_nothing_is_known_of_routes_that_were_never_selected(switch: Switch) -> None:
    """A matrix may have routes that belong to others."""
    assert switch.selected() == ()


def test_what_is_closed_can_be_asked_before_anything_is_selected(switch: Switch, routes: tuple[int, int]) -> None:
    """Of the routes that are named; asking closes and opens none."""
    before = switch.closed_of(routes)
    assert switch.closed_of(routes) == before

    switch.select(routes[1])

    assert switch.closed_of(routes) == (routes[1],)
    assert switch.closed_of(()) == ()


def test_a_route_that_does_not_exist_is_refused(switch: Switch, routes: tuple[int, int]) -> None:
    """And the next good one is selected as if nothing had been."""
    with pytest.raises(Refused):
        switch.select(999)
    switch.select(routes[0])

    assert switch.selected() == (routes[0],)
