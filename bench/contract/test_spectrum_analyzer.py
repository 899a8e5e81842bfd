"""What every spectrum analyzer does."""

from __future__ import annotations

import contextlib
import math
from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import NotUnderstood, OutOfTurn, Refused
from drivers.messages import Messages
from drivers.roles import SpectrumAnalyzer, SweepSetting

ROLE = "spectrum analyzer"


@pytest.fixture
def setting(station: Station) -> SweepSetting:
    """A setting that the analyzer has."""
    values = station.values
    return SweepSetting(values.bandwidth_hz, values.attenuations_db[0], values.points)


@pytest.fixture
def analyzer(station: Station, place: str) -> SpectrumAnalyzer:
    return cast(SpectrumAnalyzer, station.driver(place))


def test_a_prepared_analyzer_is_not_overloaded(analyzer: SpectrumAnalyzer) -> None:
    """Nothing is switched on."""
    analyzer.prepare()

    assert not analyzer.input_overloaded()
    assert analyzer.drain_errors() == ()


def test_a_prepared_analyzer_has_its_highest_attenuation_and_waits(
    analyzer: SpectrumAnalyzer, standard: Messages, station: Station
) -> None:
    """Input protected, no sweep under way."""
    analyzer.prepare()

    assert standard.ask_number(":INP:ATT?") == station.values.attenuations_db[-1]
    assert not standard.ask_boolean(":INP:GAIN:STAT?")
    assert not standard.ask_boolean(":INP:ATT:AUTO?")
    assert not standard.ask_boolean(":INIT:CONT?")
    assert standard.ask_number(":SENS:FREQ:SPAN?") == 0.0


def test_a_sweep_setting_is_returned_as_read_back(
    analyzer: SpectrumAnalyzer, setting: SweepSetting, station: Station
) -> None:
    """A value that the instrument has is not rounded."""
    analyzer.prepare()
    held = analyzer.set_sweep(setting)

    assert held.resolution_bandwidth_hz == setting.resolution_bandwidth_hz
    assert held.attenuation_db == setting.attenuation_db
    assert held.points == pytest.approx(setting.points, rel=station.values.rounding, abs=0)


def test_only_what_changed_is_sent_again(
    analyzer: SpectrumAnalyzer, standard: Messages, station: Station, setting: SweepSetting
) -> None:
    """The sequencer calls this for every product; the same setting costs nothing."""
    other_db = station.values.attenuations_db[1]
    analyzer.prepare()
    analyzer.set_sweep(setting)
    station.exchanges.clear()
    analyzer.set_sweep(setting)
    assert station.exchanges == []
    analyzer.set_sweep(SweepSetting(setting.resolution_bandwidth_hz, other_db, setting.points))

    told = [exchange.sent for exchange in station.exchanges if exchange.received is None]
    assert len(told) == 1
    assert standard.ask_number(":INP:ATT?") == other_db


def test_preparing_again_forgets_the_setting(
    analyzer: SpectrumAnalyzer, standard: Messages, setting: SweepSetting
) -> None:
    """The attenuator is at its highest then, and must be set anew."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    analyzer.prepare()
    analyzer.set_sweep(setting)

    assert standard.ask_number(":INP:ATT?") == setting.attenuation_db


def test_a_bandwidth_out_of_range_is_refused(analyzer: SpectrumAnalyzer, setting: SweepSetting) -> None:
    """And the next setting is sent in full."""
    analyzer.prepare()
    held = analyzer.set_sweep(setting)
    with pytest.raises(Refused):
        analyzer.set_sweep(SweepSetting(1e12, setting.attenuation_db, setting.points))

    assert analyzer.set_sweep(setting) == held


def test_a_sweep_of_one_point_is_refused(analyzer: SpectrumAnalyzer, setting: SweepSetting) -> None:
    """One sample has no scatter."""
    analyzer.prepare()
    with pytest.raises(Refused, match="scatter"):
        analyzer.set_sweep(SweepSetting(setting.resolution_bandwidth_hz, setting.attenuation_db, 1))


def test_a_power_reading_has_a_level_and_its_scatter(analyzer: SpectrumAnalyzer, setting: SweepSetting) -> None:
    """Begin returns at once, finish waits for the sweep."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    analyzer.begin_power(60e6)
    reading = analyzer.finish_power()

    assert -200.0 < reading.level_dbm < 40.0
    assert 0.0 < reading.scatter_db < 10.0 / math.log(10.0)
    assert analyzer.drain_errors() == ()


def test_finish_without_begin_is_out_of_turn(analyzer: SpectrumAnalyzer, setting: SweepSetting) -> None:
    """There is no sweep to wait for."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    with pytest.raises(OutOfTurn):
        analyzer.finish_power()


def test_make_safe_stops_the_sweep_and_the_next_one_starts_afresh(
    analyzer: SpectrumAnalyzer, setting: SweepSetting
) -> None:
    """What the sweep leaves in the queue is that its reply was not read."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    analyzer.begin_power(60e6)
    analyzer.make_safe()

    assert {entry.number for entry in analyzer.drain_errors()} <= {-410}
    analyzer.set_sweep(setting)
    analyzer.begin_power(60e6)
    assert analyzer.finish_power().level_dbm < 40.0


def test_make_safe_protects_the_input(
    analyzer: SpectrumAnalyzer, standard: Messages, station: Station, setting: SweepSetting
) -> None:
    """Highest attenuation."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    analyzer.begin_power(60e6)
    analyzer.make_safe()

    assert standard.ask_number(":INP:ATT?") == station.values.attenuations_db[-1]


def test_a_reference_level_is_not_held_lower_than_asked_for(analyzer: SpectrumAnalyzer) -> None:
    """What is above it is cut off, and would read as a weaker line."""
    analyzer.prepare()

    assert analyzer.set_reference_level(-10.0) >= -11.0
    assert analyzer.drain_errors() == ()


def test_after_a_look_at_a_span_zero_span_is_as_before(
    analyzer: SpectrumAnalyzer, standard: Messages, setting: SweepSetting
) -> None:
    """A power reading over a span would be a mean over everything in it."""
    analyzer.prepare()
    held = analyzer.set_sweep(setting)
    with contextlib.suppress(NotUnderstood):  # noise alone may be highest at an end of the span
        analyzer.find_peak(60e6, 10 * setting.resolution_bandwidth_hz)
    again = analyzer.set_sweep(setting)

    assert again == held
    assert standard.ask_number(":SENS:FREQ:SPAN?") == 0.0
    analyzer.begin_power(60e6)
    assert analyzer.finish_power().scatter_db > 0.0


def test_a_span_that_is_too_wide_for_the_bandwidth_is_refused(
    analyzer: SpectrumAnalyzer, setting: SweepSetting
) -> None:
    """A line would fall between two points."""
    analyzer.prepare()
    analyzer.set_sweep(setting)
    with pytest.raises(Refused, match="too wide"):
        analyzer.find_peak(60e6, 1e5 * setting.resolution_bandwidth_hz)


def test_a_span_needs_a_setting(analyzer: SpectrumAnalyzer) -> None:
    """Bandwidth and attenuation are not left to chance."""
    analyzer.prepare()
    with pytest.raises(Refused, match="sweep setting"):
        analyzer.find_peak(60e6, 1e4)
