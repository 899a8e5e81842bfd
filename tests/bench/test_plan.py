"""A plan: every condition once, in order, with an estimate that adds up and the hazards that go with it."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from bench.hazards import hazards
from bench.measure import expected_tone_dbm, lines_of
from bench.plan import MeasureTime, acquisition_for, make_plan
from sequences.conditions import Condition, expand
from sequences.read_files import Setup

CONDITION = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
SUPPLY_ONLY = {"[soak]": "[measure]\ntwo_tone = false\nharmonics = false\n[soak]"}


def measure_time_s(setup: Setup, condition: Condition = CONDITION) -> float:
    return MeasureTime(setup, acquisition_for(setup))(condition)


def test_a_plan_holds_every_condition_of_the_sequence_once(overnight: Setup) -> None:
    """Another order than the file's, the same conditions."""
    plan = make_plan(overnight)
    expanded = expand(overnight.sequence.model, overnight.part.model, overnight.bench.model)

    assert len(plan.conditions) == len(expanded) == len(set(plan.conditions))
    assert set(plan.conditions) == set(expanded)
    assert plan.hazards == hazards(overnight, plan.conditions)


def test_each_temperature_is_visited_once(overnight: Setup) -> None:
    """Its change costs most."""
    visited = [condition.temperature_c for condition in make_plan(overnight).conditions]
    changes = sum(before != after for before, after in itertools.pairwise(visited))

    assert changes == len(set(visited)) - 1


def test_the_finish_is_the_start_and_the_estimate(quick: Setup) -> None:
    """Each condition has its own finish time, rising; the last is the run's."""
    plan = make_plan(quick)
    now = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)

    assert len(plan.estimate.finish_s) == len(plan.conditions)
    assert list(plan.estimate.finish_s) == sorted(plan.estimate.finish_s)
    assert plan.finishes(now) - now == timedelta(seconds=plan.estimate.finish_s[-1])
    assert sum(plan.estimate.by_cause_s.values()) == pytest.approx(plan.estimate.total_s)


def test_measuring_takes_the_sweeps_that_the_typical_unit_needs(quick: Setup) -> None:
    """Seven lines at least 21 samples each, at the fastest filter 30 kHz and 10 ms of tuning; at most 3.5 s a line."""
    fastest_s = 7 * (21 * 1.5 / 30e3 + 0.01)

    assert fastest_s < measure_time_s(quick) < 7 * 3.6


def test_a_run_without_lines_takes_what_its_meters_take(make_setup: Callable[..., Setup]) -> None:
    """40 ms for the slower of two meters that read at once, and 22 messages."""
    setup = make_setup(SUPPLY_ONLY)

    assert acquisition_for(setup) is None
    assert lines_of(setup.sequence.model.measure) == ()
    assert measure_time_s(setup) == pytest.approx(0.04 + 22 * 0.001)


def test_repeats_multiply_the_time(make_setup: Callable[..., Setup], quick: Setup) -> None:
    """Each is a whole set of readings."""
    thrice = make_setup({"reference_temperature_c = 25": "reference_temperature_c = 25\nrepeats = 3"})

    assert measure_time_s(thrice) == pytest.approx(3 * measure_time_s(quick))


def test_a_stricter_target_takes_longer(make_setup: Callable[..., Setup], quick: Setup) -> None:
    """Less scatter, slower sweeps."""
    strict = make_setup({"[soak]": "[measure]\nproduct_scatter_db = 0.05\n[soak]"})

    assert measure_time_s(strict) > measure_time_s(quick)


def test_weaker_tones_and_better_modes_take_longer(overnight: Setup) -> None:
    """Their products lie nearer to the noise: 0 dBm against 6 dBm, 45 dBm of OIP3 against 40 dBm."""
    weak, strong = (measure_time_s(overnight, replace(CONDITION, tone_level_dbm=level)) for level in (0.0, 6.0))
    low_power = measure_time_s(overnight, replace(CONDITION, supply_mode="low power"))

    assert weak > strong
    assert low_power < measure_time_s(overnight)


def test_every_gain_code_takes_the_same_time_when_the_level_is_meant_at_the_output(overnight: Setup) -> None:
    """The analyzer sees the same tones."""
    times = {measure_time_s(overnight, replace(CONDITION, gain_code=code)) for code in range(31)}

    assert len(times) == 1
    assert expected_tone_dbm(CONDITION, overnight.part.model, overnight.sequence.model) == 3.0


def test_a_plan_names_the_limits_that_none_of_its_conditions_meets(
    overnight: Setup, make_setup: Callable[..., Setup]
) -> None:
    """The overnight sequence decides all; the quick one has no low power mode, and all its limits ask for 3 dBm."""
    quick = make_plan(make_setup({})).unmet_limits()
    loud = make_plan(
        make_setup({"tone_level_dbm = 3\nfrequency_mhz = 60": "tone_level_dbm = 6\nfrequency_mhz = 60"})
    ).unmet_limits()

    assert make_plan(overnight).unmet_limits() == ()
    assert quick
    assert {str(limit.where["supply_mode"]) for limit in quick} == {"low power"}
    assert {limit.characteristic for limit in loud} > {"oip3", "gain", "hd2"}
