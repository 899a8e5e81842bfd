"""What every tone source does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import ToneSource

Station = Any  # the class of the fixture; tests cannot import each other


@pytest.fixture
def messages(station: Station) -> Messages:
    return cast(Messages, station.messages("tone_1"))


@pytest.fixture(params=list(DRIVERS["tone source"].values()), ids=list(DRIVERS["tone source"]))
def source(request: pytest.FixtureRequest, messages: Messages) -> ToneSource:
    return cast(Callable[[Messages], ToneSource], request.param)(messages)


def test_a_prepared_source_is_off(source: ToneSource) -> None:
    """Whatever it was at power-up."""
    source.switch_output(on=True)
    source.prepare(10.0)

    assert not source.output_is_on()
    assert source.drain_errors() == ()


def test_output_switches_on_and_off_and_says_so(source: ToneSource) -> None:
    """Read back, not remembered."""
    source.prepare(10.0)
    source.switch_output(on=True)
    assert source.output_is_on()
    source.switch_output(on=False)

    assert not source.output_is_on()


def test_a_level_is_returned_as_read_back(source: ToneSource) -> None:
    """Within half a step of 0.1 dB."""
    source.prepare(10.0)

    assert source.set_level(-12.34) == pytest.approx(-12.34, abs=0.06)
    assert source.set_level(10.0) == pytest.approx(10.0, abs=0.06)
    assert source.drain_errors() == ()


def test_a_level_above_the_ceiling_is_refused_and_never_sent(source: ToneSource, station: Station) -> None:
    """The ceiling protects the unit even if the instrument has none of its own."""
    source.prepare(10.0)
    source.set_level(3.0)
    before = len(station.exchanges)
    with pytest.raises(Refused, match="ceiling"):
        source.set_level(10.01)

    assert len(station.exchanges) == before


def test_no_level_is_taken_before_a_ceiling_is_set(source: ToneSource, station: Station) -> None:
    """Nobody has said yet what is too much."""
    with pytest.raises(Refused):
        source.set_level(-60.0)

    assert station.exchanges == []


def test_a_ceiling_that_the_instrument_cannot_keep_is_refused(source: ToneSource) -> None:
    """Out of its range: −222 or another value on read-back."""
    with pytest.raises(Refused):
        source.prepare(500.0)
    with pytest.raises(Refused):
        source.set_level(-60.0)


def test_a_frequency_is_set_in_hertz(source: ToneSource, messages: Messages) -> None:
    """To the hertz."""
    source.prepare(10.0)
    source.set_frequency(60_500_001.0)

    assert messages.ask_number(":SOUR:FREQ:CW?") == pytest.approx(60_500_001.0, abs=0.5)
    assert source.drain_errors() == ()


def test_a_frequency_out_of_range_shows_in_the_error_queue(source: ToneSource) -> None:
    """It is not read back, so the queue has to tell."""
    source.prepare(10.0)
    source.set_frequency(1e15)

    assert [entry.number for entry in source.drain_errors()] == [-222]


def test_make_safe_switches_rf_off(source: ToneSource) -> None:
    """Energy is removed."""
    source.prepare(10.0)
    source.switch_output(on=True)
    source.make_safe()

    assert not source.output_is_on()
