"""Mismatch between reflecting ends against published tables, a manual, practice and scikit-rf (MM rows)."""

from __future__ import annotations

import math
import warnings

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.decibels import db_of_power_ratio, voltage_ratio
from reports.errors import ShapeFault
from reports.mismatch import mismatch_limits_db, mismatch_standard_db, reflection, return_loss_db
from reports.two_ports import s_of_chain, voltage_gain

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import skrf

ComplexArray = npt.NDArray[np.complex128]

#: A match, or ends that reflect so much that their product is far above float noise.
RATIOS = st.just(1.0) | st.floats(1.01, 20.0)


@pytest.mark.parametrize(
    ("vswr", "size", "loss_db", "mismatch_loss_db"),
    [(1.5, 0.2, 13.979, 0.1773), (2.0, 0.3333, 9.542, 0.5115)],
    ids=["MM-01a", "MM-01b"],
)
def test_reflection_and_return_loss_of_a_standing_wave_ratio(
    vswr: float, size: float, loss_db: float, mismatch_loss_db: float
) -> None:
    """Public tables of standing wave ratios print 13.98 and 9.54 dB, and 0.18 and 0.51 dB of mismatch loss.

    That loss, −10·log10(1 − |Γ|²), is what the reflection leaves of the power; no correction uses it.
    """
    found = reflection(vswr)

    assert found == pytest.approx(size, abs=1e-4)
    assert return_loss_db(vswr) == pytest.approx(loss_db, abs=1e-3)
    assert -db_of_power_ratio(1 - found**2) == pytest.approx(mismatch_loss_db, abs=1e-3)


@pytest.mark.parametrize(("vswr", "printed", "loss_db"), [(1.2222, 1.222, 20.0), (1.4326, 1.433, 15.0)])
def test_return_losses_of_a_table(vswr: float, printed: float, loss_db: float) -> None:
    """MM-02: a public table of return losses prints 1.222 for 20 dB and 1.433 for 15 dB, rounded to three digits."""
    assert return_loss_db(vswr) == pytest.approx(loss_db, abs=1e-3)
    assert return_loss_db(printed + 5e-4) < loss_db < return_loss_db(printed - 5e-4)


def test_limits_of_a_power_measurement() -> None:
    """MM-03: ratios of 1.50 and 1.20 make ±3.67 % of the power, as a power sensor's user manual prints on p. 9.

    Unrounded, by the same formula: +3.669 and −3.603 %, +0.1565 and −0.1594 dB.
    """
    lowest_db, highest_db = mismatch_limits_db(1.5, 1.2)

    assert (highest_db, lowest_db) == pytest.approx((0.1565, -0.1594), abs=1e-4)
    assert 100 * (voltage_ratio(highest_db) ** 2 - 1) == pytest.approx(3.669, abs=1e-3)
    assert 100 * (voltage_ratio(lowest_db) ** 2 - 1) == pytest.approx(-3.603, abs=1e-3)


def test_limits_of_two_ends_of_20_db() -> None:
    """MM-04: |Γ1·Γ2| = 0.01. The ratio of a return loss of 20 dB is 11/9."""
    assert mismatch_limits_db(11 / 9, 11 / 9) == pytest.approx((-0.0873, 0.0864), abs=1e-4)


def test_standard_uncertainty_of_a_mismatch() -> None:
    """MM-05: U-shaped, divisor √2, from the wider limit: 0.1127 dB. Practice of UKAS M3003; from memory, not seen."""
    assert mismatch_standard_db(1.5, 1.2) == pytest.approx(0.1127, abs=1e-4)


@given(vswr=RATIOS, other=RATIOS)
def test_the_stated_uncertainty_is_that_of_an_even_phase_or_a_little_more(vswr: float, other: float) -> None:
    """Over all phases the mean error is 0 in dB (Jensen's formula), so nothing is corrected.

    The lower limit over √2 is never below the standard deviation, and above it by less than the reflections' product
    up to 0.3. Numerical mean over 4096 phases.
    """
    size = reflection(vswr) * reflection(other)
    turns = np.exp(2j * np.pi * (np.arange(4096) + 0.5) / 4096)
    errors = 20 * np.log10(np.abs(1 + size * turns))
    deviation, stated = float(np.std(errors)), mismatch_standard_db(vswr, other)

    assert float(np.mean(errors)) == pytest.approx(0, abs=1e-6)
    assert stated >= deviation * (1 - 1e-9)
    assert size > 0.3 or stated <= deviation * (1 + size) + 1e-12


@given(vswr=RATIOS, other=RATIOS, more=st.floats(1e-3, 5.0))
def test_laws_of_the_limits(vswr: float, other: float, more: float) -> None:
    """The same for either order; a better end narrows them, a matched one leaves nothing; the lower one is wider."""
    lowest, highest = mismatch_limits_db(vswr, other)
    worse_lowest, worse_highest = mismatch_limits_db(vswr + more, other)

    assert mismatch_limits_db(other, vswr) == pytest.approx((lowest, highest), rel=1e-12)
    assert abs(lowest) >= highest >= 0
    assert other == 1 or (worse_lowest < lowest and worse_highest > highest)
    assert mismatch_limits_db(vswr, 1.0) == (0.0, 0.0)
    assert mismatch_standard_db(vswr, 1.0) == 0.0


