"""Clocks: never backwards, and the simulated one moves by what is slept and by nothing else."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clocks import RealClock, SimulatedClock

STARTS = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
DURATIONS_S = st.floats(-1e6, 1e6)


@given(st.lists(DURATIONS_S, max_size=40))
def test_a_simulated_clock_shows_the_sum_of_its_sleeps(durations_s: list[float]) -> None:
    """Waits of zero or less do not move it; tolerance: the rounding of a plain sum."""
    clock = SimulatedClock(STARTS)
    for duration_s in durations_s:
        clock.sleep(duration_s)
    slept_s = math.fsum(duration for duration in durations_s if duration > 0)

    assert clock.elapsed_s() == pytest.approx(slept_s, rel=1e-12, abs=1e-9)
    assert clock.now() - STARTS == timedelta(seconds=clock.elapsed_s())


@given(st.lists(DURATIONS_S, min_size=1, max_size=40))
def test_a_simulated_clock_never_goes_back(durations_s: list[float]) -> None:
    """Whatever is slept, also a negative time, both of its readings only rise."""
    clock = SimulatedClock(STARTS)
    seen = [(clock.elapsed_s(), clock.now())]
    for duration_s in durations_s:
        clock.sleep(duration_s)
        seen.append((clock.elapsed_s(), clock.now()))

    assert seen == sorted(seen)


def test_looking_at_a_simulated_clock_does_not_move_it() -> None:
    """Only waits take time, so a slow machine changes no run."""
    clock = SimulatedClock(STARTS)
    clock.sleep(1.5)

    assert {clock.elapsed_s() for _ in range(100)} == {1.5}


def test_a_simulated_start_without_a_zone_is_refused() -> None:
    """A time without a zone would be read as local on one machine and as UTC on another."""
    with pytest.raises(ValueError, match="timezone-aware"):
        SimulatedClock(STARTS.replace(tzinfo=None))


def test_a_simulated_start_in_another_zone_is_told_in_utc() -> None:
    """The same instant, and the zone that the store expects."""
    clock = SimulatedClock(STARTS.astimezone(timezone(timedelta(hours=5))))

    assert clock.now() == STARTS
    assert clock.now().tzinfo is UTC


def test_a_real_clock_is_in_utc_and_does_not_go_back() -> None:
    """``elapsed_s`` comes from a monotonic source and begins near zero."""
    clock = RealClock()
    seen_s = [clock.elapsed_s() for _ in range(1000)]

    assert seen_s == sorted(seen_s)
    assert 0 <= seen_s[0] < 60
    assert clock.now().tzinfo is UTC


@pytest.mark.parametrize("duration_s", [0.0, -3600.0, -math.inf])
def test_a_real_clock_does_not_wait_for_zero_or_less(duration_s: float) -> None:
    """A deadline that has passed is not an error and costs no time; an hour would not end within the minute."""
    clock = RealClock()
    clock.sleep(duration_s)

    assert clock.elapsed_s() < 60
