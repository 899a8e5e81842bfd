"""What every power meter does. No power is sent to it: the sensor may hang free or on a bench with RF off."""

from __future__ import annotations

from typing import cast

import pytest

from bench.contract.station import Station
from drivers.errors import NotUnderstood, OutOfTurn
from drivers.roles import PowerMeter

ROLE = "power meter"


@pytest.fixture
def meter(station: Station, place: str) -> PowerMeter:
    return cast(PowerMeter, station.driver(place))


def reading_dbm(meter: PowerMeter) -> float | None:
    """One reading; None when what is left of zero and noise is no positive power."""
    meter.begin_reading()
    try:
        return meter.finish_reading()
    except NotUnderstood:
        return None


def test_a_zeroed_sensor_says_so_and_reads_hardly_anything(meter: PowerMeter) -> None:
    """Below −40 dBm, which is what diode sensors can tell from nothing (common practice, no source)."""
    meter.prepare(4)
    meter.zero()
    meter.set_frequency(60e6)
    level_dbm = reading_dbm(meter)

    assert meter.is_zeroed()
    assert level_dbm is None or level_dbm < -40.0
    assert meter.drain_errors() == ()


def test_another_frequency_is_taken_between_readings(meter: PowerMeter) -> None:
    """As from tone to tone: each reading is a new one."""
    meter.prepare(1)
    meter.zero()
    for frequency_hz in (45e6, 60e6, 45e6):
        meter.set_frequency(frequency_hz)
        reading_dbm(meter)

    assert meter.drain_errors() == ()


def test_finish_without_begin_is_out_of_turn(meter: PowerMeter) -> None:
    """An old reading must not be taken for a new one."""
    meter.prepare(1)
    with pytest.raises(OutOfTurn):
        meter.finish_reading()