@given(size=st.floats(0.0, 0.9))
def test_a_ratio_gives_its_reflection_back(size: float) -> None:
    """s = (1 + |Γ|)/(1 − |Γ|); and 10^(−RL/20) is |Γ|."""
    vswr = (1 + size) / (1 - size)

    assert reflection(vswr) == pytest.approx(size, abs=1e-12)
    assert 10 ** (-return_loss_db(vswr) / 20) == pytest.approx(size, abs=1e-12)


@pytest.mark.parametrize("vswr", [0.99, 0.0, -1.5, math.inf, math.nan])
def test_a_ratio_below_1_or_without_end_is_refused(vswr: float) -> None:
    """No wave is smaller than nothing reflected; an end that reflects everything passes no power."""
    with pytest.raises(ShapeFault, match="a standing wave ratio of"):
        mismatch_limits_db(1.2, vswr)


@pytest.mark.parametrize(("vswr", "other"), [(1.5, 1.2), (1.05, 1.15), (3.0, 2.0)])
def test_two_reflecting_ends_with_a_line_between_them_lose_what_the_limits_say(vswr: float, other: float) -> None:
    """Loss of the cascade against that of its parts, for all lengths of the line; cascaded by scikit-rf.

    Each end is lossless and reciprocal, a susceptance across the line: |Γ|² = b²/(4 + b²).
    """
    phases = np.linspace(0.0, np.pi, 721)

    def end(ratio: float) -> skrf.Network:
        size = reflection(ratio)
        susceptance = 2 * size / math.sqrt(1 - size**2)
        chain = np.array([[1, 0], [1j * susceptance / 50, 1]])
        return skrf.Network(f=1 + phases, f_unit="Hz", s=skrf.network.a2s(np.tile(chain, (len(phases), 1, 1))), z0=50)

    through = np.zeros((len(phases), 2, 2), dtype=np.complex128)
    through[:, 0, 1] = through[:, 1, 0] = np.exp(-1j * phases)
    line = skrf.Network(f=1 + phases, f_unit="Hz", s=through, z0=50)
    first, second = end(vswr), end(other)
    np.testing.assert_allclose(np.abs(first.s[:, 1, 1]), reflection(vswr), atol=1e-12)

    loss_db = -20 * np.log10(np.abs((first**line**second).s[:, 1, 0]))
    alone_db = -20 * np.log10(np.abs(first.s[:, 1, 0] * second.s[:, 1, 0]))
    beyond = loss_db - alone_db
    assert (beyond.min(), beyond.max()) == pytest.approx(mismatch_limits_db(vswr, other), abs=1e-4)


def transformer(impedance_ratio: float) -> ComplexArray:
    """Chain matrix of an ideal transformer that turns 1 Ω at its input into ``impedance_ratio`` Ω at its output."""
    turns = math.sqrt(impedance_ratio)
    return np.array([[1 / turns, 0], [0, turns]], dtype=np.complex128)


@pytest.mark.parametrize(
    ("impedance_ratio", "load_ohm", "input_ohm", "loss_db", "mismatch_loss_db"),
    [
        (1.0, 100.0, 100.0, 9.5424, 0.5115),
        (1.0, 200.0, 200.0, 4.4370, 1.9382),
        (4.0, 200.0, 50.0, math.inf, 0.0),
        (4.0, 100.0, 25.0, 9.5424, 0.5115),
        (2.0, 100.0, 50.0, math.inf, 0.0),
    ],
    ids=["MM-06a", "MM-06b", "MM-07a", "MM-07b", "MM-07c"],
)
def test_a_resistive_load_on_50_ohm(
    impedance_ratio: float, load_ohm: float, input_ohm: float, loss_db: float, mismatch_loss_db: float
) -> None:
    """Γ = (Z − 50)/(Z + 50) and the rule of turns squared, behind the conversions that sweeps are corrected with.

    scikit-rf ends the two-port with the load; the power into the load, against what 50 Ω would take, is that of
    ``voltage_gain``.
    """
    chain = transformer(impedance_ratio)
    two_port = skrf.Network(f=[1.0], f_unit="Hz", s=s_of_chain(chain, 50.0)[None], z0=50)
    load = skrf.Network(f=[1.0], f_unit="Hz", s=[[[(load_ohm - 50) / (load_ohm + 50)]]], z0=50)
    seen = two_port**load
    vswr = max(input_ohm / 50.0, 50.0 / input_ohm)
    taken = float(abs(voltage_gain(chain, 50.0, load_ohm))) ** 2 * 50.0 / load_ohm

    assert seen.z[0, 0, 0] == pytest.approx(input_ohm, rel=1e-9)
    assert abs(seen.s[0, 0, 0]) == pytest.approx(reflection(vswr), abs=1e-9)
    assert return_loss_db(vswr) == pytest.approx(loss_db, abs=1e-4)
    assert -db_of_power_ratio(taken) == pytest.approx(mismatch_loss_db, abs=1e-4)
