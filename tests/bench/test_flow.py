"""Runs that are held, let go on, stopped and bound to a window, on a bench of fakes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_book import MemoryBook

from bench.clocks import SimulatedClock
from bench.errors import Stopped, Tripped, UnsafeBench
from bench.events import Event
from bench.job import Job, StopSwitch
from bench.plan import Plan, acquisition_for, make_plan
from bench.runner import Runner
from bench.telling import what_to_tell
from drivers.errors import InstrumentError, LinkLost, TimedOut
from edited_demo import EIGHT_CONDITIONS
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
Bench = Any

COUNT = 8
OFF = {"tone_1": False, "tone_2": False, "supply": False}
BIASED = {"tone_1": False, "tone_2": False, "supply": True}


def facts(*lines: str) -> dict[str, str]:
    """Edits that add lines to ``[sequence]``."""
    return {"reference_temperature_c = 25": "\n".join(("reference_temperature_c = 25", *lines))}


def interlock(*lines: str) -> dict[str, str]:
    """Edits that add an interlock to the bench file."""
    return {"[fixture]": "\n".join(("[[interlock]]", *lines, "", "[fixture]"))}


class FlowRun:
    """A run of eight conditions on fakes; wishes come at calls, events or times that a test says."""

    def __init__(self, plan: Plan, bench: Bench, places: Any) -> None:
        self.plan = plan
        self.bench = bench
        self.places = places
        self.book = MemoryBook()
        self.stop = StopSwitch()
        self.on_event: Callable[[Event], None] = lambda event: None
        self.energies: list[dict[str, bool]] = []

    @property
    def clock(self) -> SimulatedClock:
        clock: SimulatedClock = self.bench.clock
        return clock

    def go(self, done: frozenset[int] = frozenset()) -> None:
        setup = self.plan.setup
        job = Job("run", setup, acquisition_for(setup), self.plan.conditions, done)
        Runner(job, self.places, self.clock, self.book, self._hear, self.stop, self.bench.take_exchanges).run()

    def at_call(self, number: int, act: Callable[[], None]) -> None:
        """Do something right before a call."""
        earlier = self.bench.before

        def before(at: int, call: Any) -> None:
            earlier(at, call)
            if at == number:
                act()

        self.bench.before = before

    def at_time(self, at_s: float, act: Callable[[], None]) -> None:
        """Do something when the clock has come so far; once."""
        sleep, done = self.clock.sleep, list[float]()

        def sleep_and_act(duration_s: float) -> None:
            sleep(duration_s)
            if not done and self.clock.elapsed_s() >= at_s:
                done.append(at_s)
                act()

        self.clock.sleep = sleep_and_act  # type: ignore[method-assign]  # a clock that does something at a time

    def after_paused(self, wait_s: float, act: Callable[[], None]) -> None:
        """Do something so long after each hold has begun."""

        def hear(event: Event) -> None:
            if event.kind == "paused":
                self.at_time(self.clock.elapsed_s() + wait_s, act)

        self.on_event = hear

    def of_kind(self, kind: str) -> list[Event]:
        return [event for event in self.book.events if event.kind == kind]

    def held_energies(self) -> list[dict[str, bool]]:
        """What was on at every call that was made while the run was held."""
        return self.energies

    def _hear(self, event: Event) -> None:
        if event.kind == "paused":
            earlier = self.bench.before

            def before(at: int, call: Any) -> None:
                earlier(at, call)
                if self.stop.held:
                    self.energies.append(self.bench.energy())

            self.bench.before = before
        self.on_event(event)


MakeRun = Callable[..., FlowRun]


@pytest.fixture(scope="session")
def make_run(
    make_setup: Callable[..., Setup], make_bench: Callable[..., Bench], make_places: Callable[[Bench], Any]
) -> MakeRun:
    plans: dict[tuple[tuple[str, str], ...], Plan] = {}

    def make(edits: Mapping[str, str] | None = None) -> FlowRun:
        key = tuple((edits or {}).items())
        if key not in plans:
            plans[key] = make_plan(make_setup({**EIGHT_CONDITIONS, **(edits or {})}))
        bench = make_bench(plans[key].setup)
        return FlowRun(plans[key], bench, make_places(bench))

    return make


def keys(book: MemoryBook) -> set[tuple[int, int, str]]:
    """Every reading by condition, repeat and quantity."""
    return {
        (one.number, repeat, quantity)
        for one in book.conditions
        for repeat, readings in enumerate(one.readings)
        for quantity in readings
    }


@pytest.fixture(scope="session")
def whole(make_run: MakeRun) -> FlowRun:
    """A run that nothing disturbed."""
    run = make_run()
    run.go()
    return run


# --- The law


@settings(max_examples=12, deadline=None)
@given(data=st.data())
@pytest.mark.parametrize("bias", ["bias off", "bias on"])
def test_whatever_people_wish_the_readings_are_those_of_an_undisturbed_run(
    make_run: MakeRun, whole: FlowRun, bias: str, data: st.DataObject
) -> None:
    """Any wishes at any calls, in any order: with resumes after stops every condition is stored once, and all are.

    While the run is held no source is on at any call; in the end everything is off.
    """
    words = st.sampled_from(["hold", "go on", "toggle", "after", "stop"])
    calls = st.integers(0, 2 * len(whole.bench.journal))
    wishes = data.draw(st.lists(st.tuples(calls, words), max_size=8))
    # A hold that is wished again right after go on is one that nobody ends.
    edits = facts(f'while_paused = "{bias}"', "longest_pause_min = 2")
    run, book, before = make_run(edits), MemoryBook(), 0
    while True:
        _wish(run, wishes, before)
        run.book = book
        run.after_paused(20.0, run.stop.ask_go_on)
        try:
            run.go(frozenset(book.numbers()))
            break
        except Stopped:
            before += len(run.bench.journal)
            run = make_run(edits)
        assert run.bench.energy() == OFF
        assert all(one["tone_1"] is one["tone_2"] is False for one in run.held_energies())

    assert sorted(book.numbers()) == list(range(COUNT))
    assert keys(book) == keys(whole.book)
    assert all(one["tone_1"] is one["tone_2"] is False for one in run.held_energies())
    assert run.bench.energy() == OFF


def _wish(run: FlowRun, wishes: list[tuple[int, str]], before: int) -> None:
    """Wishes that fall into this session, which begins after so many calls of those before."""
    acts = {
        "hold": run.stop.ask_hold,
        "go on": run.stop.ask_go_on,
        "toggle": run.stop.toggle,
        "after": run.stop.ask_after_condition,
        "stop": run.stop.ask,
    }
    for at, word in wishes:
        if at >= before:
            run.at_call(at - before, acts[word])


# --- Holding


def test_a_hold_takes_rf_and_bias_away_leaves_the_chamber_and_is_told(make_run: MakeRun) -> None:
    """The event says all of it, and is one that people are told."""
    run = make_run()
    run.at_time(400.0, lambda: run.stop.ask_hold("by a test"))
    run.after_paused(60.0, lambda: run.stop.ask_go_on("by another test"))
    run.go()
    (paused,), (going_on,) = run.of_kind("paused"), run.of_kind("going on")

    assert paused.text == "asked by a test; RF off, bias off, the chamber stays at 25 °C"
    assert what_to_tell(paused) == "paused"
    assert going_on.text == "asked by another test, after 1 min"
    assert run.held_energies()
    assert set(map(str, run.held_energies())) == {str(OFF)}
    assert run.book.numbers() == list(range(COUNT))


def test_a_hold_with_the_bias_on_soaks_no_second_time(make_run: MakeRun, whole: FlowRun) -> None:
    """The supply stays on, RF is off, every setting is written anew, and the temperature counts on."""
    run = make_run(facts('while_paused = "bias on"'))
    run.at_call(whole.bench.first("analyzer", "finish"), run.stop.ask_hold)
    run.after_paused(60.0, run.stop.ask_go_on)
    run.go()

    assert set(map(str, run.held_energies())) == {str(BIASED)}
    assert run.book.kinds().count("soak began") == whole.book.kinds().count("soak began")
    assert run.bench.whats("identify").count(("supply", "identify")) == 1
    assert run.of_kind("paused")[0].facts["bias"] is True


def test_a_hold_with_the_bias_off_brings_the_bench_up_and_soaks_again(make_run: MakeRun, whole: FlowRun) -> None:
    """Somebody may have been at the bench meanwhile: every instrument says again who it is."""
    run = make_run()
    run.at_call(whole.bench.first("analyzer", "finish"), run.stop.ask_hold)
    run.after_paused(60.0, run.stop.ask_go_on)
    run.go()

    assert run.book.kinds().count("soak began") == whole.book.kinds().count("soak began") + 1
    assert run.bench.whats("identify").count(("supply", "identify")) == 2


def test_readings_that_have_begun_are_finished_and_kept(make_run: MakeRun, whole: FlowRun) -> None:
    """The wish comes in the first condition's first sweep: that condition is complete when the hold begins."""
    run = make_run()
    run.at_call(whole.bench.first("analyzer", "finish"), run.stop.ask_hold)
    run.after_paused(10.0, run.stop.ask)
    with pytest.raises(Stopped):
        run.go()

    assert run.book.numbers() == [0]


