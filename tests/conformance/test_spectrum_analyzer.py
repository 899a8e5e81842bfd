"""What every spectrum analyzer does."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, cast

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import OutOfTurn, Refused
from drivers.messages import Messages
from drivers.roles import SpectrumAnalyzer, SweepSetting

Station = Any  # the class of the fixture; tests cannot import each other

SETTING = SweepSetting(resolution_bandwidth_hz=1000.0, attenuation_db=10.0, points=20)


@pytest.fixture
def messages(station: Station) -> Messages:
    return cast(Messages, station.messages("analyzer"))


@pytest.fixture(params=list(DRIVERS["spectrum analyzer"].values()), ids=list(DRIVERS["spectrum analyzer"]))
def analyzer(request: pytest.FixtureRequest, messages: Messages) -> SpectrumAnalyzer:
    return cast(Callable[[Messages], SpectrumAnalyzer], request.param)(messages)


def test_a_prepared_analyzer_has_its_highest_attenuation_and_waits(
    analyzer: SpectrumAnalyzer, messages: Messages
) -> None:
    """Input protected, no sweep under way."""
    analyzer.prepare()

    assert messages.ask_number(":INP:ATT?") == 40.0
    assert not messages.ask_boolean(":INP:GAIN:STAT?")
    assert not messages.ask_boolean(":INP:ATT:AUTO?")
    assert not messages.ask_boolean(":INIT:CONT?")
    assert messages.ask_number(":SENS:FREQ:SPAN?") == 0.0
    assert not analyzer.input_overloaded()


def test_a_sweep_setting_is_returned_as_read_back(analyzer: SpectrumAnalyzer) -> None:
    """A value that the instrument has is not rounded."""
    analyzer.prepare()

    assert analyzer.set_sweep(SETTING) == SETTING


def test_only_what_changed_is_sent_again(analyzer: SpectrumAnalyzer, station: Station) -> None:
    """The sequencer calls this for every product; the same setting costs nothing."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    station.exchanges.clear()
    analyzer.set_sweep(SETTING)
    assert station.exchanges == []
    analyzer.set_sweep(SweepSetting(1000.0, 20.0, 20))

    told = [exchange.sent for exchange in station.exchanges if exchange.received is None]
    assert told == [b":INP:ATT 20"]


def test_preparing_again_forgets_the_setting(analyzer: SpectrumAnalyzer, messages: Messages) -> None:
    """The attenuator is at its highest then, and must be set anew."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    analyzer.prepare()
    analyzer.set_sweep(SETTING)

    assert messages.ask_number(":INP:ATT?") == 10.0


def test_a_bandwidth_out_of_range_is_refused(analyzer: SpectrumAnalyzer) -> None:
    """And the next setting is sent in full."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    with pytest.raises(Refused):
        analyzer.set_sweep(SweepSetting(1e12, 10.0, 20))

    assert analyzer.set_sweep(SETTING) == SETTING


def test_a_sweep_of_one_point_is_refused(analyzer: SpectrumAnalyzer) -> None:
    """One sample has no scatter."""
    analyzer.prepare()
    with pytest.raises(Refused, match="scatter"):
        analyzer.set_sweep(SweepSetting(1000.0, 10.0, 1))


def test_a_power_reading_has_a_level_and_its_scatter(analyzer: SpectrumAnalyzer) -> None:
    """Begin returns at once, finish waits for the sweep."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    analyzer.begin_power(60e6)
    reading = analyzer.finish_power()

    assert -200.0 < reading.level_dbm < 40.0
    assert 0.0 < reading.scatter_db < 10.0 / math.log(10.0)
    assert analyzer.drain_errors() == ()


def test_finish_without_begin_is_out_of_turn(analyzer: SpectrumAnalyzer) -> None:
    """There is no sweep to wait for."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    with pytest.raises(OutOfTurn):
        analyzer.finish_power()


def test_make_safe_stops_the_sweep_and_protects_the_input(analyzer: SpectrumAnalyzer, messages: Messages) -> None:
    """Highest attenuation, and the next sweep starts afresh."""
    analyzer.prepare()
    analyzer.set_sweep(SETTING)
    analyzer.begin_power(60e6)
    analyzer.make_safe()

    assert messages.ask_number(":INP:ATT?") == 40.0
    assert {entry.number for entry in analyzer.drain_errors()} <= {-410}
    analyzer.set_sweep(SETTING)
    analyzer.begin_power(60e6)
    assert analyzer.finish_power().level_dbm < 40.0
