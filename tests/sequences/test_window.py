"""The hours in which a run may go on: one opening a day, whatever the clocks do."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edited_demo import edited_demo
from sequences.errors import FileFaults
from sequences.window import Window

ZURICH = "Europe/Zurich"

#: Clocks in Zürich are put forward on 2026-03-29 and back on 2026-10-25, both at 01:00 UTC (Directive 2000/84/EC).
SPRING, AUTUMN = datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)

hours = st.builds(time, st.integers(0, 23), st.integers(0, 59))


def window(opens: time, closes: time, zone: str = ZURICH) -> Window:
    return Window.model_validate({"from": opens, "to": closes, "zone": zone})


windows = st.tuples(hours, hours).filter(lambda pair: pair[0] != pair[1]).map(lambda pair: window(*pair))
moments = st.tuples(st.sampled_from([SPRING, AUTUMN]), st.integers(-3 * 1440, 3 * 1440)).map(
    lambda pair: pair[0] + timedelta(minutes=pair[1])
)


@given(windows, moments)
def test_an_opening_lies_ahead_or_holds_now_and_is_as_open_inside(one: Window, now: datetime) -> None:
    """Its begin belongs to it and its end does not; before it nothing is open."""
    begins, ends = one.opening(now)

    assert now < ends
    assert begins < ends
    assert one.is_open(now) is (begins <= now)
    assert one.is_open(begins)
    assert one.opening(begins) == (begins, ends)
    assert ends - begins <= timedelta(hours=25)


@given(windows, moments)
def test_openings_follow_each_other_without_overlap_about_a_day_apart(one: Window, now: datetime) -> None:
    """Also across a change of clocks, where one may be left out but none comes twice."""
    begins, ends = one.opening(now)
    later, _ = one.opening(ends)

    assert later >= ends
    assert timedelta(hours=23) <= later - begins <= timedelta(hours=49)


@given(windows, moments)
def test_the_wall_clock_shows_the_hours_of_the_file(one: Window, now: datetime) -> None:
    """Save for an hour that is left out, which counts as much later as clocks are put forward."""
    begins, ends = one.opening(now)
    for at, hour in ((begins, one.opens), (ends, one.closes)):
        shown = one.local(at)
        left_out = shown.date() == SPRING.date() and time(2) <= hour < time(3)
        expected = hour.replace(hour=3) if left_out else hour
        assert (shown.hour, shown.minute) == (expected.hour, expected.minute)


@pytest.mark.parametrize(
    ("day", "hours_long"), [((2026, 3, 28), 11), ((2026, 10, 24), 13), ((2026, 6, 1), 12)], ids=str
)
def test_a_night_over_a_change_of_clocks_is_an_hour_shorter_or_longer(
    day: tuple[int, int, int], hours_long: int
) -> None:
    """From 19:00 to 07:00 by the wall clock."""
    begins, ends = window(time(19), time(7)).opening(datetime(*day, 12, tzinfo=ZoneInfo(ZURICH)))

    assert ends - begins == timedelta(hours=hours_long)


def test_an_hour_that_comes_twice_counts_the_first_time() -> None:
    """02:30 in summer time closes it, and the second 02:10 is not inside again."""
    one = window(time(22), time(2, 30))
    _, ends = one.opening(AUTUMN - timedelta(hours=2))

    assert ends == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert not one.is_open(datetime(2026, 10, 25, 1, 10, tzinfo=UTC))


def test_without_a_zone_it_is_the_computer_s_wall_clock() -> None:
    """Whatever that is: the local time at the opening is the file's."""
    one = Window.model_validate({"from": time(19), "to": time(7)})
    begins, _ = one.opening(datetime(2026, 6, 1, 12, tzinfo=UTC))

    assert begins.astimezone().time() == time(19)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ('{ from = "19:00", to = "19:00" }', "from and to are the same"),
        ('{ from = "25:00", to = "07:00" }', 'a time of day such as "19:00" is wanted'),
        ('{ from = 19, to = "07:00" }', 'a time of day such as "19:00" is wanted'),
        ('{ from = "19:00" }', "to: the key is missing"),
        ('{ from = "19:00", to = "07:00", zone = "Nowhere" }', "a time zone that this computer knows"),
        ('{ from = "19:00", to = "07:00", at_end = "hold" }', 'allowed "stop", "wait"'),
        ('{ form = "19:00", to = "07:00" }', "Did you mean from"),
    ],
)
def test_a_mistake_in_a_window_is_answered_in_words(text: str, problem: str) -> None:
    """No traceback, and the key."""
    with pytest.raises(FileFaults, match=problem):
        edited_demo({"reference_temperature_c = 25": f"reference_temperature_c = 25\nwindow = {text}"})


def test_a_skip_without_retries_is_a_contradiction() -> None:
    """Once is not again and again."""
    lines = 'reference_temperature_c = 25\non_failing_condition = "skip"'
    with pytest.raises(FileFaults, match='needs on_fault = "retry"'):
        edited_demo({"reference_temperature_c = 25": lines})
