"""The whole way from readings to characteristics, on runs whose truth is known."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from reports.characteristics import CHARACTERISTICS
from reports.derive import Derived, derive, table
from reports.frames import AXES, RunFrames
from reports.uncertainty import Uncertain

FloatArray = NDArray[np.float64]


class MakeNight(Protocol):
    def __call__(
        self, seed: int = 0, *, size: float = 1.0, repeats: int = 1, **axes: Any
    ) -> tuple[RunFrames, dict[str, FloatArray]]: ...


#: Largest distance from the truth on a perfect bench: what noise and the analyzer's own products leave, dB (or A, W).
LEFT_BY_NOISE = {
    "oip3": 1.0,
    "oip3_lower": 1.0,
    "oip3_upper": 1.0,
    "oip3_load_change": 0.5,
    "im3": 2.0,
    "oip2": 0.8,
    "hd2": 0.8,
    "hd3": 2.0,
    "gain": 0.02,
    "gain_tempco": 1e-4,
    "output_resistance": 0.02,
    "series_resistor": 0.01,
    "dissipated_power": 1e-5,
}


#: One value less would leave some characteristic without a partner.
EVERY_AXIS: dict[str, Any] = {
    "gain_code": (0, 1, 5),
    "temperature_c": (25.0, 85.0),
    "supply_mode": ("nominal", "low power"),
    "load_ohm": (50.0, 200.0),
    "tone_level_dbm": (0.0, 3.0),
    "frequency_hz": (45e6, 75e6),
}

#: What these nights do not read: a single tone, noise, curves of a network analyzer.
OTHER_READINGS = {
    "single_gain", "op1db", "noise_figure", "noise_figure_y", "noise_figure_gain", "small_signal_gain",
    "small_signal_flatness", "small_signal_gain_match", "phase", "phase_change", "phase_match", "image_rejection",
    "group_delay",
}  # fmt: skip

#: What the synthetic unit is everywhere.
CONSTANTS = {
    "supply_current_box": 400.0,
    "supply_current_slope": 400.0,
    "gain_tempco": -0.003,
    "oip3_load_change": 0.0,
    "output_resistance": 10.0,
    "series_resistor": 95.0,
    "series_resistor_loss": 20 * np.log10(400 / 210),
}


class _True:
    """What a characteristic truly is, by plain look-up of the partners in a dictionary of conditions."""

    def __init__(self, frames: RunFrames, truth: Mapping[str, FloatArray]) -> None:
        self._truth, self._axes = truth, list(AXES)
        self._points = list(frames.conditions[self._axes].itertuples(index=False, name=None))
        self._where = {point: number for number, point in enumerate(self._points)}
        self._values = {axis: sorted(frames.conditions[axis].unique()) for axis in AXES}

    def __call__(self, word: str, rows: NDArray[np.intp]) -> FloatArray:
        if word in self._truth:
            return self._truth[word][rows]
        if word in CONSTANTS:
            return np.full(len(rows), CONSTANTS[word])
        function: Callable[[int], float] = getattr(self, word)
        return np.array([function(int(row)) for row in rows])

    def at(self, row: int, axis: str, value: object) -> int:
        """Number of the condition that differs from ``row`` on one axis."""
        place = self._axes.index(axis)
        return self._where[(*self._points[row][:place], value, *self._points[row][place + 1 :])]

    def along(self, row: int, axis: str) -> list[int]:
        """All conditions that differ from ``row`` on one axis, by rising value."""
        return [self.at(row, axis, value) for value in self._values[axis]]

    def of(self, row: int, axis: str) -> float:
        return float(self._points[row][self._axes.index(axis)])

    def gain(self, row: int, axis: str = "gain_code", value: object = None) -> float:
        return float(self._truth["gain"][row if value is None else self.at(row, axis, value)])

    def gain_step(self, row: int) -> float:
        return self.gain(row, value=self.of(row, "gain_code") - 1) - self.gain(row)

    def gain_step_error(self, row: int) -> float:
        return self.gain_step(row) - 0.75

    def gain_monotonicity(self, row: int) -> float:
        pairs = itertools.pairwise(self.along(row, "gain_code"))
        adjacent = [(a, b) for a, b in pairs if self.of(b, "gain_code") == self.of(a, "gain_code") + 1]
        return min(self.gain(a) - self.gain(b) for a, b in adjacent)

    def gain_range(self, row: int) -> float:
        return self.gain(row, value=0) - self.gain(row)

    def cumulative_gain_error(self, row: int) -> float:
        return self.gain_range(row) - 0.75 * self.of(row, "gain_code")

    def gain_end_point_error(self, row: int) -> float:
        first, *_, last = codes = self.along(row, "gain_code")
        ends = [self.of(one, "gain_code") for one in (first, last)]
        line = np.interp(self.of(row, "gain_code"), ends, [self.gain(first), self.gain(last)])
        return self.gain(row) - float(line) if len(codes) > 1 else 0.0

    def gain_best_fit_error(self, row: int) -> float:
        group = self.along(row, "gain_code")
        fit = np.polyfit([self.of(one, "gain_code") for one in group], [self.gain(one) for one in group], 1)
        return self.gain(row) - float(np.polyval(fit, self.of(row, "gain_code")))

    def gain_flatness(self, row: int) -> float:
        gains = [self.gain(one) for one in self.along(row, "frequency_hz")]
        return max(gains) - min(gains)

    def gain_match(self, row: int) -> float:
        return self.gain(row, "channel", "A") - self.gain(row)

    def level_load_change(self, row: int) -> float:
        change = self.gain(row) - self.gain(row, "load_ohm", 200.0)
        return change - 10 * math.log10(self.of(row, "load_ohm") / 200)

    def im3_slope(self, row: int) -> float:
        group = self.along(row, "tone_level_dbm")
        before = group[group.index(row) - 1]
        rise = {name: self._truth[name][row] - self._truth[name][before] for name in ("products", "tones")}
        return float(rise["products"] / rise["tones"])

    def supply_current_change(self, row: int) -> float:
        return float(self._truth["supply_current"][row] - self._at_reference(row))

    def supply_current_drift(self, row: int) -> float:
        return float(100 * (self._truth["supply_current"][row] / self._at_reference(row) - 1))

    def supply_power(self, row: int) -> float:
        return float(self._truth["supply_voltage"][row] * self._truth["supply_current"][row])

    def mode_power_saving(self, row: int) -> float:
        return 100 * (1 - self.supply_power(row) / self.supply_power(self.at(row, "supply_mode", "nominal")))

    def dissipated_power(self, row: int) -> float:
        return self.supply_power(row) + float(self._truth["rf_power"][row])

    def _at_reference(self, row: int) -> float:
        return float(self._truth["supply_current"][self.at(row, "temperature_c", 25.0)])


def _contributions(result: Uncertain, row: int) -> dict[str, float]:
    return {line.cause: line.contribution for line in result.budget(row)}


def test_a_full_night_holds_every_characteristic(make_night: MakeNight) -> None:
    """A run with two tones, harmonics, supply and more than one value on every axis lacks none of the table but what
    needs a single tone, noise or a network analyzer.
    """
    frames, _ = make_night(**EVERY_AXIS)

    assert list(derive(frames)) == [word for word in CHARACTERISTICS if word not in OTHER_READINGS]


def test_a_perfect_bench_gives_the_truth(make_night: MakeNight) -> None:
    """With all errors at 0 only noise and the analyzer's own products stand between readings and truth."""
    frames, truth = make_night(size=0.0, supply_mode=("nominal", "low power"), load_ohm=(50.0, 200.0))
    derived, true = derive(frames), _True(frames, truth)

    for word, one in derived.items():
        error = np.abs(one.result.value - true(word, one.rows))
        tolerance = LEFT_BY_NOISE.get(word, 0.05 if CHARACTERISTICS[word].unit == "dB" else 1e-9)
        assert error.max() < tolerance, word


