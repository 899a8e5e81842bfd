"""What every noise source does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.roles import NoiseSource

ROLE = "noise source"


@pytest.fixture
def source(station: Station, place: str) -> NoiseSource:
    return cast(NoiseSource, station.driver(place))


def test_a_prepared_source_is_off(source: NoiseSource) -> None:
    """Whatever it was at power-up."""
    source.prepare()

    assert not source.output_is_on()
    assert source.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_preparing_a_source_again_switches_it_off(source: NoiseSource) -> None:
    """Whatever it was before."""
    source.switch_output(on=True)
    source.prepare()

    assert not source.output_is_on()
    assert source.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_noise_switches_on_and_off_and_says_so(source: NoiseSource) -> None:
    """Read back, not remembered."""
    source.prepare()
    source.switch_output(on=True)
    assert source.output_is_on()
    source.switch_output(on=False)

    assert not source.output_is_on()


@pytest.mark.usefixtures("energy")
def test_make_safe_switches_the_noise_off(source: NoiseSource) -> None:
    """Energy is removed."""
    source.prepare()
    source.switch_output(on=True)
    source.make_safe()

    assert not source.output_is_on()
