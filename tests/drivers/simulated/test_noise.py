"""Noise and products of the sources on the simulated bench: thermodynamics, and what reaches the analyzer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.amplifier import level_dbm
from drivers.simulated.analyzer import SweepState
from drivers.simulated.front_ends import front_ends
from drivers.simulated.noise import BOLTZMANN_J_PER_K, excess_at_connector_w_per_hz, noise_figure_db, source_k
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import NoiseSourceSetup, RigSetup

ROOM_K = 23.0 + 273.15


def powered(setup: RigSetup, clock: SimulatedClock, *, tones: bool = False) -> Rig:
    """Bias on, channel A into 200 Ω at code 0; both tones at −13.8 dBm where wanted."""
    exact = tuple(replace(entry, uncertainty_db=0.0) for entry in setup.path_losses)
    rig = Rig(replace(setup, path_losses=exact), clock)
    ends = front_ends(rig)
    messages = [("load_switch", "ROUT:CLOS (@103)"), ("channel_switch", "ROUT:CLOS (@201)")]
    messages += [("supply", text) for text in ("VOLT 5", "CURR 0.3", "OUTP ON") if not setup.through]
    for place, frequency in (("tone_1", "59.5 MHZ"), ("tone_2", "60.5 MHZ")):
        messages.append((place, f"FREQ {frequency};POW -13.8;:OUTP {'ON' if tones else 'OFF'}"))
    for place, text in messages:
        ends[place].receive(f"{text}\n".encode())
    return rig


def excess_k(rig: Rig) -> float:
    """Excess noise temperature at the connector."""
    return excess_at_connector_w_per_hz(rig, rig.operating(), 60e6) / BOLTZMANN_J_PER_K


def test_noise_in_the_load_is_what_the_noise_figure_says(setup: RigSetup, clock: SimulatedClock) -> None:
    """k·G·(T_room + (F − 1)·290 K) in the load, less what a resistor would give, behind 11 dB."""
    rig = powered(setup, clock)
    figure = 10 ** (rig.truth.noise_figure_db() / 10)
    gain = 10 ** (rig.truth.gain_db(60e6) / 10)

    expected_k = (gain * (ROOM_K + 290.0 * (figure - 1)) - ROOM_K) * 10 ** (-11.0 / 10)
    assert excess_k(rig) == pytest.approx(expected_k, rel=1e-9)


def test_a_unit_without_bias_gives_what_a_resistor_gives(setup: RigSetup, clock: SimulatedClock) -> None:
    """The analyzer's noise is stated with that, so nothing comes on top; nor does it with a through."""
    dead = powered(setup, clock)
    assert dead.bias is not None
    dead.bias.on = False

    assert excess_k(dead) == 0.0
    assert excess_k(powered(replace(setup, through=True), clock)) == pytest.approx(0.0, abs=1e-9)


def test_a_noise_source_arrives_behind_the_input_path(setup: RigSetup, clock: SimulatedClock) -> None:
    """290 K·(1 + ENR) through 7.2 dB at room temperature; off, the room."""
    rig = powered(replace(setup, noise_source=NoiseSourceSetup(lambda _: 15.0, 0.0)), clock)
    assert source_k(rig, "A", 60e6) == ROOM_K
    rig.noise_on = True

    share = 10 ** (-7.2 / 10)
    assert source_k(rig, "A", 60e6) == pytest.approx(share * 290 * (1 + 10**1.5) + (1 - share) * ROOM_K, rel=1e-12)


def test_the_noise_figure_rises_with_attenuation_and_heat_and_less_current(setup: RigSetup) -> None:
    """Nearly a dB for each dB of gain taken away; 0.012 dB for each kelvin."""
    unit = setup.unit
    lossless, lossy = (noise_figure_db(unit, "A", code, 40.0, "nominal") for code in (0, 20))

    assert 7.0 < lossless < 9.0
    assert lossy - lossless == pytest.approx(0.92 * 15.0)
    assert noise_figure_db(unit, "A", 0, 90.0, "nominal") - lossless == pytest.approx(0.6)
    assert noise_figure_db(unit, "A", 0, 40.0, "low power") > lossless + 0.1


