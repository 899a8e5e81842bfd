"""Mismatch in budgets: what it adds, what it shares, where it cancels, and where nothing is declared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from drivers.simulated.paths import PathLossSetup, Paths
from reports.caveats import caveats
from reports.corrections_html import corrections_section
from reports.derive import derive
from reports.frames import RunFrames
from reports.levels import input_level, level_in_load
from reports.summary import summarise
from reports.uncertainty import Uncertain
from reports.wide_readings import wide_readings
from sequences.path_losses import PathLosses

MakeNight = Callable[..., tuple[RunFrames, object]]
FloatArray = NDArray[np.float64]

#: Ratios, and the standard uncertainty that they make: 20·log10(1 − 0.2·0.0909) = −0.1594 dB, over √2.
ENDS = (1.5, 1.2)
STANDARD_DB = 0.11270


def _reflecting(frames: RunFrames, vswr: tuple[float, float] | None = ENDS, paths: str = "input output") -> RunFrames:
    """The same run on a bench whose paths are declared with such ends."""
    entries = tuple(
        one.model_copy(update={"vswr": vswr}) if one.path in paths else one for one in frames.bench.path_loss
    )
    bench = frames.bench.model_copy(update={"path_loss": entries})
    return replace(frames, bench=bench, path_losses=PathLosses.of(bench))


def _mismatch_db(frames: RunFrames, word: str) -> FloatArray:
    """Standard uncertainty by mismatch alone of each value of a characteristic."""
    causes = derive(frames)[word].result.causes
    total: FloatArray = causes["input mismatch"].variance + causes["output mismatch"].variance
    result: FloatArray = np.sqrt(total)
    return result


def _level(frames: RunFrames, line: str) -> Uncertain:
    return level_in_load(frames, wide_readings(frames.conditions.index, frames.readings), line)


def test_a_level_takes_from_the_knots_on_either_side(make_night: MakeNight) -> None:
    """59.5 MHz: 0.05 of the knot at 50 MHz and 0.95 of the one at 60 MHz, of the path that serves the row."""
    frames = _reflecting(make_night()[0])
    cause = _level(frames, "tone_lower").causes["output mismatch"]
    level = input_level(frames, wide_readings(frames.conditions.index, frames.readings), "tone_lower")

    np.testing.assert_allclose(
        cause.contribution, np.tile([0.05 * STANDARD_DB, 0.95 * STANDARD_DB], (len(level), 1)), rtol=1e-3
    )
    np.testing.assert_allclose(np.abs(level.causes["input mismatch"].contribution), cause.contribution, rtol=1e-9)
    assert cause.distribution == "U-shaped"
    is_a = frames.conditions["channel"].to_numpy(dtype=object) == "A"
    assert not set(cause.instance[is_a].ravel()) & set(cause.instance[~is_a].ravel())
    assert not set(cause.instance.ravel()) & set(level.causes["input mismatch"].instance.ravel())
    assert len(set(map(tuple, cause.instance[is_a].tolist()))) == 1


def test_what_mismatch_adds_to_a_gain_by_hand(make_night: MakeNight) -> None:
    """Gain is the mean over 59.5 and 60.5 MHz: 0.025, 0.95 and 0.025 of three knots, on the input and on the output.

    √(2·(0.025² + 0.95² + 0.025²)) · 0.11270 dB = 0.15152 dB, beside everything else in quadrature.
    """
    frames, _ = make_night()
    reflecting = _reflecting(frames)
    plain, both = (derive(one)["gain"].result.standard for one in (frames, reflecting))

    np.testing.assert_allclose(_mismatch_db(reflecting, "gain"), 0.15152, rtol=1e-3)
    np.testing.assert_allclose(both, np.hypot(plain, 0.15152), rtol=1e-3)


def test_a_budget_names_path_and_knot_and_can_be_followed(make_night: MakeNight) -> None:
    """Half-width 0.1594 dB, divisor √2, sensitivity of the gain 0.95 to the knot at 60 MHz."""
    lines = derive(_reflecting(make_night()[0]))["gain"].result.budget(0)
    mine = {line.draw: line for line in lines if "mismatch" in line.draw}

    assert {
        f"{side} path, channel A{load}: mismatch at {mhz} MHz"
        for side, load in (("input", ""), ("output", ", 200 Ω"))
        for mhz in (50, 60, 70)
    } == set(mine)
    line = mine["output path, channel A, 200 Ω: mismatch at 60 MHz"]
    assert line.half_width == pytest.approx(0.1594, abs=1e-4)
    assert line.divisor == pytest.approx(2**0.5)
    assert line.sensitivity == pytest.approx(0.95, abs=1e-6)
    assert line.contribution == pytest.approx(0.95 * STANDARD_DB, rel=1e-3)


@pytest.mark.parametrize("word", ["gain_step", "gain_step_error", "gain_range", "gain_tempco"])
def test_at_one_frequency_and_path_mismatch_cancels(make_night: MakeNight, word: str) -> None:
    """Both levels went through the same joints at the same frequency: their difference knows nothing of them."""
    frames, _ = make_night()
    plain, reflecting = (derive(one)[word].result for one in (frames, _reflecting(frames)))

    np.testing.assert_allclose(_mismatch_db(_reflecting(frames), word), 0.0, atol=1e-12)
    np.testing.assert_allclose(reflecting.standard, plain.standard, rtol=1e-9)
    np.testing.assert_array_equal(reflecting.value, plain.value)


def test_between_channels_mismatch_counts_twice(make_night: MakeNight) -> None:
    """Each channel has joints of its own: √2 of what a gain has."""
    np.testing.assert_allclose(_mismatch_db(_reflecting(make_night()[0]), "gain_match"), 2**0.5 * 0.15152, rtol=1e-3)


def test_a_product_shares_the_mismatch_of_its_tones_as_far_as_it_is_near(make_night: MakeNight) -> None:
    """IM3 at 58.5 MHz less the tone at 59.5 MHz: 0.1 of a draw to and fro. A harmonic at 119 MHz shares nothing."""
    frames = _reflecting(make_night()[0])
    tone, product, harmonic = (_level(frames, line) for line in ("tone_lower", "im3_lower", "hd2"))
    near, far = (product - tone).causes["output mismatch"], (harmonic - tone).causes["output mismatch"]

    np.testing.assert_allclose(np.sqrt(near.variance), 2**0.5 * 0.1 * STANDARD_DB, rtol=1e-3)
    np.testing.assert_allclose(
        np.sqrt(far.variance), STANDARD_DB * np.sqrt(0.05**2 + 0.95**2 + 0.1**2 + 0.9**2), rtol=1e-3
    )


def test_the_rig_errs_as_the_budget_says_at_neighbouring_frequencies_too() -> None:
    """Covariances of the rig's losses at 53, 57 and 62 MHz over 4000 benches against weights · weights · u².

    The budget's u is by 1.5 % larger than the standard deviation (lower limit instead of the mean of both).
    """
    hertz = (53e6, 57e6, 62e6)

    def drawn(seed: int) -> list[float]:
        paths = Paths((PathLossSetup("output", None, None, lambda _: 0.0, 0.0, ENDS),), seed)
        return [paths.output_db("A", 200.0, hz) for hz in hertz]

    found = np.cov(np.array([drawn(seed) for seed in range(4000)]).T)
    weights = np.array([[0.7, 0.3, 0.0], [0.3, 0.7, 0.0], [0.0, 0.8, 0.2]])

    np.testing.assert_allclose(found, weights @ weights.T * STANDARD_DB**2, rtol=0.06)


@pytest.mark.parametrize("vswr", [None, (1.0, 1.5)])
def test_a_bench_that_declares_no_reflection_has_no_such_cause_and_the_report_says_so(
    make_night: MakeNight, vswr: tuple[float, float] | None
) -> None:
    """U is then too small by it: the caveat says of how many paths."""
    frames = _reflecting(make_night()[0], vswr)
    said = " ".join(caveats(frames, wide_readings(frames.conditions.index, frames.readings)))

    assert not {"input mismatch", "output mismatch"} & set(derive(frames)["gain"].result.causes)
    assert "no vswr, or one of 1: any path." in said


def test_one_side_may_be_declared_alone(make_night: MakeNight) -> None:
    """Then the other side's paths are named one by one, and its causes are not there."""
    frames = _reflecting(make_night()[0], paths="output")
    causes = derive(frames)["gain"].result.causes
    said = " ".join(caveats(frames, wide_readings(frames.conditions.index, frames.readings)))

    assert "output mismatch" in causes
    assert "input mismatch" not in causes
    assert "no vswr, or one of 1: input path, channel A; input path, channel B." in said


def test_a_fully_declared_bench_has_no_caveat_on_reflections(make_night: MakeNight) -> None:
    """Nothing is missing there."""
    frames = _reflecting(make_night()[0])

    assert "reflect" not in " ".join(caveats(frames, wide_readings(frames.conditions.index, frames.readings)))


def test_the_report_shows_both_ends_and_the_limits(make_night: MakeNight) -> None:
    """VSWR 1.5 is a return loss of 14.0 dB, 1.2 one of 20.8 dB; together +0.157, −0.159 dB."""
    frames, _ = make_night()
    shown, undeclared = (corrections_section(summarise(one))["paths"][0] for one in (_reflecting(frames), frames))

    assert (shown["ends"], shown["mismatch"].replace("\N{MINUS SIGN}", "-")) == (
        "1.5 (14.0 dB) to 1.2 (20.8 dB)",
        "+0.157, -0.159 dB",
    )
    assert (undeclared["ends"], undeclared["mismatch"]) == ("not declared", "–")
