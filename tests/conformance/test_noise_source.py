"""What every noise source does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.messages import Messages
from drivers.roles import NoiseSource

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture(params=list(DRIVERS["noise source"].values()), ids=list(DRIVERS["noise source"]))
def source(request: pytest.FixtureRequest, station: Station) -> NoiseSource:
    return cast(Callable[[Messages], NoiseSource], request.param)(station.messages("noise_source"))


def test_a_prepared_source_is_off(source: NoiseSource) -> None:
    """Whatever it was at power-up."""
    source.switch_output(on=True)
    source.prepare()

    assert not source.output_is_on()
    assert source.drain_errors() == ()


def test_noise_switches_on_and_off_and_says_so(source: NoiseSource) -> None:
    """Read back, not remembered."""
    source.prepare()
    source.switch_output(on=True)
    assert source.output_is_on()
    source.switch_output(on=False)

    assert not source.output_is_on()


def test_make_safe_switches_the_noise_off(source: NoiseSource) -> None:
    """Energy is removed."""
    source.prepare()
    source.switch_output(on=True)
    source.make_safe()

    assert not source.output_is_on()