def test_the_noise_of_all_adds_as_power_in_the_samples(setup: RigSetup, clock: SimulatedClock) -> None:
    """Mean of many samples: the analyzer's −155 dBm/Hz and the unit's excess, within four standard deviations."""
    exact = replace(setup.analyzer, level_db=0.0, scale_db_per_10db=0.0, flatness_db=0.0, attenuator_db=0.0)  # type: ignore[type-var]  # this bench has an analyzer
    rig = powered(replace(setup, analyzer=exact), clock)
    samples, overloaded = rig.sweep(SweepState(60e6, 0.0, 30e3, 0.0, 20_001, preamplifier=False))
    read_w = 1e-3 * np.mean(10 ** (samples / 10)) / 30e3

    expected_w = 10 ** (-155 / 10) * 1e-3 + BOLTZMANN_J_PER_K * excess_k(rig)
    assert not overloaded
    assert read_w == pytest.approx(expected_w, rel=4 / np.sqrt(20_001))


def test_harmonics_of_a_source_pass_the_unit_and_are_not_above_what_is_declared(
    setup: RigSetup, clock: SimulatedClock
) -> None:
    """Far above the unit's own, so that the line is the source's: at most −40 dBc, at least 3 dB less."""
    assert setup.tone_1 is not None
    dirty = replace(setup, tone_1=replace(setup.tone_1, harmonics_dbc=(-40.0, -40.0)))
    lines = powered(dirty, clock, tones=True).truth.line_levels_dbm()

    for line in ("hd2", "hd3"):
        assert -44.5 < lines[line] - lines["tone_lower"] < -39.0, line


def test_what_the_sources_make_of_each_other_follows_their_intercept(setup: RigSetup, clock: SimulatedClock) -> None:
    """−13.8 dBm each on an intercept of 0 dBm: 27.6 dB below each tone, at the output as well."""
    weak = replace(setup, combiner_intercept3_dbm=0.0)
    rig = powered(weak, clock, tones=True)
    emitted = [tone.emitted_dbm for tone in rig.tones.values()]
    lines = rig.truth.line_levels_dbm()

    assert lines["im3_lower"] - lines["tone_lower"] == pytest.approx(emitted[0] + emitted[1], abs=0.1)
    assert lines["im3_upper"] - lines["tone_upper"] == pytest.approx(emitted[0] + emitted[1], abs=0.1)


def test_through_a_line_the_voltage_is_the_same_at_both_ends(setup: RigSetup, clock: SimulatedClock) -> None:
    """0 dB of voltage gain, no products of its own, and the unit's input rating guards nothing."""
    rig = powered(replace(setup, through=True), clock, tones=True)
    into = rig.input_tone("tone_1", "A")
    volts = rig.load_lines_v(rig.operating())
    assert into is not None

    assert level_dbm(abs(volts["tone_lower"]), 200.0) == pytest.approx(into[0], abs=1e-9)
    assert all(volts[line] == 0 for line in ("im3_lower", "im3_upper", "im2_sum", "hd2", "hd3"))
    assert rig.exceeded == {}


def test_the_analyzers_own_products_show_in_a_through(setup: RigSetup, clock: SimulatedClock) -> None:
    """The line is empty, but the analyzer puts its product there all the same."""
    rig = powered(replace(setup, through=True), clock, tones=True)
    for tone in rig.tones.values():
        tone.level_dbm = 13.0
    samples, _ = rig.sweep(SweepState(58.5e6, 0.0, 10.0, 10.0, 201, preamplifier=False))
    tones = [tone.emitted_dbm - 7.2 - 11.0 for tone in rig.tones.values()]

    assert np.mean(samples) == pytest.approx(2 * tones[0] + tones[1] - 2 * 36.0, abs=0.6)
