"""What the unit's temperature adds to supply figures; the meters' part is tested on whole nights in test_derive."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reports import supply
from reports.frames import AXES
from reports.partners import Grid
from reports.uncertainty import Uncertain
from reports.wide_readings import WideReadings
from sequences.bench_file import Instruments
from sequences.sequence_file import Soak

SUPPLY = {
    "resource": "TCPIP0::one.example::5025::SOCKET",
    "highest_voltage_v": 20.0,
    "highest_current_a": 2.0,
    "accuracy": {"voltage_v": 0.0, "voltage_reading_v": 0.0, "current_a": 0.0},
}
METER = {"resource": "TCPIP0::four.example::5025::SOCKET"}
THERMOMETER = {"resource": "TCPIP0::two.example::5025::SOCKET", "accuracy": {"temperature_k": 0.3}}
CHAMBER = {
    "resource": "TCPIP0::three.example::5025::SOCKET",
    "temperature_c": {"min": -60.0, "max": 150.0},
    "ramp_k_per_min": 4.0,
    "accuracy": {"temperature_k": 0.4},
}

TEMPERATURES_C = np.array([-40.0, 25.0, 85.0])
CURRENT_A = 0.2 + 1e-4 * (TEMPERATURES_C - 25.0)
"""0.1 mA/K."""


def _grid(temperatures_c: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Grid:
    rows = [("A", 0, temperature, "nominal", 200.0, 3.0, 60e6) for temperature in temperatures_c]
    return Grid.of(pd.DataFrame(rows, columns=list(AXES)))


def _current(places: dict[str, object], readings: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]) -> Uncertain:
    instruments = Instruments.model_validate({"supply": SUPPLY, **places}, strict=False)
    rows = len(readings["supply_current_a"])
    wide = WideReadings(readings, {}, {}, rows)
    return supply.current(wide, instruments, _grid(TEMPERATURES_C[:rows]), Soak(air_within_k=0.7))


def test_a_board_off_its_temperature_is_corrected_with_the_currents_slope() -> None:
    """0.6 K too cold at 0.1 mA/K: 0.06 ± 0.015 mA are put back; the thermometer's ±0.3 K are another ±0.03 mA."""
    board_c = TEMPERATURES_C + np.array([0.0, 0.0, -0.6])
    readings = {"supply_current_a": CURRENT_A, "board_temperature_c": board_c}
    corrected = _current({"board_thermometer": THERMOMETER}, readings)
    lines = {line.cause: line.contribution for line in corrected.budget(2)}

    np.testing.assert_allclose(corrected.value, CURRENT_A + np.array([0.0, 0.0, 0.06e-3]))
    assert lines["slope over temperature"] == pytest.approx(0.015e-3 / 3**0.5)
    assert lines["board thermometer"] == pytest.approx(0.03e-3 / 3**0.5)


def test_the_thermometers_error_cancels_in_the_change_of_a_straight_current() -> None:
    """The same error at both temperatures moves both currents alike; what each correction may be off does not."""
    board_c = TEMPERATURES_C + np.array([0.3, 0.4, -0.6])
    readings = {"supply_current_a": CURRENT_A, "board_temperature_c": board_c}
    current = _current({"board_thermometer": THERMOMETER}, readings)
    rows, change = supply.change(current, _grid(TEMPERATURES_C), 25.0)
    lines = [(line.cause, line.contribution) for line in change.budget(int(np.flatnonzero(rows == 2)[0]))]
    slopes = [contribution for cause, contribution in lines if cause == "slope over temperature"]

    assert "board thermometer" not in dict(lines)
    assert slopes == pytest.approx([0.015e-3 / 3**0.5, 0.01e-3 / 3**0.5])


def test_of_a_bent_current_the_thermometers_error_leaves_what_the_slopes_differ_by() -> None:
    """0.1 mA/K at 25 °C and 0.22 mA/K at 85 °C: of ±0.3 K the change keeps 0.12 mA/K times that."""
    bent_a = 0.2 + 1e-4 * (TEMPERATURES_C - 25.0) + 1e-6 * (TEMPERATURES_C - 25.0) ** 2
    current = _current(
        {"board_thermometer": THERMOMETER}, {"supply_current_a": bent_a, "board_temperature_c": TEMPERATURES_C}
    )
    rows, change = supply.change(current, _grid(TEMPERATURES_C), 25.0)
    lines = {line.cause: line.contribution for line in change.budget(int(np.flatnonzero(rows == 2)[0]))}

    assert lines["board thermometer"] == pytest.approx(0.12e-3 * 0.3 / 3**0.5)


