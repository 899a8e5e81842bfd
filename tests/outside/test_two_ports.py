"""Two-port algebra, de-embedding and image rejection against scikit-rf, phasors and a rule of thumb."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.network import chain_of_s as rig_chain_of_s
from drivers.simulated.network import s_of_chain as rig_s_of_chain
from reports.small_signal import image_rejection_db
from reports.two_ports import chain_of_s, s_of_chain, voltage_gain, without
from sequences.de_embedding import TwoPort

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import skrf

Matrices = npt.NDArray[np.complex128]

POINTS = 5
HERTZ = np.linspace(20e6, 150e6, POINTS)


def two_port(seed: int, largest: float = 0.6) -> Matrices:
    """A two-port of no special symmetry that lets something through in both directions, shape (points, 2, 2)."""
    chance = np.random.default_rng(seed)
    size = chance.uniform(0.1, largest, (POINTS, 2, 2))
    found: Matrices = size * np.exp(2j * np.pi * chance.uniform(size=(POINTS, 2, 2)))
    return found


def network(s: Matrices, reference_ohm: float = 50.0) -> Any:
    return skrf.Network(f=HERTZ, f_unit="Hz", s=s, z0=reference_ohm)


SEEDS = st.integers(0, 2**32 - 1)
OHMS = st.sampled_from([25.0, 50.0, 200.0])


@settings(max_examples=25)
@given(SEEDS, OHMS)
def test_chain_matrices_are_those_of_scikit_rf(seed: int, reference_ohm: float) -> None:
    """In both directions, in reports and in the rig, which share no code; scikit-rf 1.3, s2a and a2s."""
    s = two_port(seed)
    z0 = np.full((POINTS, 2), reference_ohm, dtype=np.complex128)
    chain = skrf.network.s2a(s, z0)

    np.testing.assert_allclose(chain_of_s(s, reference_ohm), chain, rtol=1e-9)
    np.testing.assert_allclose(rig_chain_of_s(s, reference_ohm), chain, rtol=1e-9)
    np.testing.assert_allclose(s_of_chain(chain, reference_ohm), skrf.network.a2s(chain, z0), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(rig_s_of_chain(chain, reference_ohm), s, rtol=1e-9, atol=1e-12)


@settings(max_examples=25)
@given(SEEDS)
def test_taking_two_ports_off_a_cascade_is_what_scikit_rf_does(seed: int) -> None:
    """``before.inv ** cascade ** after.inv``, and the cascade itself is ``before ** unit ** after``."""
    before, unit, after = (network(two_port(seed + step)) for step in range(3))
    cascade = before**unit**after
    expected = before.inv**cascade**after.inv

    found = without(*(chain_of_s(one.s, 50.0) for one in (cascade, before, after)))

    np.testing.assert_allclose(s_of_chain(found, 50.0), expected.s, rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(s_of_chain(found, 50.0), unit.s, rtol=1e-7, atol=1e-9)
    joined = rig_chain_of_s(before.s, 50.0) @ rig_chain_of_s(unit.s, 50.0) @ rig_chain_of_s(after.s, 50.0)
    np.testing.assert_allclose(rig_s_of_chain(joined, 50.0), cascade.s, rtol=1e-9, atol=1e-12)


@settings(max_examples=25)
@given(SEEDS, OHMS, OHMS)
def test_a_voltage_gain_is_s21_renormalised_to_source_and_load(seed: int, input_ohm: float, load_ohm: float) -> None:
    """S21·√(R_L/R_in) with the two resistances as port impedances; scikit-rf renormalises with power waves."""
    unit = network(two_port(seed))
    unit.renormalize(np.tile([input_ohm, load_ohm], (POINTS, 1)), s_def="power")
    expected = unit.s[:, 1, 0] * np.sqrt(load_ohm / input_ohm)

    found = voltage_gain(chain_of_s(two_port(seed), 50.0), input_ohm, load_ohm)

    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_a_differential_two_port_is_the_mixed_mode_part_of_a_four_port() -> None:
    """Two equal halves that do not see each other: Sdd in 2·R is each half's S in R (scikit-rf, se2gmm).

    So a unit behind baluns, measured as a two-port, is the differential part of what four ports would measure.
    """
    half = two_port(11)
    four = np.zeros((POINTS, 4, 4), dtype=np.complex128)
    for port, far in ((0, 2), (1, 3)):
        four[:, port, port], four[:, far, far] = half[:, 0, 0], half[:, 1, 1]
        four[:, far, port], four[:, port, far] = half[:, 1, 0], half[:, 0, 1]
    mixed = network(four, 100.0)
    mixed.se2gmm(p=2)

    np.testing.assert_allclose(mixed.s[:, :2, :2], half, atol=1e-12)
    assert np.all(mixed.z0[:, :2] == 200.0)


def test_a_two_port_between_its_points_keeps_a_delay() -> None:
    """A cable of 5 ns known every 20 MHz: at the points between, scikit-rf's own line of that length, to 1e-9."""
    media = skrf.media.DefinedGammaZ0(
        skrf.Frequency(10, 200, 20, unit="MHz"), z0=50.0, gamma=2j * np.pi * np.linspace(10e6, 200e6, 20) * 5e-9
    )
    whole = media.line(1.0, "m")
    coarse = TwoPort(whole.f[::2], whole.s[::2], 50.0)
    between = whole.f[1:-1:2]

    np.testing.assert_allclose(coarse.at(between)[:, 1, 0], whole.s[1:-1:2, 1, 0], atol=1e-9)


def test_0_04_db_and_0_45_degrees_limit_image_rejection_to_about_47_db() -> None:
    """The rule of thumb (common practice, no source), and the phasors 1 and g·exp(jφ) added and subtracted."""
    phasor = 10 ** (0.04 / 20) * np.exp(1j * np.radians(0.45))
    exact_db = 20 * np.log10(abs(1 + phasor) / abs(1 - phasor))
    found = image_rejection_db(np.array([0.04]), np.array([0.45]))[0]

    assert found == pytest.approx(exact_db, abs=1e-9)
    assert found == pytest.approx(46.83, abs=0.01)
    assert round(found) == 47


@pytest.mark.parametrize(
    ("gain_match_db", "phase_match_deg", "expected_db"),
    [
        (0.0, 90.0, 0.0),  # the channels are as far from quadrature as can be
        (0.0, 2 * np.degrees(np.arctan(0.01)), 40.0),  # tan(φ/2) is the image of a pure phase error
        (20 * np.log10(1.01 / 0.99), 0.0, 40.0),  # (g − 1)/(g + 1) that of a pure gain error
    ],
)
def test_image_rejection_of_a_pure_error(gain_match_db: float, phase_match_deg: float, expected_db: float) -> None:
    """Closed forms of the two limiting cases."""
    assert image_rejection_db(np.array([gain_match_db]), np.array([phase_match_deg]))[0] == pytest.approx(
        expected_db, abs=1e-9
    )


def test_no_error_leaves_no_image() -> None:
    """Infinite, which is no figure: the uncertain one becomes a bound."""
    assert image_rejection_db(np.zeros(1), np.zeros(1))[0] == np.inf