def test_a_hold_in_a_soak_begins_within_half_a_second(make_run: MakeRun) -> None:
    """The soak's poll of an hour is left at once, and the soak begins anew afterwards."""
    run = make_run({"[soak]": "[soak]\npoll_s = 3600"})
    run.at_time(100.0, run.stop.ask_hold)
    run.after_paused(60.0, run.stop.ask_go_on)
    run.go()
    (paused,) = run.of_kind("paused")
    began = run.book.events[0].at

    assert 100.0 <= (paused.at - began).total_seconds() < 101.0
    assert run.book.numbers() == list(range(COUNT))


def test_a_wish_that_is_taken_back_at_once_still_settles_anew(make_run: MakeRun) -> None:
    """A wait that has been left is not taken as waited: the hold comes, and ends at once."""
    run = make_run()

    def twice() -> None:
        run.stop.ask_hold()
        run.at_call(len(run.bench.journal), run.stop.ask_go_on)

    run.at_time(100.0, twice)
    run.go()

    assert len(run.of_kind("paused")) == len(run.of_kind("going on")) == 1
    assert run.book.numbers() == list(range(COUNT))


def test_a_hold_that_nobody_ends_stops_the_run_safely(make_run: MakeRun) -> None:
    """After the longest pause of the sequence; the reason is on record."""
    run = make_run(facts("longest_pause_min = 30"))
    run.at_time(100.0, run.stop.ask_hold)
    with pytest.raises(Stopped, match="held for longer than 30 min"):
        run.go()

    assert run.of_kind("stopped")[0].text == "held for longer than 30 min"
    assert (run.of_kind("stopped")[0].at - run.of_kind("paused")[0].at).total_seconds() == pytest.approx(1800, abs=60)
    assert run.bench.energy() == OFF
    assert run.book.states == ["stopped"]


