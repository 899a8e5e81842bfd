"""The simulated power meter: total power behind a coupler, with the errors that its bench declares."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import PowerMeterSetup, RigSetup

Tell = Callable[[str, str], None]
Ask = Callable[[str, str], str]

#: No errors but noise that is far below every level here.
IDEAL = PowerMeterSetup(0.0, 0.0, -90.0, lambda hz: 20.0 + hz / 1e9, 0.0, highest_input_dbm=20.0)


@pytest.fixture
def meter() -> PowerMeterSetup:
    return IDEAL


@pytest.fixture
def setup(setup: RigSetup, meter: PowerMeterSetup) -> RigSetup:
    """The small bench with a power meter, and sources without errors of their own."""
    exact = {place: replace(getattr(setup, place), level_db=0.0, setting_db=0.0) for place in ("tone_1", "tone_2")}
    return replace(setup, power_meter=meter, **exact)


@pytest.fixture
def read(tell: Tell, ask: Ask) -> Callable[[], float]:
    """One reading in dBm of a meter that has been zeroed."""
    assert ask("power_meter", "CAL:ZERO:AUTO ONCE;*OPC?") == "1"

    def reading() -> float:
        tell("power_meter", "INIT")
        return float(ask("power_meter", "FETC?"))

    return reading


def emit(tell: Tell, place: str, level_dbm: float, frequency_hz: float) -> None:
    tell(place, f"FREQ {frequency_hz};POW {level_dbm};:OUTP ON")


def test_one_tone_is_read_behind_the_coupler(tell: Tell, read: Callable[[], float]) -> None:
    """Level of the source less the coupling at its frequency: 20.06 dB at 60 MHz."""
    emit(tell, "tone_1", -3.0, 60e6)

    assert read() == pytest.approx(-23.06, abs=1e-4)


def test_two_tones_are_read_as_their_power_together(tell: Tell, read: Callable[[], float]) -> None:
    """Why each must be read alone: equal tones read 10·log10(2) too high."""
    for place in ("tone_1", "tone_2"):
        emit(tell, place, -3.0, 60e6)

    assert read() == pytest.approx(-23.06 + 10 * math.log10(2), abs=1e-4)


@pytest.mark.parametrize("meter", [replace(IDEAL, level_db=0.2, linearity_db_per_10db=0.1)])
def test_errors_are_a_constant_and_a_slope_from_0_dbm(
    rig: Rig, tell: Tell, read: Callable[[], float], meter: PowerMeterSetup
) -> None:
    """As the bench file declares them, drawn once."""
    sensor = rig.power_sensor
    assert sensor is not None
    assert 0 < abs(sensor.level_error_db) <= 0.2
    assert 0 < abs(sensor.linearity_error_db_per_10db) <= 0.1
    for level_dbm in (10.0, -10.0):
        emit(tell, "tone_1", level_dbm, 60e6)
        true_dbm = level_dbm - 20.06
        error_db = sensor.level_error_db + sensor.linearity_error_db_per_10db * true_dbm / 10

        assert read() == pytest.approx(true_dbm + error_db, abs=1e-4)


def test_the_coupler_errs_by_one_draw_within_its_certificate(setup: RigSetup, rig: Rig) -> None:
    """Normal with U/2, the same at all frequencies and for both sources."""
    uncertain = replace(IDEAL, coupling_uncertainty_db=0.2)
    benches = [Rig(replace(setup, seed=seed, power_meter=uncertain), rig.clock) for seed in range(200)]
    errors = [one.power_sensor.coupling_error_db for one in benches if one.power_sensor]

    assert len(set(errors)) == 200
    assert 0.08 < math.sqrt(sum(error**2 for error in errors) / 200) < 0.12


def test_a_sensor_is_not_zeroed_at_power_up_and_says_so(tell: Tell, ask: Ask) -> None:
    """Bit 8 of STATus:QUEStionable, calibration (SCPI-1999 Vol 2, 20.3, from a quotation); zeroing clears it."""
    assert ask("power_meter", "STAT:QUES:COND?") == "256"
    tell("power_meter", "CAL:ZERO:AUTO ONCE")

    assert ask("power_meter", "STAT:QUES:COND?") == "0"
    assert ask("power_meter", "*OPC?") == "1"


def test_zeroing_under_power_is_refused_and_loses_the_zero(tell: Tell, ask: Ask, read: Callable[[], float]) -> None:
    """Otherwise the tone's own power would be taken off every later reading."""
    emit(tell, "tone_1", 0.0, 60e6)
    tell("power_meter", "CAL:ZERO:AUTO ONCE")

    assert ask("power_meter", "SYST:ERR?").startswith("-221,")
    assert ask("power_meter", "STAT:QUES:COND?") == "256"


def test_no_power_is_no_level_or_a_very_low_one(tell: Tell, ask: Ask, read: Callable[[], float]) -> None:
    """Noise below nothing has no logarithm: not-a-number (SCPI-1999 Vol 1, 7.2.1.5)."""
    readings = [read() for _ in range(20)]

    assert {value for value in readings if value > -85.0} == {9.91e37}
    assert any(value < -85.0 for value in readings)


@pytest.mark.parametrize("setting", ["FREQ 45E6", "AVER:COUN 4", "AVER ON"])
def test_an_old_reading_is_not_handed_out_after_a_change(
    tell: Tell, ask: Ask, read: Callable[[], float], setting: str
) -> None:
    """−230, and no reply."""
    emit(tell, "tone_1", 0.0, 60e6)
    read()
    tell("power_meter", setting)
    tell("power_meter", "FETC?")

    assert ask("power_meter", "SYST:ERR?").startswith("-230,")


def test_watts_are_read_when_asked_for(tell: Tell, ask: Ask, read: Callable[[], float]) -> None:
    """−20.06 dBm is 9.86 µW."""
    emit(tell, "tone_1", 0.0, 60e6)
    tell("power_meter", "UNIT:POW W")

    assert read() == pytest.approx(1e-3 * 10**-2.006, rel=1e-4)


def test_continuous_readings_cannot_be_started(tell: Tell, ask: Ask) -> None:
    """−213."""
    tell("power_meter", "INIT:CONT ON;:INIT")

    assert ask("power_meter", "SYST:ERR?").startswith("-213,")


@pytest.mark.parametrize("meter", [replace(IDEAL, coupling_db=lambda _: -10.0)])
def test_more_than_the_sensor_stands_is_noted(rig: Rig, tell: Tell, read: Callable[[], float]) -> None:
    """As for every other rating of the bench."""
    emit(tell, "tone_1", 15.0, 60e6)
    read()

    assert rig.exceeded["power sensor input"] == pytest.approx(25.0)


def test_averaging_takes_its_time(rig: Rig, tell: Tell, ask: Ask) -> None:
    """Each average one reading more."""
    tell("power_meter", "AVER:COUN 50;:AVER ON")
    began_s = rig.clock.elapsed_s()
    tell("power_meter", "INIT")
    ask("power_meter", "*OPC?")

    assert rig.clock.elapsed_s() - began_s == pytest.approx(50 * 0.02, abs=0.01)
