"""What every meter does."""

from __future__ import annotations

from typing import Final, cast

import pytest

from bench.contract.station import Station
from drivers.errors import OutOfTurn
from drivers.meter_setting import MeterQuantity
from drivers.roles import Meter

ROLE = "meter"

QUANTITIES: Final[dict[str, MeterQuantity]] = {"current_meter": "current", "board_thermometer": "temperature"}


@pytest.fixture
def meter(station: Station, place: str) -> Meter:
    return cast(Meter, station.driver(place))


def test_a_reading_is_begun_and_finished(meter: Meter, station: Station, place: str) -> None:
    """Amperes of a unit that is off or on, degrees Celsius of a board at room temperature."""
    quantity = QUANTITIES[place]
    lowest, highest = (-0.01, 0.5) if quantity == "current" else station.values.room_c
    meter.prepare(quantity)
    meter.begin_reading()

    assert lowest <= meter.finish_reading() <= highest
    assert meter.drain_errors() == ()


def test_finish_without_begin_is_out_of_turn(meter: Meter, place: str) -> None:
    """An old reading must not be taken for a new one."""
    meter.prepare(QUANTITIES[place])
    with pytest.raises(OutOfTurn):
        meter.finish_reading()
