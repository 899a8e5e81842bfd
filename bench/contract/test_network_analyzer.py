"""What every network analyzer does."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import NotUnderstood, Refused
from drivers.roles import NetworkAnalyzer, NetworkSetting

ROLE = "network analyzer"

EVEN = (20e6, 40e6, 60e6, 80e6)
UNEVEN = (20e6, 45e6, 60e6, 75e6, 150e6)


@pytest.fixture
def analyzer(station: Station, place: str) -> NetworkAnalyzer:
    return cast(NetworkAnalyzer, station.driver(place))


def test_a_prepared_network_analyzer_is_off(analyzer: NetworkAnalyzer) -> None:
    """Whatever it was at power-up."""
    analyzer.prepare(0.0)

    assert not analyzer.output_is_on()
    assert analyzer.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_preparing_it_again_switches_it_off(analyzer: NetworkAnalyzer) -> None:
    """Whatever it was before."""
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.switch_output(on=True)
    analyzer.prepare(0.0)

    assert not analyzer.output_is_on()
    assert analyzer.drain_errors() == ()


@pytest.mark.usefixtures("energy")
def test_its_source_switches_on_and_off_and_says_so(analyzer: NetworkAnalyzer) -> None:
    """Read back, not remembered."""
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.switch_output(on=True)
    assert analyzer.output_is_on()
    analyzer.switch_output(on=False)

    assert not analyzer.output_is_on()


def test_power_and_bandwidth_are_returned_as_read_back(analyzer: NetworkAnalyzer, station: Station) -> None:
    """Power within half a step of 0.1 dB, bandwidth as the instrument has it."""
    analyzer.prepare(0.0)
    held = analyzer.set_sweep(NetworkSetting(-30.0, 300.0))

    assert held.power_dbm == pytest.approx(-30.0, abs=0.06)
    assert held.bandwidth_hz == pytest.approx(300.0, rel=station.values.rounding, abs=0.0)
    assert analyzer.drain_errors() == ()


def test_a_power_above_the_ceiling_is_refused_and_never_sent(analyzer: NetworkAnalyzer, station: Station) -> None:
    """The ceiling protects the unit even if the instrument has none of its own."""
    analyzer.prepare(-10.0)
    before = len(station.exchanges)
    with pytest.raises(Refused, match="ceiling"):
        analyzer.set_sweep(NetworkSetting(-9.9, 300.0))

    assert len(station.exchanges) == before


def test_no_power_is_taken_before_a_ceiling_is_set(analyzer: NetworkAnalyzer, station: Station) -> None:
    """Nobody has said yet what is too much."""
    before = len(station.exchanges)
    with pytest.raises(Refused):
        analyzer.set_sweep(NetworkSetting(-60.0, 300.0))

    assert len(station.exchanges) == before


def test_a_ceiling_that_the_instrument_cannot_keep_is_refused(analyzer: NetworkAnalyzer) -> None:
    """Out of its range: −222 or another value on read-back."""
    with pytest.raises(Refused):
        analyzer.prepare(500.0)
    with pytest.raises(Refused):
        analyzer.set_sweep(NetworkSetting(-60.0, 300.0))


@pytest.mark.parametrize("frequencies_hz", [EVEN, UNEVEN, EVEN[:2]], ids=["even", "uneven", "two points"])
def test_a_sweep_gives_four_parameters_at_the_frequencies_asked_for(
    analyzer: NetworkAnalyzer, frequencies_hz: tuple[float, ...]
) -> None:
    """Evenly spaced or as a list; one complex number for each frequency."""
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.set_frequencies(frequencies_hz)
    analyzer.begin_sweep()
    read = analyzer.finish_sweep()

    assert read.frequencies_hz == frequencies_hz
    assert {len(values) for values in (read.s11, read.s21, read.s12, read.s22)} == {len(frequencies_hz)}
    assert analyzer.drain_errors() == ()


def test_frequencies_can_be_changed_between_sweeps(analyzer: NetworkAnalyzer) -> None:
    """From a list to an even sweep and back, each with its own number of points."""
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    counts = []
    for frequencies_hz in (UNEVEN, EVEN, UNEVEN):
        analyzer.set_frequencies(frequencies_hz)
        analyzer.begin_sweep()
        counts.append(len(analyzer.finish_sweep().s21))

    assert counts == [5, 4, 5]


@pytest.mark.parametrize("frequencies_hz", [(), (60e6,), (60e6, 60e6), (80e6, 60e6)])
def test_frequencies_that_make_no_sweep_are_refused_and_never_sent(
    analyzer: NetworkAnalyzer, station: Station, frequencies_hz: tuple[float, ...]
) -> None:
    """Fewer than two, or not rising."""
    before = len(station.exchanges)
    with pytest.raises(Refused):
        analyzer.set_frequencies(frequencies_hz)

    assert len(station.exchanges) == before


def test_frequencies_out_of_range_are_refused(analyzer: NetworkAnalyzer) -> None:
    """−222, and no sweep at other frequencies than those asked for."""
    analyzer.prepare(0.0)
    with pytest.raises(Refused):
        analyzer.set_frequencies((20e6, 9e15))
    analyzer.begin_sweep()

    with pytest.raises(NotUnderstood, match="no sweep"):
        analyzer.finish_sweep()


@pytest.mark.usefixtures("energy")
def test_make_safe_switches_its_source_off(analyzer: NetworkAnalyzer) -> None:
    """Energy is removed."""
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.switch_output(on=True)
    analyzer.make_safe()

    assert not analyzer.output_is_on()
