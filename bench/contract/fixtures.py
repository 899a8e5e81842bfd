"""Fixtures that the suites share, beside ``station`` and ``place``, which come from whoever runs them."""

from __future__ import annotations

import pytest

from bench.contract.station import Station
from drivers.messages import Messages


@pytest.fixture
def energy(station: Station) -> None:
    """Leave to switch something on; without it the test is skipped."""
    if not station.may_switch_on:
        pytest.skip("it would switch something on: run with --switch-on when nothing can be harmed")


@pytest.fixture
def standard(station: Station, place: str) -> Messages:
    """Messages to an instrument whose driver speaks SCPI; another driver's words are its own affair."""
    if not station.speaks_scpi(station.driver(place)):
        pytest.skip("it looks at SCPI messages, and this driver has words of its own")
    return station.messages(place)


@pytest.fixture
def completion(station: Station, standard: Messages) -> None:
    """A ``*CLS;*OPC?`` that the instrument is known to understand."""
    if not station.values.knows_completion:
        pytest.skip("it begins *CLS, which an instrument with words of its own may not know")


@pytest.fixture
def queue(station: Station, place: str, standard: Messages) -> None:
    """An error queue that can be relied on."""
    if not station.values.has_error_queue:
        pytest.skip("it looks at the error queue, and the bench's table of deviations declares none")