def test_a_held_run_can_be_stopped(make_run: MakeRun) -> None:
    """And is safe."""
    run = make_run(facts('while_paused = "bias on"'))
    run.at_time(400.0, run.stop.ask_hold)
    run.after_paused(60.0, run.stop.ask)
    with pytest.raises(Stopped):
        run.go()

    assert run.bench.energy() == OFF


def test_a_held_run_is_watched_and_can_trip(make_run: MakeRun) -> None:
    """The board gets too hot though RF and bias are off."""
    run = make_run()
    run.at_time(100.0, run.stop.ask_hold)

    def heats() -> None:
        run.bench.board_error_k = 200.0

    run.after_paused(60.0, heats)
    with pytest.raises(Tripped, match="board temperature"):
        run.go()

    assert run.bench.energy() == OFF


def test_a_source_that_stays_on_is_no_hold_but_an_unsafe_bench(make_run: MakeRun) -> None:
    """What cannot be confirmed off is never called held."""
    run = make_run()

    def sticks() -> None:
        run.bench.stuck_on.add("tone_1")
        run.stop.ask_hold()

    run.at_time(400.0, sticks)
    with pytest.raises(UnsafeBench, match="tone_1"):
        run.go()

    assert run.of_kind("paused") == []
    assert run.book.states == ["tripped"]


