"""Entries of meters: what may be said of range, integration and sensor, and what contradicts itself."""

from __future__ import annotations

import pytest
from pydantic import ValidationError

from sequences.meter_entries import CurrentMeterEntry, ThermometerEntry

WHERE = {"resource": "TCPIP0::meter.example::5025::SOCKET"}
CURRENT = {**WHERE, "accuracy": {"offset_a": 2e-5, "gain": 5e-4, "noise_a": 1e-5}}
TEMPERATURE = {**WHERE, "accuracy": {"temperature_k": 0.2}}


def test_a_meter_of_which_nothing_is_said_is_as_it_always_was() -> None:
    """Older bench files: automatic range, one cycle of the mains, the sensor that the meter is set up for."""
    ammeter = CurrentMeterEntry.model_validate(CURRENT)
    thermometer = ThermometerEntry.model_validate(TEMPERATURE)

    assert (ammeter.range_a, ammeter.integration_cycles, ammeter.whole_reading_s) == (None, 1.0, 0.04)
    assert (thermometer.sensor, thermometer.wires, thermometer.integration_cycles) == (None, None, 1.0)


def test_ten_times_the_cycles_take_ten_times_as_long_and_leave_a_root_of_ten_less_noise() -> None:
    """White noise: the mean over n cycles has 1/√n of the standard deviation (JCGM 100:2008, 4.2.3)."""
    entry = CurrentMeterEntry.model_validate({**CURRENT, "integration_cycles": 10})

    assert entry.whole_reading_s == pytest.approx(0.4)
    assert entry.noise_a == pytest.approx(1e-5 / 10**0.5)


@pytest.mark.parametrize("wires", [2, 4])
@pytest.mark.parametrize("sensor", ["Pt100", "Pt1000"])
def test_a_resistance_sensor_has_two_wires_or_four(sensor: str, wires: int) -> None:
    """Both are met."""
    entry = ThermometerEntry.model_validate({**TEMPERATURE, "sensor": sensor, "wires": wires})

    assert (entry.sensor, entry.wires) == (sensor, wires)


@pytest.mark.parametrize("letter", "BEJKNRST")
def test_thermocouples_go_by_their_letters(letter: str) -> None:
    """IEC 60584-1 has these eight (from memory, not seen; it has C and A too)."""
    assert ThermometerEntry.model_validate({**TEMPERATURE, "sensor": f"thermocouple {letter}", "wires": 2})


@pytest.mark.parametrize(
    ("said", "problem"),
    [
        ({"sensor": "thermocouple K", "wires": 4}, "a thermocouple K has two wires, found wires = 4"),
        ({"wires": 4}, "wires goes only with sensor"),
        ({"sensor": "Pt100", "wires": 3}, "wires"),
        ({"sensor": "thermocouple X"}, "sensor"),
        ({"integration_cycles": 0.02}, "integration_cycles"),
        ({"range_a": 1.0}, "range_a"),
    ],
)
def test_what_contradicts_itself_is_refused(said: dict[str, object], problem: str) -> None:
    """A wrong sensor reads a wrong temperature without a word."""
    with pytest.raises(ValidationError, match=problem):
        ThermometerEntry.model_validate({**TEMPERATURE, **said})


@pytest.mark.parametrize("said", [{"range_a": 0}, {"sensor": "Pt100"}, {"wires": 2}, {"integration_cycles": 0.5}])
def test_a_current_meter_has_no_sensor_and_a_range_above_zero(said: dict[str, object]) -> None:
    """Keys that mean nothing there are a misunderstanding."""
    with pytest.raises(ValidationError, match=next(iter(said))):
        CurrentMeterEntry.model_validate({**CURRENT, **said})