#: What has no value to be told from: in these nights nothing leaves 3:1, and both are bounds.
BOUNDED = {"im3_departure_level", "im3_knee_level"}

#: A difference of products in which the phase of the analyzer's own part is counted anew at each load, since it may
#: change with the unit's; at the benches of these nights it does not, and what it adds cancels.
CAUTIOUS = {"oip3_load_change"}


def _assert_covered(nights: Iterable[tuple[RunFrames, Mapping[str, FloatArray]]]) -> set[str]:
    """At least 93 % of the errors within U, and as large as the standard uncertainties say, within a third."""
    scores: dict[str, list[FloatArray]] = {}
    for frames, truth in nights:
        true = _True(frames, truth)
        for word, one in derive(frames).items():
            if word in BOUNDED:
                assert np.all(one.result.bound == 1), word
                continue
            known = (one.result.standard > 1e-12) & (one.result.bound == 0)
            error = one.result.value - true(word, one.rows)
            scores.setdefault(word, []).append(error[known] / one.result.expanded()[known])
    for word, found in scores.items():
        score = np.concatenate(found)
        assert np.mean(np.abs(score) <= 1.0) >= 0.93, word
        least = 0.4 if word in CAUTIOUS else 2 / 3
        assert least < 2.0 * np.sqrt(np.mean(score**2)) < 4 / 3, word
    return set(scores)


