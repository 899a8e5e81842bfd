"""What a run hears besides its instruments, and the clock that ticks with its recording."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.clocks import SimulatedClock
from bench.errors import Tripped
from bench.hearing import HeardWishes, NotedClock, Wished, facts_of_voice, heard_disk, heard_guard, wished_in
from bench.interlocks import Interlock, Watch
from bench.job import StopSwitch
from bench.recording import ExchangeLog
from bench.store.recording_chunks import pack, unpack
from drivers.messages import Exchange
from drivers.timing import left_s

BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


class WallClock(SimulatedClock):
    """A true clock of its own pace, whose wall clock may be set."""

    def __init__(self) -> None:
        super().__init__(BEGAN)
        self.ahead = timedelta(0)

    def now(self) -> datetime:
        return super().now() + self.ahead


def exchange_at(clock: SimulatedClock, log: ExchangeLog, lasts_s: float) -> None:
    """An exchange as the message layer notes it: by the true clock, in doubles of any kind."""
    at_s = clock.elapsed_s()
    clock.sleep(lasts_s)
    log.note(Exchange(1, "supply", at_s, b"*IDN?", b"x", clock.elapsed_s() - at_s, None))


moments = st.floats(0, 1e5, allow_nan=False) | st.sampled_from([0.0, 1e-9, 5e-7, 0.001, 0.1 + 0.2, 1 / 3])


@given(st.lists(st.tuples(st.sampled_from(["exchange", "sleep", "compute"]), moments), max_size=40))
def test_the_clock_of_a_run_says_what_the_recording_says(course: list[tuple[str, float]]) -> None:
    """Whatever happens between: it never goes back, moves with what is noted only, and is at_s + duration_s of it."""
    true, log = SimulatedClock(BEGAN), ExchangeLog()
    clock, heard, before_s = NotedClock(true, log), [], 0.0
    for what, seconds in course:
        if what == "exchange":
            exchange_at(true, log, seconds)
        elif what == "sleep":
            clock.sleep(seconds)
        else:
            true.sleep(seconds)
        new = log.take()
        heard += new
        now_s = clock.elapsed_s()

        assert now_s >= before_s
        assert now_s == before_s or new
        assert not heard or round((heard[-1].at_s + heard[-1].duration_s) * 1e6) == round(now_s * 1e6)
        assert clock.now() == BEGAN + timedelta(microseconds=round(now_s * 1e6))
        before_s = now_s
    ends = [one.at_s + one.duration_s for one in heard]
    assert all(one.at_s >= end_s - 1e-9 for one, end_s in zip(heard[1:], ends, strict=False))
    assert unpack(pack(heard)) == tuple(heard)


@given(st.lists(moments, min_size=1, max_size=20))
def test_a_loop_that_waits_ends_after_one_wait(waits: list[float]) -> None:
    """What is left by the rounding of doubles is not waited for, and no wait is shorter than what was asked for."""
    true, log = SimulatedClock(BEGAN), ExchangeLog()
    clock = NotedClock(true, log)
    for seconds in waits:
        began_s = clock.elapsed_s()
        ends_s, turns = began_s + seconds, 0
        while (rest_s := left_s(clock, ends_s)) > 0:
            clock.sleep(rest_s)
            turns += 1

        assert turns <= 1
        assert clock.elapsed_s() - began_s >= seconds - 1e-6


def test_a_wait_is_noted_as_it_was_asked_for_and_as_long_as_it_was() -> None:
    """One that is broken off, by whatever, is noted too, so that time does not stand still."""

    class Woken(SimulatedClock):
        def sleep(self, duration_s: float) -> None:
            super().sleep(duration_s / 4)
            raise KeyboardInterrupt

    true, log = SimulatedClock(BEGAN), ExchangeLog()
    clock = NotedClock(true, log)
    clock.sleep(2.5)
    clock.sleep(1e-7)
    woken = Woken(BEGAN)
    broken = NotedClock(woken, other := ExchangeLog())
    with pytest.raises(KeyboardInterrupt):
        broken.sleep(2.0)

    assert log.take() == [Exchange(1, "clock", 0.0, b"sleep 2.5", None, 2.5, None)]
    assert other.take() == [Exchange(1, "clock", 0.0, b"sleep 2.0", None, 0.5, None)]


def test_a_wall_clock_that_is_set_is_followed_and_noted() -> None:
    """A window of a sequence is by the wall clock: a machine that has slept, or was set, has another time."""
    true, log = WallClock(), ExchangeLog()
    clock = NotedClock(true, log)
    clock.sleep(10.0)
    true.ahead = timedelta(hours=1)

    assert clock.now() == BEGAN + timedelta(seconds=10)
    clock.sleep(10.0)
    assert clock.now() == BEGAN + timedelta(hours=1, seconds=20)
    assert clock.elapsed_s() == 20.0
    assert [one.sent for one in log.take()] == [b"sleep 10.0", b"sleep 10.0", b"set 3600.0"]


# --- Voices

Wish = Callable[[StopSwitch], None]
WISHES: dict[bytes, Wish] = {
    b"stop": lambda stop: stop.ask("by key"),
    b"stop after condition": lambda stop: stop.ask_after_condition("by key"),
    b"hold": lambda stop: stop.ask_hold("by key"),
    b"go on": lambda stop: stop.ask_go_on("by key"),
}


@pytest.mark.parametrize("word", WISHES)
def test_a_wish_is_noted_when_the_run_looks_and_with_the_number_of_the_look(word: bytes) -> None:
    """A look without news is counted and leaves no trace; what comes between two looks is noted at the second."""
    stop, log = StopSwitch(), ExchangeLog()
    heard = HeardWishes(stop, log)

    assert not heard.asked
    WISHES[word](stop)
    assert log.take() == []
    assert heard.by == "by key"
    assert heard.by == "by key"
    (noted,) = log.take()
    assert (noted.instrument, noted.sent, facts_of_voice(noted)["look"]) == ("person", word, 2)


@given(st.lists(st.sampled_from([*WISHES.values(), None, None]), max_size=30))
def test_the_wishes_of_a_recording_are_those_that_the_run_has_seen(course: list[Wish | None]) -> None:
    """Applied at the same looks to a switch that nobody touches, they show the run the same at each look."""
    stop, log = StopSwitch(), ExchangeLog()
    heard, seen = HeardWishes(stop, log), []
    for wish in course:
        if wish is None:
            seen.append((heard.asked, heard.after_condition, heard.hold, heard.gone_on, heard.times, heard.by))
        else:
            wish(stop)
    recorded = log.take()
    stands, looks, again = Wished(), 0, []
    for _ in seen:
        for _ in range(6):
            looks += 1
            if recorded and facts_of_voice(recorded[0])["look"] == looks:
                stands, looks = wished_in(recorded.pop(0)), 0
        again.append(tuple(stands))

    assert again == seen
    assert recorded == []


def test_what_the_run_says_of_itself_reaches_those_who_wish() -> None:
    """Whether it is held decides what the space bar means."""
    stop = StopSwitch()
    HeardWishes(stop, ExchangeLog()).held = True

    assert stop.held


def test_a_disk_is_noted_while_it_has_too_little() -> None:
    """By the stricter of a file's rule and the tool's own; what is enough decides nothing."""
    log, free = ExchangeLog(), iter([900.0, 400.0, None, 50.0, 900.0])
    own = Interlock("disk space", Watch("disk_space_mb", "MB", 100.0, float("inf"), "room"))
    rule = Interlock("disk space", Watch("disk_space_mb", "MB", 500.0, float("inf"), "room"), own=own)
    look = heard_disk(lambda: next(free), rule, log)

    assert [look() for _ in range(5)] == [900.0, 400.0, None, 50.0, 900.0]
    assert [(one.instrument, facts_of_voice(one)) for one in log.take()] == [
        ("disk", {"look": 2, "free_mb": 400.0}),
        ("disk", {"look": 2, "free_mb": 50.0}),
    ]


def test_the_end_of_a_guard_is_noted_when_it_trips_the_run() -> None:
    """What it raises goes on its way."""
    log, calls = ExchangeLog(), iter(["", "", "the guard process has ended"])

    def exchanged() -> None:
        if cause := next(calls):
            raise Tripped(cause)

    look = heard_guard(exchanged, log)
    look()
    look()
    with pytest.raises(Tripped, match="has ended"):
        look()
    (noted,) = log.take()
    assert (noted.instrument, noted.error) == ("guard", "Tripped: the guard process has ended")
    assert facts_of_voice(noted) == {"look": 3, "cause": "the guard process has ended"}