def test_with_two_temperatures_the_slope_may_be_more_at_one_end_and_less_at_the_other() -> None:
    """0.1 mA/K over 65 K: ±0.6 %/K of each correction, one draw, so that for a board 0.4 K too warm at both ends the
    change keeps twice that; and of the thermometer's ±0.3 K the part that cancels along a straight line only.
    """
    board_c = TEMPERATURES_C[:2] + 0.4
    readings = {"supply_current_a": CURRENT_A[:2], "board_temperature_c": board_c}
    current = _current({"board_thermometer": THERMOMETER}, readings)
    rows, change = supply.change(current, _grid(TEMPERATURES_C[:2]), 25.0)
    cold = {line.cause: line.contribution for line in current.budget(0)}
    changed = {line.cause: line.contribution for line in change.budget(int(np.flatnonzero(rows == 0)[0]))}
    bend = 65 * 0.006 / 3**0.5

    assert cold["bend over temperature"] == pytest.approx(0.04e-3 * bend)
    assert changed["bend over temperature"] == pytest.approx(2 * 0.04e-3 * bend)
    assert changed["board thermometer and bend"] == pytest.approx(2 * 0.03e-3 / 3**0.5 * bend)
    assert "board thermometer" not in changed
    assert "slope over temperature" not in cold


def test_a_condition_without_its_board_reading_counts_the_tolerance_of_the_soak() -> None:
    """Nothing is corrected there; the board was within 1 K by the rule."""
    board_c = TEMPERATURES_C + np.array([np.nan, 0.0, 0.0])
    readings = {"supply_current_a": CURRENT_A, "board_temperature_c": board_c}
    corrected = _current({"board_thermometer": THERMOMETER}, readings)
    lines = {line.cause: line.contribution for line in corrected.budget(0)}

    assert corrected.value[0] == CURRENT_A[0]
    assert lines["unit off its temperature"] == pytest.approx(0.1e-3 * 1.0 / 3**0.5)


def test_without_a_board_thermometer_the_soak_rule_and_the_chamber_stand_for_it() -> None:
    """Air within 0.7 K by a sensor within 0.4 K: the unit may be 1.1 K off."""
    lines = {
        line.cause: line.contribution
        for line in _current({"chamber": CHAMBER}, {"supply_current_a": CURRENT_A}).budget(0)
    }

    assert lines["unit off its temperature"] == pytest.approx(0.1e-3 * 1.1 / 3**0.5)


def test_one_temperature_has_no_slope_to_count_with() -> None:
    """At a single temperature nothing is known of the slope, and the temperature adds nothing."""
    lines = {
        line.cause: line.contribution
        for line in _current({"chamber": CHAMBER}, {"supply_current_a": CURRENT_A[:1]}).budget(0)
    }

    assert lines.get("unit off its temperature", 0.0) == 0.0


@pytest.mark.parametrize(("cycles", "noise_a"), [(1, 1e-4), (100, 1e-5)])
def test_a_meters_noise_counts_where_no_repeats_show_it(cycles: float, noise_a: float) -> None:
    """What the bench file says of one cycle of the mains, less by the root of the cycles; one draw for each reading."""
    accuracy = {"offset_a": 0.0, "gain": 0.0, "noise_a": 1e-4}
    meter = {**METER, "accuracy": accuracy, "integration_cycles": cycles}
    readings = {"supply_current_a": CURRENT_A}
    current = _current({"current_meter": meter, "board_thermometer": THERMOMETER}, readings)
    lines = {line.cause: line.contribution for line in current.budget(0)}

    assert lines["current meter noise"] == pytest.approx(noise_a)


def test_a_meters_noise_is_not_counted_beside_the_repeats_that_show_it() -> None:
    """Twice would be too much."""
    meter = {**METER, "accuracy": {"offset_a": 0.0, "gain": 0.0, "noise_a": 1e-4}}
    instruments = Instruments.model_validate({"current_meter": meter}, strict=False)
    spread, repeats = np.full(3, 2e-4), np.full(3, 2.0)
    wide = WideReadings({"supply_current_a": CURRENT_A}, {"supply_current_a": spread}, {"supply_current_a": repeats}, 3)
    causes = supply.current(wide, instruments, _grid(TEMPERATURES_C), Soak(air_within_k=0.7)).causes

    assert "current meter noise" not in causes
    assert "repeats" in " ".join(causes)
