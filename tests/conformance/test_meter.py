"""What every meter does."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.catalogue import DRIVERS
from drivers.errors import OutOfTurn
from drivers.messages import Messages
from drivers.roles import Meter, MeterQuantity

Station = Any  # the class of the fixture; tests cannot import each other
MeterClass = Callable[[Messages], Meter]

CLASSES = [pytest.param(made, id=word) for word, made in DRIVERS["meter"].items()]


@pytest.mark.parametrize("made", CLASSES)
@pytest.mark.parametrize(
    ("place", "quantity", "lowest", "highest"),
    [("current_meter", "current", -0.01, 0.5), ("board_thermometer", "temperature", 15.0, 30.0)],
)
def test_a_reading_is_begun_and_finished(
    station: Station, made: MeterClass, place: str, quantity: MeterQuantity, lowest: float, highest: float
) -> None:
    """Amperes of a unit that is off or on, degrees Celsius of a board at room temperature."""
    meter = made(station.messages(place))
    meter.prepare(quantity)
    meter.begin_reading()

    assert lowest <= meter.finish_reading() <= highest
    assert meter.drain_errors() == ()


@pytest.mark.parametrize("made", CLASSES)
def test_finish_without_begin_is_out_of_turn(station: Station, made: MeterClass) -> None:
    """An old reading must not be taken for a new one."""
    meter = made(station.messages("current_meter"))
    meter.prepare("current")
    with pytest.raises(OutOfTurn):
        meter.finish_reading()


@pytest.mark.parametrize("made", CLASSES)
def test_two_meters_work_at_once(station: Station, made: MeterClass) -> None:
    """Begin both, then finish both: together they take the time of one, 0.04 s on the simulated bench."""
    ammeter, thermometer = made(station.messages("current_meter")), made(station.messages("board_thermometer"))
    ammeter.prepare("current")
    thermometer.prepare("temperature")
    began_s = station.clock.elapsed_s()
    ammeter.begin_reading()
    thermometer.begin_reading()

    assert 15.0 < thermometer.finish_reading() < 30.0
    assert ammeter.finish_reading() < 0.5
    assert station.clock.elapsed_s() - began_s < 0.06
