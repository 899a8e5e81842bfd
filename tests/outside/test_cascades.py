"""Stages in a row against published budgets, a network library and propagated uncertainty (CA rows of the README)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st
from uncertainties import UFloat, nominal_value, std_dev, ufloat
from uncertainties.umath import log10

from reports.cascade import Stage, gain, level_plan, noise_figure, oip3, passive
from reports.errors import NotPositive, ShapeFault
from reports.uncertainty import Cause, Uncertain


def _exact(value: float) -> Uncertain:
    return Uncertain.of(np.array([value]))


def _stages(
    gains_db: Sequence[float], noise_db: Sequence[float | None], oip3_dbm: Sequence[float | None]
) -> list[Stage]:
    return [
        Stage(_exact(g), None if n is None else _exact(n), None if o is None else _exact(o))
        for g, n, o in zip(gains_db, noise_db, oip3_dbm, strict=True)
    ]


RUNNING = _stages((11, -3, 7), (25, 3, 5), (30, None, 10))


def test_running_gain_noise_figure_and_intercepts() -> None:
    """CA-01, CA-02: MathWorks documentation, rfchain.cumgain, cumnoisefig, cumoip3, cumiip3 (printed)."""
    heads = [RUNNING[:count] for count in (1, 2, 3)]

    assert [gain(head).value[0] for head in heads] == pytest.approx([11.0, 8.0, 15.0])
    assert [noise_figure(head).value[0] for head in heads] == pytest.approx([25.0, 25.0011, 25.0058], abs=1e-4)
    out = [oip3(head).value[0] for head in heads]
    assert out == pytest.approx([30.0, 27.0, 9.9827], abs=1e-4)
    into = [intercept - gain(head).value[0] for intercept, head in zip(out, heads, strict=True)]
    assert into == pytest.approx([19.0, 19.0, -5.0173], abs=1e-4)


def test_products_at_random_phases_add_as_powers() -> None:
    """CA-03: 10.0000 dBm where the coherent sum gives 9.9827; same formula, root sum of squares."""
    assert oip3(RUNNING, coherent=False).value[0] == pytest.approx(10.0, abs=1e-3)


def test_losses_around_one_amplifier() -> None:
    """CA-04: −1.2, 15.5, −2 dB with 1.2, 8.1, 2 dB and 47 dBm: gain 12.3, NF 9.3111 dB, OIP3 45.0, IIP3 32.7 dBm."""
    stages = [passive(_exact(1.2)), Stage(_exact(15.5), _exact(8.1), _exact(47.0)), passive(_exact(2.0))]

    assert gain(stages).value[0] == pytest.approx(12.3)
    assert noise_figure(stages).value[0] == pytest.approx(9.3111, abs=1e-4)
    assert oip3(stages).value[0] == pytest.approx(45.0)
    assert oip3(stages).value[0] - gain(stages).value[0] == pytest.approx(32.7)


def test_a_receiver_of_amplifier_filter_and_mixer() -> None:
    """CA-05: 10, −1, −3 dB with 2, 1, 4 dB: F 1.8011, 2.5554 dB (printed 1.80, 2.55; Pozar, from memory, not seen)."""
    found = noise_figure(_stages((10, -1, -3), (2, 1, 4), (None, None, None))).value[0]

    assert found == pytest.approx(2.5554, abs=1e-4)
    assert 10 ** (found / 10) == pytest.approx(1.8011, abs=1e-4)


def test_an_amplifier_before_a_mixer() -> None:
    """CA-06: 22 dBm before −6 dB and 7 dBm: 4.451 mW, 6.485 dBm, unrounded.

    Printed 4.4 mW, 6.4 dBm with rounded steps; Pozar, same chapter, from memory, not seen.
    """
    found = oip3(_stages((20, -6), (None, None), (22, 7))).value[0]

    assert found == pytest.approx(6.485, abs=1e-3)
    assert 10 ** (found / 10) == pytest.approx(4.451, abs=1e-3)


@settings(deadline=None)
@given(st.floats(0.0, 40.0))
def test_a_loss_at_the_reference_temperature_has_its_loss_as_noise_figure(loss_db: float) -> None:
    """CA-07. Colder it has less, hotter more: F = 1 + (L − 1)·T/290 K."""
    loss = _exact(loss_db)

    assert noise_figure([passive(loss)]).value[0] == pytest.approx(loss_db, abs=1e-9)
    assert noise_figure([passive(loss, 233.15)]).value[0] <= loss_db + 1e-12
    assert noise_figure([passive(loss, 358.15)]).value[0] >= loss_db - 1e-12
    with pytest.raises(ShapeFault, match="no stage"):
        oip3([passive(loss)])


def test_the_order_of_the_stages_matters() -> None:
    """CA-07: a loss before an amplifier costs noise figure, behind it intercept."""
    amplifier, loss = Stage(_exact(20.0), _exact(5.0), _exact(40.0)), passive(_exact(3.0))

    assert noise_figure([loss, amplifier]).value[0] == pytest.approx(8.0)
    assert noise_figure([amplifier, loss]).value[0] < 5.1
    assert oip3([loss, amplifier]).value[0] == pytest.approx(40.0)
    assert oip3([amplifier, loss]).value[0] == pytest.approx(37.0)


def test_two_equal_stages_from_46_dB_through_a_range_of_61_dB_to_minus_15_dB() -> None:
    """Common practice, no source: 23 dB each at the top, 30.5 dB less each at the bottom."""
    top = gain(_stages((23, 23), (None, None), (None, None)))
    bottom = gain(_stages((23 - 30.5, 23 - 30.5), (None, None), (None, None)))

    assert (top.value[0], (top - bottom).value[0], bottom.value[0]) == (46.0, 61.0, -15.0)


def test_level_plan_goes_back_from_the_output() -> None:
    """3 dBm behind stages of 20 and 10 dB with 2 dB between: −7 dBm into the last, −5 dBm out of the first."""
    stages = [Stage(_exact(20.0)), passive(_exact(2.0)), Stage(_exact(10.0))]
    levels = [level.value[0] for level in level_plan(stages, _exact(3.0))]

    assert levels == pytest.approx([-5.0, -7.0, 3.0])


FREQUENCY = skrf.Frequency(60, 60, 1, "MHz")


def _network(gain_db: float, noise_db: float) -> skrf.Network:
    scattering = np.zeros((1, 2, 2), dtype=complex)
    scattering[0, 1, 0] = 10 ** (gain_db / 20)
    network = skrf.Network(frequency=FREQUENCY, s=scattering, z0=50)
    network.set_noise_a(FREQUENCY, nfmin_db=noise_db, gamma_opt=0, rn=10.0)
    return network


@settings(deadline=None, max_examples=25)
@given(st.lists(st.tuples(st.floats(-10.0, 30.0), st.floats(0.5, 15.0)), min_size=2, max_size=4))
def test_noise_figure_and_gain_agree_with_a_network_library(stages: list[tuple[float, float]]) -> None:
    """scikit-rf cascades noise correlation matrices; matched unilateral stages with their optimum at 50 Ω."""
    whole = _network(*stages[0])
    for stage in stages[1:]:
        whole = whole ** _network(*stage)
    ours = _stages([g for g, _ in stages], [n for _, n in stages], [None] * len(stages))

    assert gain(ours).value[0] == pytest.approx(float(20 * np.log10(abs(whole.s[0, 1, 0]))), abs=1e-6)
    assert noise_figure(ours).value[0] == pytest.approx(float(10 * np.log10(whole.nf(50)[0])), abs=1e-3)


def _ratio(level_db: UFloat) -> UFloat:
    return 10 ** (level_db / 10)


@settings(deadline=None)
@given(
    st.lists(st.floats(-10.0, 25.0), min_size=2, max_size=2),
    st.lists(st.floats(1.0, 15.0), min_size=2, max_size=2),
    st.lists(st.floats(20.0, 50.0), min_size=2, max_size=2),
)
def test_uncertainty_keeps_what_the_stages_share(
    gains: list[float], noises: list[float], intercepts: list[float]
) -> None:
    """Against the `uncertainties` library, where one level error of the bench is in both gains and both intercepts."""
    common, own = ufloat(0, 0.2), [ufloat(0, 0.05 * (place + 1)) for place in range(2)]
    g = [gains[place] + common + own[place] for place in range(2)]
    n = [noises[place] + 2 * own[place] for place in range(2)]
    i = [intercepts[place] + 1.0 * common - own[place] for place in range(2)]
    causes = [
        {"level": Cause.of(0.2, 7, rows=1), "own": Cause.of(0.05 * (place + 1), place, rows=1)} for place in range(2)
    ]
    own_only = [{"own": one["own"]} for one in causes]
    stages = [
        Stage(
            Uncertain.of(np.array([gains[place]]), causes[place]),
            Uncertain.of(np.array([noises[place]]), {"own": own_only[place]["own"].scaled(2.0)}),
            Uncertain.of(
                np.array([intercepts[place]]),
                {"level": causes[place]["level"], "own": own_only[place]["own"].scaled(-1.0)},
            ),
        )
        for place in range(2)
    ]
    by_library = {
        "gain": g[0] + g[1],
        "noise": 10 * log10(_ratio(n[0]) + (_ratio(n[1]) - 1) / _ratio(g[0])),
        "coherent": -10 * log10(1 / (_ratio(i[0]) * _ratio(g[1])) + 1 / _ratio(i[1])),
        "random": -5 * log10(1 / (_ratio(i[0]) * _ratio(g[1])) ** 2 + 1 / _ratio(i[1]) ** 2),
    }
    ours = {
        "gain": gain(stages),
        "noise": noise_figure(stages),
        "coherent": oip3(stages),
        "random": oip3(stages, coherent=False),
    }

    for name, expected in by_library.items():
        assert ours[name].value[0] == pytest.approx(nominal_value(expected), abs=1e-9), name
        assert ours[name].standard[0] == pytest.approx(std_dev(expected), rel=1e-6, abs=1e-9), name


@settings(deadline=None)
@given(st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_the_coherent_sum_is_the_worst_case(first: float, second: float) -> None:
    """Never above the sum at random phases, and both never above the last stage's own intercept."""
    stages = _stages((10, 10), (None, None), (first, second))

    assert oip3(stages).value[0] <= oip3(stages, coherent=False).value[0] + 1e-12
    assert oip3(stages, coherent=False).value[0] <= second + 1e-12


def test_what_cannot_be_is_refused() -> None:
    """A loss below 0 dB, a temperature of 0 K, a noise figure that a stage lacks."""
    with pytest.raises(NotPositive, match="loss"):
        passive(_exact(-1.0))
    with pytest.raises(NotPositive, match="temperature"):
        passive(_exact(1.0), 0.0)
    with pytest.raises(ShapeFault, match="no noise figure"):
        noise_figure([Stage(_exact(1.0))])


def test_an_intercept_that_is_only_at_least_makes_the_cascade_at_least() -> None:
    """The other stage cannot take that back."""
    bounded = Uncertain(np.array([40.0]), {}, np.array([1], dtype=np.int8))
    stages = [Stage(_exact(10.0), None, bounded), Stage(_exact(10.0), None, _exact(40.0))]

    assert oip3(stages).bound.tolist() == [1]
