"""Clocks: never backwards, and the simulated one moves by what is slept and by nothing else."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clocks import RealClock, ScaledClock, SimulatedClock

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


class Stopwatch:
    """Stands for the machine's clock."""

    def __init__(self) -> None:
        self.passed_s = 0.0
        self.slept_s: list[float] = []

    def now(self) -> datetime:
        return STARTS + timedelta(seconds=self.passed_s)

    def elapsed_s(self) -> float:
        return self.passed_s

    def sleep(self, duration_s: float) -> None:
        self.slept_s.append(duration_s)
        self.passed_s += duration_s


@given(st.floats(0.01, 1e5), st.lists(st.floats(0, 1e6), max_size=20))
def test_a_scaled_clock_is_the_real_one_times_its_speed(speed: float, durations_s: list[float]) -> None:
    """Waits take the speed-th part, and what is read has passed so many times faster."""
    real = Stopwatch()
    clock = ScaledClock(speed, STARTS, real)
    for duration_s in durations_s:
        clock.sleep(duration_s)

    assert real.slept_s == pytest.approx([duration_s / speed for duration_s in durations_s])
    assert clock.elapsed_s() == pytest.approx(sum(durations_s))
    assert (clock.now() - STARTS).total_seconds() == pytest.approx(clock.elapsed_s(), abs=2e-6)


def test_a_scaled_clock_starts_at_the_machines_time_unless_it_is_told() -> None:
    """In UTC, whatever zone it was told in."""
    zone = timezone(timedelta(hours=5))

    assert ScaledClock(600, real=Stopwatch()).now() == STARTS
    assert ScaledClock(600, STARTS.astimezone(zone), Stopwatch()).now() == STARTS


def test_a_scaled_clock_that_stands_still_or_has_no_zone_is_refused() -> None:
    """Its waits would never end; its time would mean another on each machine."""
    with pytest.raises(ValueError, match="does not let time pass"):
        ScaledClock(0)
    with pytest.raises(ValueError, match="timezone-aware"):
        ScaledClock(1, STARTS.replace(tzinfo=None))
