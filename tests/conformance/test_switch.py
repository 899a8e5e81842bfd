"""What every switch does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import Refused
from drivers.roles import Switch

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture(params=list(DRIVERS["switch"].values()), ids=list(DRIVERS["switch"]))
def switch(request: pytest.FixtureRequest, station: Station) -> Switch:
    return cast(Callable[[Any], Switch], request.param)(station.messages("load_switch"))


def test_selecting_a_route_opens_the_one_before(switch: Switch) -> None:
    """The output sees one load at a time."""
    switch.select(101)
    assert switch.selected() == (101,)
    switch.select(103)

    assert switch.selected() == (103,)
    assert switch.drain_errors() == ()


def test_selecting_twice_keeps_the_route(switch: Switch) -> None:
    """Idempotent."""
    switch.select(102)
    switch.select(102)

    assert switch.selected() == (102,)


def test_nothing_is_known_of_routes_that_were_never_selected(switch: Switch) -> None:
    """A matrix may have routes that belong to others."""
    assert switch.selected() == ()


def test_a_route_that_does_not_exist_is_refused(switch: Switch) -> None:
    """And the next good one is selected as if nothing had been."""
    with pytest.raises(Refused):
        switch.select(999)
    switch.select(101)

    assert switch.selected() == (101,)
