"""What every meter does, and that two of them work at once."""

from bench.contract.station import Station
from bench.contract.test_meter import *  # noqa: F403 - pytest collects the suite's tests here, on the stations of conftest


def test_two_meters_work_at_once(station: Station) -> None:
    """Begin both, then finish both: together they take the time of one, 0.04 s on the simulated bench."""
    ammeter, thermometer = station.driver("current_meter"), station.driver("board_thermometer")
    ammeter.prepare("current")
    thermometer.prepare("temperature")
    began_s = station.clock.elapsed_s()
    ammeter.begin_reading()
    thermometer.begin_reading()

    assert 15.0 < thermometer.finish_reading() < 30.0
    assert ammeter.finish_reading() < 0.5
    assert station.clock.elapsed_s() - began_s < 0.06
