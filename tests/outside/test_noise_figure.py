"""Noise figures against closed forms and a worked example of a textbook."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.noise import BOLTZMANN_J_PER_K, NoiseReadings, by_gain, by_y_factor
from reports.uncertainty import Uncertain


def exact(value: float) -> Uncertain:
    return Uncertain.of(np.array([value]))


def read(
    *,
    figure_db: float,
    gain_db: float,
    room_k: float,
    source_k: float,
    input_loss_db: float = 0.0,
    output_loss_db: float = 0.0,
    own_dbm_per_hz: float = -300.0,
) -> NoiseReadings:
    """What an analyzer reads of a unit with this noise figure: an independent forward model, noise power by power."""
    gain, loss, into = (10 ** (level / 10) for level in (gain_db, -output_loss_db, -input_loss_db))
    added_k = 290.0 * (10 ** (figure_db / 10) - 1)
    levels = []
    for at_source_k in (room_k, source_k):
        at_input_k = at_source_k * into + room_k * (1 - into)
        in_load_k = gain * (at_input_k + added_k)
        at_connector_k = in_load_k * loss + room_k * (1 - loss)
        # The analyzer's noise is stated with a resistor at room temperature, so only what exceeds it comes on top.
        power_mw = 10 ** (own_dbm_per_hz / 10) + 1e3 * BOLTZMANN_J_PER_K * (at_connector_k - room_k)
        levels.append(10 * np.log10(power_mw))
    return NoiseReadings(
        exact(levels[0]),
        exact(levels[1]),
        exact(own_dbm_per_hz),
        exact(output_loss_db),
        exact(input_loss_db),
        room_k,
        2.0 / 3**0.5,
        np.array([source_k / 290.0 - 1.0]),
        0.0,
        np.zeros(1, dtype=np.bool_),
    )


def test_the_y_factor_of_a_textbook() -> None:
    """Sources at 290 K and 77 K give −62.0 and −64.7 dBm in 1 GHz: Y 2.7 dB, T_e 170 K, a noise figure of 2.0 dB.

    D. M. Pozar, Microwave Engineering, chapter on noise, worked example of the Y-factor (from memory, not seen; the
    arithmetic is independent of it).
    """
    room_k, bandwidth_hz = 77.0, 1e9
    thermal_mw_per_hz = 1e3 * BOLTZMANN_J_PER_K * room_k
    hot, cold = (
        exact(float(10 * np.log10(10 ** (level / 10) / bandwidth_hz - thermal_mw_per_hz))) for level in (-62.0, -64.7)
    )
    zero, none = exact(0.0), np.zeros(1, dtype=np.bool_)
    readings = NoiseReadings(cold, hot, exact(-400.0), zero, zero, room_k, 0.0, np.array([0.0]), 0.0, none)
    figure_db = by_y_factor(readings).value[0]

    assert 290.0 * (10 ** (figure_db / 10) - 1) == pytest.approx(170.0, abs=0.5)
    assert figure_db == pytest.approx(2.0, abs=0.01)


@given(
    figure_db=st.floats(0.5, 25.0),
    gain_db=st.floats(0.0, 40.0),
    room_k=st.floats(233.0, 330.0),
    excess_db=st.floats(10.0, 25.0),
    losses_db=st.tuples(st.floats(0.0, 12.0), st.floats(0.0, 15.0)),
    own_dbm_per_hz=st.floats(-165.0, -150.0),
)
def test_both_methods_find_the_figure_that_made_the_noise(
    figure_db: float,
    gain_db: float,
    room_k: float,
    excess_db: float,
    losses_db: tuple[float, float],
    own_dbm_per_hz: float,
) -> None:
    """Whatever the gain, the losses, the analyzer and the room: the methods are exact inverses of the physics."""
    readings = read(
        figure_db=figure_db,
        gain_db=gain_db,
        room_k=room_k,
        source_k=290.0 * (1 + 10 ** (excess_db / 10)),
        input_loss_db=losses_db[0],
        output_loss_db=losses_db[1],
        own_dbm_per_hz=own_dbm_per_hz,
    )

    assert by_gain(readings, exact(gain_db)).value[0] == pytest.approx(figure_db, abs=1e-4)
    assert by_y_factor(readings).value[0] == pytest.approx(figure_db, abs=1e-4)


def test_a_passive_stage_at_290_k_has_its_loss_as_noise_figure() -> None:
    """CA-07: physics at 290 K; an attenuator of 6 dB sends on as much noise as it takes in."""
    readings = read(figure_db=6.0, gain_db=-6.0, room_k=290.0, source_k=29_000.0)
    cold_w_per_hz = 10 ** (readings.cold.value[0] / 10) * 1e-3

    assert cold_w_per_hz == pytest.approx(1e-33, rel=1e-6)  # nothing but the analyzer's −300 dBm/Hz
    assert by_gain(readings, exact(-6.0)).value[0] == pytest.approx(6.0, abs=1e-9)


def test_a_cold_source_is_not_taken_for_290_k() -> None:
    """KT-03: at 233.15 K the source gives 0.95 dB less than at 290 K; taking it for 290 K would cost half a decibel."""
    readings = read(figure_db=2.0, gain_db=20.0, room_k=233.15, source_k=29_000.0)
    wrong = NoiseReadings(
        readings.cold,
        readings.hot,
        readings.own,
        readings.output_loss,
        readings.input_loss,
        290.0,
        0.0,
        readings.excess_ratio,
        0.0,
        readings.in_noise,
    )

    assert by_gain(readings, exact(20.0)).value[0] == pytest.approx(2.0, abs=1e-9)
    assert abs(by_gain(wrong, exact(20.0)).value[0] - 2.0) > 0.4


def test_friis_for_the_analyzer_behind_the_unit() -> None:
    """F_total = F1 + (F2 − 1)/G1: the analyzer as second stage, in noise powers or by the formula, gives the same.

    H. T. Friis, Noise Figures of Radio Receivers, 1944 (from memory, not seen).
    """
    own_dbm_per_hz, gain_db, figure_db = -155.0, 24.0, 8.0
    readings = read(
        figure_db=figure_db, gain_db=gain_db, room_k=290.0, source_k=29_000.0, own_dbm_per_hz=own_dbm_per_hz
    )
    # The analyzer's own noise figure, from its density with a 290 K resistor at its input.
    second = 10 ** (own_dbm_per_hz / 10) * 1e-3 / (BOLTZMANN_J_PER_K * 290.0)
    total = 10 ** (readings.cold.value[0] / 10) * 1e-3 / (BOLTZMANN_J_PER_K * 290.0 * 10 ** (gain_db / 10))
    first = total - (second - 1.0) / 10 ** (gain_db / 10)

    assert 10 * np.log10(first) == pytest.approx(figure_db, abs=1e-9)
    assert by_gain(readings, exact(gain_db)).value[0] == pytest.approx(10 * np.log10(first), abs=1e-9)
