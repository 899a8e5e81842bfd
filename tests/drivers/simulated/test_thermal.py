"""Chamber air and board against the laws of first- and second-order systems."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.simulated.thermal import Thermal

_RATE_K_PER_S = 4 / 60


def _thermal(error_k: float = 0.0, room_c: float = 23.0, lag_s: float = 180.0) -> Thermal:
    return Thermal(room_c, lag_s, error_k, _RATE_K_PER_S)


@given(
    st.lists(st.floats(0.1, 5000), min_size=1, max_size=20),
    st.floats(-60, 150),
    st.booleans(),
)
def test_many_small_steps_end_where_one_large_step_ends(steps: list[float], target_c: float, stop: bool) -> None:
    """The solution is exact: how often anybody looks changes nothing."""
    often, once = _thermal(), _thermal()
    for thermal in (often, once):
        thermal.set_target_c(target_c)
        thermal.switch_conditioning(on=True)
        thermal.advance(700.0)
        thermal.switch_conditioning(on=not stop)
    for step in steps:
        often.advance(step)
    once.advance(math.fsum(steps))

    assert often.air_c == pytest.approx(once.air_c, abs=1e-6)
    assert often.board_c == pytest.approx(once.board_c, abs=1e-6)


def test_the_equations_of_motion_hold() -> None:
    """An independent path: differentiate the solution numerically and put it into the equations.

    Ramp at rate r: a'' + 2ζω·a' + ω²·(a − profile) = 0 with profile r·t, and τ·b' + b = a.
    """
    thermal = _thermal(lag_s=180.0)
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    step_s, start_s = 0.05, 20.0  # early, while the transient is large
    thermal.advance(start_s - step_s)
    air, board = [], []
    for _ in range(3):
        air.append(thermal.air_c)
        board.append(thermal.board_c)
        thermal.advance(step_s)

    speed, acceleration = (air[2] - air[0]) / (2 * step_s), (air[2] - 2 * air[1] + air[0]) / step_s**2
    profile_c = 23.0 + _RATE_K_PER_S * start_s
    assert acceleration + 2 * 0.6 * 0.05 * speed + 0.05**2 * (air[1] - profile_c) == pytest.approx(0, abs=1e-6)
    assert 180.0 * (board[2] - board[0]) / (2 * step_s) + board[1] == pytest.approx(air[1], abs=1e-6)


def test_the_air_never_moves_faster_than_its_ramp_and_a_little() -> None:
    """Rate limited: 85 °C from 23 °C takes at least 15.5 minutes at 4 K/min."""
    thermal = _thermal()
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    fastest = 0.0
    for _ in range(1200):
        before = thermal.air_c
        thermal.advance(1.0)
        fastest = max(fastest, thermal.air_c - before)

    assert fastest < 1.2 * _RATE_K_PER_S
    thermal_at_15_min = _thermal()
    thermal_at_15_min.set_target_c(85.0)
    thermal_at_15_min.switch_conditioning(on=True)
    thermal_at_15_min.advance(15 * 60)
    assert thermal_at_15_min.air_c < 83.5


@pytest.mark.parametrize("target_c", [-40.0, 85.0])
def test_the_air_overshoots_a_little_and_settles(target_c: float) -> None:
    """A damped second-order system passes its target once by less than 0.5 K and ends on it."""
    thermal = _thermal()
    thermal.set_target_c(target_c)
    thermal.switch_conditioning(on=True)
    beyond = 0.0
    for _ in range(3600):
        thermal.advance(1.0)
        beyond = max(beyond, (thermal.air_c - target_c) * math.copysign(1.0, target_c - 23.0))

    assert 0.01 < beyond < 0.5
    assert thermal.air_c == pytest.approx(target_c, abs=1e-6)
    assert thermal.board_c == pytest.approx(target_c, abs=1e-3)


def test_the_chamber_is_on_target_by_its_own_sensor_and_off_by_its_error() -> None:
    """The error that the chamber cannot see: it holds the indicated air, so the true air is ``error`` below."""
    thermal = _thermal(error_k=0.4)
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    thermal.advance(4 * 3600.0)

    assert thermal.indicated_air_c == pytest.approx(85.0)
    assert thermal.air_c == pytest.approx(84.6)


def test_the_board_lags_behind_a_ramp_by_its_time_constant() -> None:
    """Steady state of a first-order lag behind a ramp: r·τ."""
    thermal = _thermal(lag_s=60.0)
    thermal.set_target_c(150.0)
    thermal.switch_conditioning(on=True)
    thermal.advance(1200.0)

    assert thermal.air_c - thermal.board_c == pytest.approx(_RATE_K_PER_S * 60.0, abs=1e-3)


def test_an_idle_chamber_drifts_to_the_room() -> None:
    """First order with an hour: 1/e of the way is left after it, nothing after a day."""
    thermal = _thermal()
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    thermal.advance(4 * 3600.0)
    thermal.switch_conditioning(on=False)
    thermal.advance(3600.0)

    assert thermal.air_c - 23.0 == pytest.approx((85.0 - 23.0) / math.e, abs=1e-6)
    thermal.advance(24 * 3600.0)
    assert thermal.air_c == pytest.approx(23.0, abs=1e-6)
    assert thermal.board_c == pytest.approx(23.0, abs=1e-6)


def test_a_new_target_in_mid_ramp_turns_the_profile_round() -> None:
    """The air does not jump, and it ends on the new target."""
    thermal = _thermal()
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    thermal.advance(300.0)
    before = thermal.air_c
    thermal.set_target_c(0.0)
    thermal.advance(1e-6)

    assert thermal.air_c == pytest.approx(before, abs=1e-4)
    thermal.advance(2 * 3600.0)
    assert thermal.air_c == pytest.approx(0.0, abs=1e-6)


def test_the_profile_starts_where_the_air_is_when_conditioning_comes_back() -> None:
    """Switched off at 85 °C and on again an hour later: it ramps from there, and not from where it was before."""
    thermal = _thermal()
    thermal.set_target_c(85.0)
    thermal.switch_conditioning(on=True)
    thermal.advance(4 * 3600.0)
    thermal.switch_conditioning(on=False)
    thermal.advance(3600.0)
    drifted_c = thermal.air_c
    thermal.switch_conditioning(on=True)
    thermal.advance(180.0)

    assert thermal.air_c == pytest.approx(drifted_c + 180.0 * _RATE_K_PER_S, abs=2.0)