def test_expanded_uncertainties_cover_the_truth_and_are_not_blown_up(make_night: MakeNight) -> None:
    """Over 100 benches drawn from the declared accuracies at least 93 % of the values lie within U (k = 2, 95.45 %
    nominal), and the errors are on average as large as the standard uncertainties say, within a third.

    7 % instead of 4.55 %: three standard deviations of a binomial count over 100 independent benches, sqrt(0.0455 ·
    0.9545 / 100) = 2.1 %, would allow 11 %; 93 % is the tighter promise.
    """
    covered = _assert_covered(make_night(seed, gain_code=(0, 1, 2), temperature_c=(25.0, 85.0)) for seed in range(100))

    assert {"oip3", "oip2", "hd2", "gain", "gain_step", "gain_best_fit_error", "supply_current_slope"} <= covered


@pytest.mark.slow
def test_figures_over_every_axis_cover_the_truth_as_well(make_night: MakeNight) -> None:
    """The same promise for what needs loads, levels, frequencies and modes, over 200 benches."""
    covered = _assert_covered(make_night(seed, channel=("A",), **EVERY_AXIS) for seed in range(200))

    assert covered == set(CHARACTERISTICS) - BOUNDED - OTHER_READINGS - {"gain_match"}


def test_a_gain_step_is_known_better_than_either_gain(make_night: MakeNight) -> None:
    """What both codes share cancels: of the sources only the settings are left, of the analyzer next to nothing."""
    frames, _ = make_night()
    derived = derive(frames)
    names = {line.cause for line in derived["gain_step_error"].result.budget(0) if line.contribution > 1e-3}

    assert derived["gain_step_error"].result.standard.max() < 0.15 * derived["gain"].result.standard.min()
    assert names == {"tone source setting"}


def test_the_codes_own_difference_to_itself_is_known_exactly(make_night: MakeNight) -> None:
    """x − x = 0 ± 0: the cumulative error at the highest gain, and the drift at the reference temperature."""
    frames, _ = make_night()
    derived = derive(frames)
    code = frames.conditions["gain_code"].to_numpy()
    temperature = frames.conditions["temperature_c"].to_numpy()

    for word, at_reference in (("cumulative_gain_error", code == 0), ("supply_current_drift", temperature == 25.0)):
        one = derived[word]
        here = at_reference[one.rows]
        assert here.any()
        np.testing.assert_allclose(one.result.value[here], 0.0, atol=1e-12)
        np.testing.assert_allclose(one.result.standard[here], 0.0, atol=1e-12)


def test_the_meters_gain_error_cancels_in_the_drift(make_night: MakeNight) -> None:
    """0.05 % of gain error is 0.029 % of current as standard uncertainty; of the relative drift it leaves nothing."""
    frames, _ = make_night()
    drift = derive(frames)["supply_current_drift"].result
    left = [_contributions(drift, row).get("current meter gain", 0.0) for row in range(len(drift))]

    assert max(left) < 1e-12
    assert drift.standard.max() < 1e-3


def test_channels_are_compared_without_what_they_share(make_night: MakeNight) -> None:
    """Between channels the path losses are other ones and stay; the analyzer's level error is the same and goes."""
    frames, _ = make_night()
    match = derive(frames)["gain_match"].result
    causes = {line.cause for line in match.budget(0) if line.contribution > 1e-6}

    assert {"input path loss", "output path loss"} <= causes
    assert "analyzer level" not in causes
    assert "tone source level" not in causes


def test_a_run_without_a_temperature_to_refer_to_has_no_drift(make_night: MakeNight) -> None:
    """Drift and box method need the reference temperature; nothing takes its place."""
    frames, _ = make_night(temperature_c=(-40.0, 85.0))
    derived = derive(frames)

    assert "supply_current" in derived
    assert not {"supply_current_drift", "supply_current_change", "supply_current_box"} & set(derived)


