"""What every digital port does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.roles import DigitalPort

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture(params=list(DRIVERS["digital port"].values()), ids=list(DRIVERS["digital port"]))
def port(request: pytest.FixtureRequest, station: Station) -> DigitalPort:
    return cast(Callable[[Any], DigitalPort], request.param)(station.messages("code_port"))


def test_a_word_stands_on_its_port_only(port: DigitalPort) -> None:
    """Gain codes of two channels and the mode pins must not mix."""
    port.write_word(1, 17)
    port.write_word(2, 30)
    port.write_word(3, 1)

    assert [port.read_word(number) for number in (1, 2, 3)] == [17, 30, 1]
    assert port.drain_errors() == ()


def test_a_word_that_the_port_cannot_hold_shows_in_the_error_queue(port: DigitalPort) -> None:
    """It is not read back, so the queue has to tell; the lines stay as they were."""
    port.write_word(1, 5)
    port.write_word(1, 100_000)

    assert len(port.drain_errors()) == 1
    assert port.read_word(1) == 5


def test_make_safe_leaves_the_code_as_it_is(port: DigitalPort) -> None:
    """A changed code would step the output of a unit that is still biased."""
    port.write_word(1, 9)
    port.make_safe()

    assert port.read_word(1) == 9