def test_a_stop_after_the_condition_completes_it(make_run: MakeRun, whole: FlowRun) -> None:
    """The wish comes in the first sweep of the first condition; nothing of the second is begun."""
    run = make_run()
    run.at_call(whole.bench.first("analyzer", "finish"), run.stop.ask_after_condition)
    with pytest.raises(Stopped):
        run.go()

    assert run.book.numbers() == [0]
    assert run.bench.energy() == OFF


def test_a_stop_after_the_condition_while_held_stops_at_once(make_run: MakeRun) -> None:
    """No condition is in progress then."""
    run = make_run()
    run.at_time(100.0, run.stop.ask_hold)
    run.after_paused(60.0, run.stop.ask_after_condition)
    with pytest.raises(Stopped):
        run.go()

    assert run.of_kind("going on") == []


# --- An interlock that pauses


PAUSES = ('name = "disk space"', "min_free_mb = 400", 'action = "pause"', "persistence_s = 20")


class Disk:
    """How much room there is."""

    free_mb = 1000.0


def with_disk(run: FlowRun, disk: Disk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Job, "free_mb", lambda self: disk.free_mb)


def fills(disk: Disk, to_mb: float) -> Callable[[], None]:
    def act() -> None:
        disk.free_mb = to_mb

    return act


def test_an_interlock_that_pauses_waits_for_somebody_and_for_itself(
    make_run: MakeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Go on is refused while it is broken; kept again for its persistence, it still takes a person."""
    run, disk = make_run(interlock(*PAUSES)), Disk()
    with_disk(run, disk, monkeypatch)
    run.at_time(100.0, fills(disk, 300.0))

    def hear(event: Event) -> None:
        if event.kind == "paused":
            now_s = run.clock.elapsed_s()
            run.at_time(now_s + 100, run.stop.ask_go_on)
            run.at_time(now_s + 200, fills(disk, 1000.0))
            run.at_time(now_s + 600, run.stop.ask_go_on)

    run.on_event = hear
    run.go()
    (paused,), (going_on,) = run.of_kind("paused"), run.of_kind("going on")
    refused = [event for event in run.of_kind("interlock") if event.text.startswith("cannot go on yet")]

    assert paused.text.startswith("interlock: disk space: found 300 MB, allowed at least 400 MB")
    assert len(refused) == 1
    assert (going_on.at - paused.at).total_seconds() == pytest.approx(600, abs=15)
    assert run.book.states == ["done"]
    assert run.book.numbers() == list(range(COUNT))


def test_an_interlock_that_pauses_goes_on_by_itself_where_the_sequence_says_so(
    make_run: MakeRun, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As soon as it has been kept for its persistence."""
    run, disk = make_run({**interlock(*PAUSES), **facts('after_interlock = "go on"')}), Disk()
    with_disk(run, disk, monkeypatch)
    run.at_time(100.0, fills(disk, 300.0))
    run.after_paused(200.0, fills(disk, 1000.0))
    run.go()
    (paused,), (going_on,) = run.of_kind("paused"), run.of_kind("going on")

    assert 220 <= (going_on.at - paused.at).total_seconds() < 250
    assert going_on.text.startswith("the interlock holds again")
    assert run.book.states == ["done"]


def test_a_pause_that_gets_worse_trips(make_run: MakeRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """The rule's own limit goes on holding behind that of the pause."""
    run, disk = make_run(interlock(*PAUSES)), Disk()
    with_disk(run, disk, monkeypatch)
    run.at_time(100.0, fills(disk, 300.0))
    run.after_paused(200.0, fills(disk, 100.0))
    with pytest.raises(Tripped, match="disk space: found 100 MB, allowed at least 200 MB"):
        run.go()

    assert len(run.of_kind("paused")) == 1
    assert run.bench.energy() == OFF


def test_what_cannot_be_seen_without_bias_takes_a_person(make_run: MakeRun) -> None:
    """A current limit shows only with the bias on: the run does not go on by itself."""
    edits = {**interlock('name = "current limit"', 'action = "pause"'), **facts('after_interlock = "go on"')}
    run = make_run(edits)

    def limits() -> None:
        run.bench.in_current_limit = True

    def mended() -> None:
        run.bench.in_current_limit = False
        run.stop.ask_go_on()

    run.at_time(100.0, limits)
    run.after_paused(3600.0, mended)
    run.go()
    (paused,), (going_on,) = run.of_kind("paused"), run.of_kind("going on")

    assert (going_on.at - paused.at).total_seconds() == pytest.approx(3600, abs=15)
    assert run.book.states == ["done"]


# --- The window


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


WINDOW = 'window = { from = "19:00", to = "20:10", zone = "UTC"'


def test_a_run_that_is_started_outside_its_window_waits_with_everything_off(make_run: MakeRun) -> None:
    """It is 18:30; nothing is brought up before 19:00."""
    run = make_run(facts(f"{WINDOW} }}".replace("20:10", "23:00")))
    run.go()
    waiting, going_on = run.of_kind("waiting")[0], run.of_kind("going on")[0]
    first_on = next(event for event in run.of_kind("bring-up"))

    assert waiting.text == "for its window, which opens Mon 02 Nov 19:00; RF and bias off"
    assert at("2026-11-02T19:00") <= going_on.at < at("2026-11-02T19:01")
    assert first_on.at >= at("2026-11-02T19:00")
    assert run.book.states == ["done"]


def test_a_window_that_closes_stops_the_run_after_the_condition(make_run: MakeRun) -> None:
    """It is safe, and says why."""
    run = make_run(facts(f"{WINDOW} }}".replace("20:10", "19:06")))
    with pytest.raises(Stopped, match=r"the window of the sequence \(19:00 to 19:06, UTC\) has closed"):
        run.go()
    last = run.of_kind("stopped")[0]

    assert at("2026-11-02T19:06") <= last.at < at("2026-11-02T19:07")
    assert 0 < len(run.book.numbers()) < COUNT
    assert run.bench.energy() == OFF


def test_a_window_that_opens_again_takes_up_where_it_was(make_run: MakeRun, whole: FlowRun) -> None:
    """It is open from yesterday until 18:36 and again from 19:00: between, all is off; then comes bring-up."""
    run = make_run(facts('window = { from = "19:00", to = "18:36", zone = "UTC", at_end = "wait" }'))
    energies: list[dict[str, bool]] = []
    run.on_event = lambda event: energies.append(run.bench.energy()) if event.kind == "going on" else None
    run.go()
    (waiting,), (going_on,) = run.of_kind("waiting"), run.of_kind("going on")

    assert at("2026-11-02T18:36") <= waiting.at < at("2026-11-02T18:37")
    assert at("2026-11-02T19:00") <= going_on.at < at("2026-11-02T19:01")
    assert energies == [OFF]
    assert run.bench.whats("identify").count(("supply", "identify")) == 2
    assert run.book.numbers() == list(range(COUNT))
    assert keys(run.book) == keys(whole.book)


def test_a_run_that_is_held_as_its_window_closes_is_still_held_as_it_opens(make_run: MakeRun) -> None:
    """Held at 18:33, closed from 18:36 to 19:00, let go on at 19:03."""
    run = make_run(facts('window = { from = "19:00", to = "18:36", zone = "UTC", at_end = "wait" }'))
    run.at_time(180.0, run.stop.ask_hold)
    run.at_time(1980.0, run.stop.ask_go_on)
    run.go()
    kinds = [kind for kind in run.book.kinds() if kind in ("paused", "waiting", "going on")]

    assert kinds == ["paused", "waiting", "going on", "paused", "going on"]
    assert run.of_kind("going on")[-1].text.startswith("asked by the user")
    assert run.book.numbers() == list(range(COUNT))


# --- A condition that keeps failing


SKIPS = ('on_fault = "retry"', "retries = 1", "retry_after_s = 10", 'on_failing_condition = "skip"')


def _fails_at(run: FlowRun, numbers: set[int], error: InstrumentError) -> None:
    """The analyzer fails whenever one of these conditions is measured."""

    def before(_: int, call: Any) -> None:
        if (call.place, call.what) == ("analyzer", "finish"):
            done = set(run.book.numbers()) | set(run.book.skipped)
            if min(set(range(COUNT)) - done) in numbers:
                raise error

    run.bench.before = before


def silent() -> TimedOut:
    return TimedOut("no reply", instrument="analyzer", resource="scripted", message=":INIT:IMM")


def test_a_condition_that_keeps_failing_is_marked_and_left_out(make_run: MakeRun) -> None:
    """The others are measured, and the run does not call itself done."""
    run = make_run(facts(*SKIPS))
    _fails_at(run, {2, 5}, silent())
    run.go()

    assert run.book.numbers() == [0, 1, 3, 4, 6, 7]
    assert set(run.book.skipped) == {2, 5}
    assert "no reply (tried 2 times)" in run.book.skipped[2]
    assert run.book.states == ["incomplete"]
    assert [event.facts["number"] for event in run.of_kind("skipped")] == [2, 5]
    assert run.of_kind("run ended")[0].text == "incomplete"
    assert run.bench.energy() == OFF


def test_a_skipped_condition_is_tried_again_by_resume(make_run: MakeRun, whole: FlowRun) -> None:
    """With the instrument mended all is there, each once."""
    run = make_run(facts(*SKIPS))
    _fails_at(run, {2}, silent())
    run.go()
    later = make_run(facts(*SKIPS))
    later.book = run.book
    later.go(frozenset(run.book.numbers()))

    assert sorted(run.book.numbers()) == list(range(COUNT))
    assert keys(run.book) == keys(whole.book)
    assert run.book.states == ["incomplete", "done"]


def test_too_many_skipped_in_a_row_trip(make_run: MakeRun) -> None:
    """That is no fault of a condition."""
    run = make_run(facts(*SKIPS, "most_skipped_in_a_row = 2"))
    _fails_at(run, {1, 3, 4, 5}, silent())
    with pytest.raises(Tripped, match="2 conditions in a row were skipped"):
        run.go()

    assert run.book.numbers() == [0, 2]
    assert set(run.book.skipped) == {1, 3, 4}
    assert run.bench.energy() == OFF


def test_a_link_that_stays_lost_trips_and_is_no_fault_of_the_condition(make_run: MakeRun) -> None:
    """After the skip every instrument must answer at bring-up."""
    run = make_run(facts(*SKIPS))
    lost = LinkLost("cut", instrument="analyzer", resource="scripted", message="*IDN?")
    gone: list[bool] = []

    def before(_: int, call: Any) -> None:
        if (call.place, call.what) == ("analyzer", "finish") and len(run.book.numbers()) == 2:
            gone.append(True)
        if gone and (call.place, call.what) in (("analyzer", "finish"), ("analyzer", "identify")):
            raise lost

    run.bench.before = before
    with pytest.raises(LinkLost):
        run.go()

    assert run.book.skipped == {}
    assert run.book.states == ["tripped"]


def test_without_the_wish_to_skip_a_condition_that_keeps_failing_trips(make_run: MakeRun) -> None:
    """As it has been."""
    run = make_run(facts(*SKIPS[:-1]))
    _fails_at(run, {2}, silent())
    with pytest.raises(TimedOut):
        run.go()

    assert run.book.skipped == {}
    assert run.book.states == ["tripped"]
