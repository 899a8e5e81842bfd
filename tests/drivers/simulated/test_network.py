"""The simulated network analyzer: what stands between its ports, what it makes of it, and its commands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.amplifier import AmplifierModel
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.front_ends import front_ends
from drivers.simulated.network import NetworkModel
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import NetworkAnalyzerSetup, RigSetup, TwoPortSetup
from drivers.simulated.small_signal import complex_gain, phase_deg

Matrices = npt.NDArray[np.complex128]

HERTZ = np.array([30e6, 60e6, 90e6])
PERFECT = NetworkAnalyzerSetup(0, 0, 0, 0, 0, 0, noise_dbm_per_hz=-300, residual_db=-300, highest_power_dbm=10)
ORDINARY = NetworkAnalyzerSetup(0.06, 0.02, 0.005, 0.6, 0.1, 0.03, -135, -40, 10)


def transformer(turns: float) -> Callable[[npt.NDArray[np.float64]], Matrices]:
    """An ideal balun: S-parameters in 50 Ω of 1 : turns."""
    ratio = turns * turns
    s = np.array([[1 - ratio, 2 * turns], [2 * turns, ratio - 1]], dtype=np.complex128) / (ratio + 1)
    return lambda hertz: np.tile(s, (len(hertz), 1, 1))


@pytest.fixture
def bench(setup: RigSetup) -> RigSetup:
    """The small bench with a perfect network analyzer behind ideal baluns from 50 to 200 Ω."""
    paths = (
        TwoPortSetup("input", None, None, transformer(2.0), 0.0, 0.0),
        TwoPortSetup("output", None, None, transformer(0.5), 0.0, 0.0),
    )
    return replace(setup, network_analyzer=PERFECT, network_routes={211: "A", 212: "B"}, two_ports=paths)


def powered(bench: RigSetup, clock: SimulatedClock) -> tuple[Rig, dict[str, FrontEnd]]:
    """Bias on, 200 Ω, channel A at the network analyzer, its source on."""
    rig = Rig(bench, clock)
    ends = front_ends(rig)
    for place, message in (
        ("supply", "VOLT 5;:CURR 0.3;:VOLT:PROT 5.5;:OUTP ON"),
        ("load_switch", "ROUT:CLOS (@103)"),
        ("channel_switch", "ROUT:CLOS (@211)"),
        ("network_analyzer", "OUTP ON"),
    ):
        ends[place].receive(message.encode() + b"\n")
    return rig, ends


def test_between_matched_baluns_s21_is_the_voltage_gain(bench: RigSetup, clock: SimulatedClock) -> None:
    """200 Ω at both ends: S21·√(R_L/R_in) is S21 itself, magnitude and phase."""
    rig, _ = powered(bench, clock)
    read = rig.network_sweep(HERTZ, -30.0, 300.0)
    true = complex_gain(bench.unit, "A", 0, rig.truth.die_c, "nominal", 200.0, HERTZ)

    np.testing.assert_allclose(read[:, 1, 0], true, rtol=1e-9)
    np.testing.assert_allclose(read[:, 0, 0], 0, atol=1e-9)
    np.testing.assert_allclose(read[:, 1, 1], (10 - 200) / (10 + 200), rtol=1e-9)
    np.testing.assert_allclose(read[:, 0, 1], 0, atol=1e-9)


def test_the_small_signal_gain_is_that_which_tones_see(unit: AmplifierModel) -> None:
    """One unit, two instruments: 20·log10|gain| is ``gain_db`` at each frequency."""
    found = complex_gain(unit, "B", 7, 55.0, "low power", 100.0, HERTZ)

    np.testing.assert_allclose(
        20 * np.log10(np.abs(found)), [unit.gain_db("B", 7, 55.0, "low power", 100.0, hertz) for hertz in HERTZ]
    )


def test_the_phase_falls_with_frequency_by_about_a_nanosecond_and_with_code_by_a_third_of_a_degree(
    unit: AmplifierModel,
) -> None:
    """Sizes of the model; the pole at 1 GHz adds 0.16 ns."""
    delay_s = -np.diff(phase_deg(unit, "A", 0, 40.0, HERTZ)) / 360 / np.diff(HERTZ)
    over_codes = phase_deg(unit, "A", 30, 40.0, HERTZ) - phase_deg(unit, "A", 0, 40.0, HERTZ)

    assert delay_s == pytest.approx([1.16e-9, 1.16e-9], abs=0.06e-9)
    assert over_codes == pytest.approx([-9.0] * 3, abs=2.5)


def test_channels_differ_in_phase_by_less_than_three_degrees(unit: AmplifierModel) -> None:
    """And by something."""
    match = [
        phase_deg(unit, "A", code, 40.0, HERTZ)[1] - phase_deg(unit, "B", code, 40.0, HERTZ)[1] for code in range(31)
    ]

    assert 0 < np.abs(match).max() < 3


def test_without_a_route_nothing_comes_through(bench: RigSetup, clock: SimulatedClock) -> None:
    """Also where the relay leads to the sources: then the ports are open."""
    rig, ends = powered(bench, clock)
    ends["channel_switch"].receive(b"ROUT:OPEN:ALL;:ROUT:CLOS (@201)\n")
    read = rig.network_sweep(HERTZ, -30.0, 300.0)

    assert np.abs(read[:, 1, 0]).max() < 1e-9
    assert np.abs(read[:, 0, 0]) == pytest.approx(1.0)
    assert rig.channel == "A"


def test_tones_do_not_reach_a_channel_that_the_network_analyzer_has(bench: RigSetup, clock: SimulatedClock) -> None:
    """One relay, one way."""
    rig, _ = powered(bench, clock)

    assert rig.network_channel == "A"
    assert rig.channel is None


def test_a_unit_without_bias_only_leaks(bench: RigSetup, clock: SimulatedClock) -> None:
    """60 dB down."""
    rig, ends = powered(bench, clock)
    ends["supply"].receive(b"OUTP OFF\n")

    assert 20 * np.log10(np.abs(rig.network_sweep(HERTZ, -30.0, 300.0)[:, 1, 0])) == pytest.approx([-60.0] * 3)


def test_a_power_beyond_the_input_rating_is_noted(bench: RigSetup, clock: SimulatedClock) -> None:
    """As with tones: the tests can see what would have hurt the unit. Ideal baluns lose 1.94 dB into 50 Ω."""
    fragile = replace(bench, ratings=replace(bench.ratings, input_level_dbm=-35.0))
    rig, _ = powered(fragile, clock)
    rig.network_sweep(HERTZ, -30.0, 300.0)

    assert rig.exceeded["input level"] == pytest.approx(-31.94, abs=0.01)


def test_the_errors_of_a_bench_are_drawn_once_within_what_is_declared() -> None:
    """Over 200 benches: constant, ripple and slope reach the declared half-widths and never pass them."""
    level = np.array([1.0])
    factors = []
    for seed in range(200):
        model = NetworkModel(ORDINARY, (), seed)
        factors.append(model.transmission_error(np.array([60e6]), level)[0])
        again = NetworkModel(ORDINARY, (), seed).transmission_error(np.array([60e6]), level)[0]
        assert factors[-1] == again
    error_db, error_deg = 20 * np.log10(np.abs(factors)), np.degrees(np.angle(factors))

    assert 0.06 < np.abs(error_db).max() <= 0.08
    assert 0.6 < np.abs(error_deg).max() <= 0.7


def test_the_ripple_is_a_straight_line_between_knots_ten_megahertz_apart() -> None:
    """What the budgets assume of it."""
    model = NetworkModel(replace(PERFECT, tracking_db=0.1, phase_tracking_deg=1.0), (), 5)
    hertz = np.array([60e6, 62.5e6, 65e6, 67.5e6, 70e6, 72.5e6])
    error = np.log(model.transmission_error(hertz, np.ones(6)))
    bends = np.abs(np.diff(error, 2))

    assert bends[:3].max() < 1e-12
    assert bends[3] > 1e-6


def test_linearity_grows_with_the_distance_from_0_db() -> None:
    """Twice the level in dB, twice the error, with its sign."""
    model = NetworkModel(replace(PERFECT, linearity_db_per_10db=0.01), (), 5)
    error_db = 20 * np.log10(
        np.abs(model.transmission_error(np.full(4, 60e6), 10 ** (np.array([0.0, 10.0, 20.0, -10.0]) / 20)))
    )

    assert 0 < abs(error_db[1]) <= 0.01
    assert error_db / error_db[1] == pytest.approx([0.0, 1.0, 2.0, -1.0])


def test_residuals_of_match_turn_a_reflection_into_an_error_of_transmission() -> None:
    """S21/((1 − M1·S11)(1 − M2·S22)) with |M| at most −20 dB: up to 1 part in 10 for full reflection."""
    true = np.tile(np.array([[0.5, 0], [1.0, -0.5]], dtype=np.complex128), (1, 1, 1))
    errors = [
        abs(NetworkModel(replace(PERFECT, residual_db=-20), (), seed).read(true, HERTZ[:1], -30, 300)[0, 1, 0] - 1)
        for seed in range(300)
    ]

    assert 0.05 < max(errors) < 0.11


def test_noise_is_the_declared_density_in_the_bandwidth_against_the_source() -> None:
    """−135 dBm/Hz in 1 kHz is −105 dBm; against −40 dBm the parts have √(10^(−6.5)/2) = 398e-6 each."""
    model = NetworkModel(replace(PERFECT, noise_dbm_per_hz=-135), (), 1)
    hertz = np.linspace(20e6, 150e6, 4000)
    read = model.read(np.zeros((4000, 2, 2), dtype=np.complex128), hertz, -40.0, 1000.0)

    assert np.std(read[:, 1, 0].real) == pytest.approx(398e-6, rel=0.05)
    assert np.std(read[:, 0, 0].imag) == pytest.approx(398e-6, rel=0.05)


def test_a_path_is_off_by_what_its_certificate_could_not_know(bench: RigSetup, clock: SimulatedClock) -> None:
    """One factor for each entry, the same at all frequencies, whose spread over benches is half the stated U."""
    paths = tuple(replace(path, magnitude_uncertainty_db=0.2, phase_uncertainty_deg=2.0) for path in bench.two_ports)
    ratios = []
    for seed in range(60):
        rig, _ = powered(replace(bench, two_ports=paths, seed=seed), clock)
        true = complex_gain(bench.unit, "A", 0, rig.truth.die_c, "nominal", 200.0, HERTZ)
        ratio = rig.network_sweep(HERTZ, -30.0, 300.0)[:, 1, 0] / true
        assert np.abs(np.diff(ratio)).max() < 1e-9
        ratios.append(ratio[0])

    assert np.std(20 * np.log10(np.abs(ratios))) == pytest.approx(np.sqrt(2) * 0.1, rel=0.35)
    assert np.std(np.degrees(np.angle(ratios))) == pytest.approx(np.sqrt(2) * 1.0, rel=0.35)


# --- Commands ----------------------------------------------------------------------------------------------------


@pytest.fixture
def network_end(bench: RigSetup, clock: SimulatedClock) -> Callable[[str], str]:
    """Send one message to the network analyzer of a powered bench; its response, or an empty text."""
    _, ends = powered(bench, clock)

    def say(message: str) -> str:
        ends["network_analyzer"].receive(message.encode() + b"\n")
        if "?" not in message:
            return ""
        response = ends["network_analyzer"].reply()
        assert response is not None
        return response.decode("latin-1").removesuffix("\n")

    return say


def test_a_sweep_takes_its_time_and_its_traces_hold_pairs(
    network_end: Callable[[str], str], clock: SimulatedClock
) -> None:
    """Two directions of 3 points at 1.5/300 Hz each; real and imaginary part in turn."""
    network_end("FREQ:STAR 30E6;STOP 90E6;:SWE:POIN 3;:BAND 300;:CALC:FORM COMP;:POW -30")
    before_s = clock.elapsed_s()
    network_end("INIT;*OPC?")
    parts = [float(text) for text in network_end("TRAC? S21").split(",")]

    assert clock.elapsed_s() - before_s == pytest.approx(2 * 3 * 1.5 / 300, abs=0.01)
    assert len(parts) == 6
    assert np.hypot(parts[2], parts[3]) == pytest.approx(10 ** (24 / 20), rel=0.05)


@pytest.mark.parametrize(
    ("message", "error"),
    [
        ("TRAC? S21", "-230"),  # no sweep yet
        ("FREQ:MODE LIST", "-221"),  # and no list
        ("LIST:FREQ 60E6,9E15", "-222"),
        ("POW 11", "-222"),
        ("POW:LIM -20;:POW -19", "-222"),
        ("SWE:POIN 1", "-222"),
        ("FORM REAL,16", "-224"),
        ("INIT:CONT ON;:INIT", "-213"),
        ("INIT;:INIT", "-213"),
    ],
)
def test_what_it_cannot_do_stands_in_its_queue(network_end: Callable[[str], str], message: str, error: str) -> None:
    """With the number of SCPI-1999 for it."""
    if message.startswith("TRAC"):
        network_end("CALC:FORM COMP")
        with pytest.raises(AssertionError):
            network_end(message)
    else:
        network_end(message)

    assert network_end("SYST:ERR?").startswith(error)


def test_a_trace_that_is_not_complex_is_no_pair_of_numbers(network_end: Callable[[str], str]) -> None:
    """−221: the format of the calculation has to be chosen first."""
    network_end("INIT;*OPC?")
    with pytest.raises(AssertionError):
        network_end("TRAC? S21")

    assert network_end("SYST:ERR?").startswith("-221")


def test_a_ceiling_below_the_power_lowers_it(network_end: Callable[[str], str]) -> None:
    """So that the limit holds at once."""
    network_end("POW -10;:POW:LIM -25")

    assert float(network_end("POW?")) == -25.0


def test_reset_switches_the_source_off(network_end: Callable[[str], str]) -> None:
    """*RST: settings to their known state."""
    network_end("LIST:FREQ 60E6,70E6;:FREQ:MODE LIST")
    network_end("*RST")

    assert network_end("OUTP?") == "0"
    assert network_end("FREQ:MODE?") == "SWE"
    assert network_end("LIST:FREQ:POIN?") == "0"
