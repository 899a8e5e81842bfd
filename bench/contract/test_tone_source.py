"""What every tone source does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import Refused
from drivers.messages import Messages
from drivers.roles import ToneSource

ROLE = "tone source"


@pytest.fixture
def source(station: Station, place: str) -> ToneSource:
    return cast(ToneSource, station.driver(place))


def test_a_prepared_source_is_off(source: ToneSource, station: Station) -> None:
    """Whatever it was at power-up."""
    source.prepare(station.values.ceiling_dbm)

    assert not source.output_is_on()
    assert source.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_preparing_a_source_again_switches_it_off(source: ToneSource, station: Station) -> None:
    """Whatever it was before."""
    source.prepare(station.values.ceiling_dbm)
    source.set_level(station.values.level_dbm)
    source.switch_output(on=True)
    source.prepare(station.values.ceiling_dbm)

    assert not source.output_is_on()
    assert source.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_output_switches_on_and_off_and_says_so(source: ToneSource, station: Station) -> None:
    """Read back, not remembered."""
    source.prepare(station.values.ceiling_dbm)
    source.set_level(station.values.level_dbm)
    source.switch_output(on=True)
    assert source.output_is_on()
    source.switch_output(on=False)

    assert not source.output_is_on()


def test_a_level_is_returned_as_read_back(source: ToneSource, station: Station) -> None:
    """Within half a step of 0.1 dB."""
    source.prepare(station.values.ceiling_dbm)

    for level_dbm in (station.values.level_dbm, station.values.ceiling_dbm, station.values.level_dbm):
        assert source.set_level(level_dbm) == pytest.approx(level_dbm, abs=0.06)
    assert source.drain_errors() == ()


def test_a_level_above_the_ceiling_is_refused_and_never_sent(source: ToneSource, station: Station) -> None:
    """The ceiling protects the unit even if the instrument has none of its own."""
    source.prepare(station.values.ceiling_dbm)
    source.set_level(station.values.level_dbm)
    before = len(station.exchanges)
    with pytest.raises(Refused, match="ceiling"):
        source.set_level(station.values.ceiling_dbm + 0.01)

    assert len(station.exchanges) == before


def test_no_level_is_taken_before_a_ceiling_is_set(source: ToneSource, station: Station) -> None:
    """Nobody has said yet what is too much."""
    before = len(station.exchanges)
    with pytest.raises(Refused):
        source.set_level(-60.0)

    assert len(station.exchanges) == before


def test_a_ceiling_that_the_instrument_cannot_keep_is_refused(source: ToneSource) -> None:
    """Out of its range: −222 or another value on read-back."""
    with pytest.raises(Refused):
        source.prepare(500.0)
    with pytest.raises(Refused):
        source.set_level(-60.0)


def test_a_frequency_is_set_in_hertz(source: ToneSource, standard: Messages, station: Station) -> None:
    """To the hertz."""
    source.prepare(station.values.ceiling_dbm)
    source.set_frequency(60_500_001.0)

    assert standard.ask_number(":SOUR:FREQ:CW?") == pytest.approx(60_500_001.0, abs=0.5)
    assert source.drain_errors() == ()


@pytest.mark.usefixtures("queue")
def test_a_frequency_out_of_range_shows_in_the_error_queue(source: ToneSource, station: Station) -> None:
    """It is not read back, so the queue has to tell."""
    source.prepare(station.values.ceiling_dbm)
    source.set_frequency(1e15)

    assert [entry.number for entry in source.drain_errors()] == [-222]


@pytest.mark.usefixtures("energy")
def test_make_safe_switches_rf_off(source: ToneSource, station: Station) -> None:
    """Energy is removed."""
    source.prepare(station.values.ceiling_dbm)
    source.set_level(station.values.level_dbm)
    source.switch_output(on=True)
    source.make_safe()

    assert not source.output_is_on()


@pytest.mark.usefixtures("energy")
def test_a_source_within_its_range_is_levelled(source: ToneSource, station: Station) -> None:
    """A run that goes on unlevelled would take a weak tone for a weak unit."""
    source.prepare(station.values.ceiling_dbm)
    source.set_level(station.values.level_dbm)
    source.switch_output(on=True)

    assert not source.is_unlevelled()
    assert source.drain_errors() == ()
