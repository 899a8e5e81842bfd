"""Uncertainty and bounds of noise figures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from reports.noise import NoiseReadings, better_of, by_gain, by_y_factor
from reports.uncertainty import Cause, Uncertain

STEP = 1e-5

#: Readings of a unit with 24 dB of gain and about 8 dB noise figure, behind 11 dB, on an analyzer with −155 dBm/Hz.
PLAIN = {"cold": -150.9, "hot": -145.6, "own": -155.0, "output_loss": 11.0, "input_loss": 7.2}


def known(name: str, value: float, standard: float = 1e-3) -> Uncertain:
    """A quantity with one cause of its own name; by default known well enough for Y − 1 to tell something."""
    return Uncertain.of(np.array([value]), {name: Cause.of(standard, rows=1)})


def readings(
    *,
    room_k: float = 296.15,
    excess_db: float = 21.0,
    in_noise: bool = False,
    standard: float = 1e-3,
    shifted: Mapping[str, float] = {},
) -> NoiseReadings:
    given = PLAIN | dict(shifted)
    return NoiseReadings(
        known("cold", given["cold"], standard),
        known("hot", given["hot"], standard),
        known("own", given["own"], standard),
        known("output_loss", given["output_loss"], standard),
        known("input_loss", given["input_loss"], standard),
        room_k=room_k,
        room_standard_k=2.0 / 3**0.5,
        excess_ratio=np.array([10 ** (excess_db / 10)]),
        excess_db_standard=1.0,
        in_noise=np.array([in_noise]),
    )


def gain_method(made: NoiseReadings, gain_db: float = 24.0) -> Uncertain:
    return by_gain(made, known("gain", gain_db))


@pytest.mark.parametrize("method", [gain_method, by_y_factor], ids=["gain", "Y-factor"])
@pytest.mark.parametrize("name", list(PLAIN))
def test_each_sensitivity_is_the_derivative(method: Callable[[NoiseReadings], Uncertain], name: str) -> None:
    """By central difference: what a small error of each reading and loss does to the figure."""
    found = method(readings())
    more, less = (method(readings(shifted={name: PLAIN[name] + by})).value[0] for by in (STEP, -STEP))
    contribution = found.causes[name].contribution[0, 0] / 1e-3 if name in found.causes else 0.0

    assert contribution == pytest.approx((more - less) / (2 * STEP), abs=1e-5)


@pytest.mark.parametrize("name", ["excess noise ratio", "gain", "room temperature"])
def test_the_other_sensitivities_are_derivatives_too(name: str) -> None:
    """Excess noise ratio in dB, gain in dB, room temperature in kelvin."""

    def figure(by: float) -> float:
        if name == "gain":
            return float(gain_method(readings(), 24.0 + by).value[0])
        if name == "room temperature":
            return float(by_y_factor(readings(room_k=296.15 + by)).value[0])
        return float(by_y_factor(readings(excess_db=21.0 + by)).value[0])

    cause = (gain_method(readings()) if name == "gain" else by_y_factor(readings())).causes[name]
    standard = {"gain": 1e-3, "room temperature": 2.0 / 3**0.5, "excess noise ratio": 1.0}[name]

    assert cause.contribution[0, 0] / standard == pytest.approx((figure(STEP) - figure(-STEP)) / (2 * STEP), abs=1e-5)


def test_level_error_and_output_path_cancel_between_noise_and_gain() -> None:
    """The gain was read by the same analyzer behind the same path: only what the analyzer's noise leaves remains."""
    shared = {"analyzer level": Cause.of(0.15, rows=1), "output path loss": Cause.of(0.03, rows=1)}
    only_level = {"analyzer level": shared["analyzer level"]}
    made = replace(
        readings(shifted={"own": -190.0}),
        cold=Uncertain.of(np.array([-150.9]), only_level),
        own=Uncertain.of(np.array([-190.0])),
        output_loss=Uncertain.of(np.array([11.0]), {"output path loss": shared["output path loss"]}),
    )
    alone = by_gain(made, Uncertain.of(np.array([24.0])))
    together = by_gain(made, Uncertain.of(np.array([24.0]), shared))

    assert alone.standard[0] > 0.15
    assert together.standard[0] < 0.002


def test_near_the_analyzers_noise_the_figure_is_at_most_what_all_of_the_reading_would_be() -> None:
    """All of it counts as the unit's: the bound lies above what subtraction gives, and its sign says "at most"."""
    subtracted = gain_method(readings(shifted={"cold": -152.5}))
    bound = gain_method(readings(shifted={"cold": -152.5}, in_noise=True))

    assert bound.bound[0] == -1
    assert bound.value[0] > subtracted.value[0] + 2.0
    assert "own" not in bound.causes or bound.causes["own"].contribution[0, 0] == 0.0


def test_a_y_factor_that_is_lost_in_its_uncertainty_tells_nothing() -> None:
    """0.2 dB of Y known to 1 dB: NaN, and not a number with a large uncertainty that a straight line cannot give."""
    assert np.isnan(by_y_factor(readings(shifted={"hot": -150.7}, standard=1.0)).value[0])


def test_a_reading_below_the_source_alone_gives_nothing() -> None:
    """Less noise than a resistor would send through: no figure, rather than the logarithm of a negative number."""
    assert np.isnan(gain_method(readings(shifted={"own": -150.8999}), gain_db=60.0).value[0])


def test_of_both_methods_the_better_known_is_taken_row_by_row() -> None:
    """Smaller uncertainty of two measured values; a measured one before a bound; the only one there is."""
    y_factor = Uncertain(
        np.array([8.0, 9.0, np.nan, 7.0]), {"y": _column([0.1, 0.5, np.nan, 0.1])}, _bounds(0, 0, 0, -1)
    )
    gain = Uncertain(np.array([8.2, 9.2, 12.0, 6.5]), {"g": _column([0.3, 0.3, 0.3, 0.9])}, _bounds(0, 0, 0, 0))
    chosen = better_of(y_factor, gain)

    assert chosen.value.tolist() == [8.0, 9.2, 12.0, 6.5]
    assert chosen.standard == pytest.approx([0.1, 0.3, 0.3, 0.9])
    assert chosen.bound.tolist() == [0, 0, 0, 0]


def _column(standard: list[float]) -> Cause:
    return Cause.of(np.array(standard), np.arange(len(standard)), rows=len(standard))


def _bounds(*bounds: int) -> np.ndarray[tuple[int], np.dtype[np.int8]]:
    return np.array(bounds, dtype=np.int8)