def test_one_temperature_has_no_box_coefficient(make_night: MakeNight) -> None:
    """The box method divides by the span of temperature: with one there is no figure, neither 0 nor infinity."""
    frames, _ = make_night(temperature_c=(25.0,))

    assert "supply_current_box" not in derive(frames)


def test_a_step_over_a_code_that_was_not_measured_does_not_count(make_night: MakeNight) -> None:
    """With codes 0, 1, 3, 4 the steps end at 1 and 4; 1 to 3 is two steps of the part and not one."""
    frames, _ = make_night(gain_code=(0, 1, 3, 4))
    one = derive(frames)["gain_step_error"]

    assert set(frames.conditions["gain_code"].to_numpy()[one.rows]) == {1, 4}


def test_without_the_highest_gain_there_is_no_cumulative_error(make_night: MakeNight) -> None:
    """The cumulative error starts at the part's code of highest gain and nowhere else."""
    frames, _ = make_night(gain_code=(1, 2, 3))
    derived = derive(frames)

    assert "gain_step_error" in derived
    assert "cumulative_gain_error" not in derived


def test_a_condition_that_misses_a_reading_loses_only_what_needs_it(make_night: MakeNight) -> None:
    """Without im3_lower at condition 4 there is no OIP3 there, but gain and harmonics stay."""
    frames, _ = make_night()
    gone = (frames.readings["condition"] == 4) & (frames.readings["quantity"] == "im3_lower_level_dbm")
    derived = derive(replace(frames, readings=frames.readings[~gone]))

    for word in ("oip3", "oip3_lower"):
        assert 4 not in derived[word].rows
        assert len(derived[word].rows) == len(frames.conditions) - 1
    for word in ("oip3_upper", "gain", "hd2"):
        assert 4 in derived[word].rows


def test_the_order_of_the_readings_does_not_matter(make_night: MakeNight) -> None:
    """A store may hand the rows over in any order."""
    frames, _ = make_night()
    shuffled = frames.readings.sample(frac=1.0, random_state=1)

    pd.testing.assert_frame_equal(
        table(derive(frames), frames.conditions),
        table(derive(replace(frames, readings=shuffled)), frames.conditions),
    )


def test_repeats_average_the_noise_and_nothing_else(make_night: MakeNight) -> None:
    """Nine repeats leave the bench's own errors as they were and a third of the noise, or what they scatter if more."""
    once = derive(make_night(repeats=1)[0])["hd3"].result
    often = derive(make_night(repeats=9)[0])["hd3"].result
    noise = [np.median([_contributions(run, row)["noise in the reading"] for row in range(9)]) for run in (once, often)]

    assert noise[1] == pytest.approx(noise[0] / 3, rel=0.35)
    level = [_contributions(run, 0)["analyzer response"] for run in (once, often)]
    assert level[1] == pytest.approx(level[0], rel=0.05)


def test_the_long_table_has_a_row_per_value_with_its_condition(make_night: MakeNight) -> None:
    """Axes come from the condition, the number is the condition's and not the row's."""
    frames, _ = make_night()
    renumbered = frames.conditions.copy()
    renumbered.index = pd.Index(renumbered.index.to_numpy() * 10 + 3, name="condition")
    readings = frames.readings.assign(condition=frames.readings["condition"] * 10 + 3)
    derived: Derived = derive(replace(frames, conditions=renumbered, readings=readings))
    long = table(derived, renumbered)
    one = long[long["characteristic"] == "gain_match"].iloc[2]
    row = renumbered.loc[one["condition"]]

    assert len(long) == sum(len(part.rows) for part in derived.values())
    assert {axis: one[axis] for axis in AXES} == {axis: row[axis] for axis in AXES}
    assert one["unit"] == "dB"
    assert set(long["unit"].unique()) == {CHARACTERISTICS[word].unit for word in derived}


def test_a_run_of_nothing_gives_an_empty_table(make_night: MakeNight) -> None:
    """A run that was stopped before its first condition can still be reported."""
    frames, _ = make_night()
    empty = replace(frames, conditions=frames.conditions.iloc[:0], readings=frames.readings.iloc[:0])
    derived = derive(empty)

    assert derived == {}
    assert len(table(derived, empty.conditions)) == 0
