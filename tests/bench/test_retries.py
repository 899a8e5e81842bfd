"""Runs that try again after an instrument has failed, on a bench of fakes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from memory_book import MemoryBook

from bench.clocks import SimulatedClock
from bench.errors import Stopped, Tripped, UnsafeBench
from bench.events import Event
from bench.job import Job, StopSwitch
from bench.plan import acquisition_for, make_plan
from bench.retries import Retries
from bench.runner import Runner
from drivers.errors import InstrumentError, LinkLost, NotThere, TimedOut
from edited_demo import EIGHT_CONDITIONS
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
Bench = Any
MakeSetup = Callable[..., Setup]

COUNT = 8
RETRY = {
    "reference_temperature_c = 25": 'reference_temperature_c = 25\non_fault = "retry"\nretries = 2\nretry_after_s = 100'
}
OFF = {"tone_1": False, "tone_2": False, "supply": False}


class RetryingRun:
    """A run of eight conditions whose instruments fail when a test says so."""

    def __init__(self, setup: Setup, bench: Bench, places: Any) -> None:
        self.plan = make_plan(setup)
        self.bench = bench
        self.places = places
        self.book = MemoryBook()
        self.stop = StopSwitch()
        self.on_event: Callable[[Event], None] = lambda event: None

    @property
    def clock(self) -> SimulatedClock:
        clock: SimulatedClock = self.bench.clock
        return clock

    def go(self) -> None:
        setup = self.plan.setup
        job = Job("run", setup, acquisition_for(setup), self.plan.conditions)
        Runner(job, self.places, self.clock, self.book, self._hear, self.stop, self.bench.take_exchanges).run()

    def fails(self, place: str, what: str, error: Exception, times: int = 1, after: int = 0) -> None:
        """Calls of this kind raise, so many of them, after some that do not."""
        count = 0

        def before(_: int, call: Any) -> None:
            nonlocal count
            if (call.place, call.what) == (place, what):
                count += 1
                if after < count <= after + times:
                    raise error

        self.bench.before = before

    def of_kind(self, kind: str) -> list[Event]:
        return [event for event in self.book.events if event.kind == kind]

    def _hear(self, event: Event) -> None:
        self.on_event(event)


MakeRun = Callable[..., RetryingRun]


@pytest.fixture(scope="session")
def make_run(make_setup: MakeSetup, make_bench: Callable[..., Bench], make_places: Callable[..., Any]) -> MakeRun:
    def make(edits: dict[str, str] | None = None) -> RetryingRun:
        setup = make_setup({**EIGHT_CONDITIONS, **(RETRY if edits is None else edits)})
        bench = make_bench(setup)
        return RetryingRun(setup, bench, make_places(bench))

    return make


def silent() -> TimedOut:
    return TimedOut("no reply", instrument="analyzer", resource="scripted", message=":INIT:IMM")


def test_a_fault_that_passes_costs_a_retry_and_no_reading(make_run: MakeRun) -> None:
    """All conditions are stored once and in order; the one in progress was begun anew."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.go()

    assert run.book.numbers() == list(range(COUNT))
    assert run.book.states == ["done"]
    assert run.bench.energy() == OFF


def test_a_retry_makes_the_bench_safe_waits_brings_up_and_soaks_again(make_run: MakeRun) -> None:
    """In this order, and the wait is as long as the sequence says."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    energy: list[dict[str, bool]] = []
    run.on_event = lambda event: energy.append(run.bench.energy()) if event.kind == "retrying" else None
    run.go()
    kinds = [event.kind for event in run.book.events]
    at = kinds.index("retrying")
    (retrying,) = run.of_kind("retrying")
    after = run.book.events[at + 1 :]
    brought_up = next(event for event in after if event.kind == "bring-up")

    assert energy == [OFF]
    assert after[0].text == "RF of tone_1 off: done"
    assert (brought_up.at - retrying.at).total_seconds() == pytest.approx(100.0, abs=1.0)
    assert kinds.index("soak began", at) < kinds.index("soak ended", at) < kinds.index("condition done", at)
    assert run.bench.whats("identify").count(("analyzer", "identify")) == 2


def test_the_event_of_a_retry_names_instrument_message_cause_and_attempt(make_run: MakeRun) -> None:
    """What a person wants to know in the morning."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.go()
    (retrying,) = run.of_kind("retrying")

    assert retrying.text == "analyzer (scripted), message ':INIT:IMM': no reply; attempt 1 of 2 in 100 s"
    assert retrying.facts == {
        "attempt": 1,
        "condition": len([one for one in run.book.numbers() if one < 4]),
        "instrument": "analyzer",
        "message": ":INIT:IMM",
        "cause": "TimedOut: no reply",
    }


def test_an_instrument_that_stays_away_ends_the_run_after_its_retries(make_run: MakeRun) -> None:
    """Two retries are three attempts; the end names how it began and how it ended."""
    run = make_run()
    errors = iter([silent(), silent(), LinkLost("cut", instrument="analyzer", resource="scripted", message=":ABOR")])

    def before(_: int, call: Any) -> None:
        if (call.place, call.what) == ("analyzer", "finish"):
            raise next(errors)

    run.bench.before = before
    with pytest.raises(LinkLost, match="cut") as caught:
        run.go()
    (tripped,) = run.of_kind("tripped")

    assert [event.facts["attempt"] for event in run.of_kind("retrying")] == [1, 2]
    assert caught.value.__notes__ == [
        "tried again 2 times; the first fault was analyzer (scripted), message ':INIT:IMM': no reply"
    ]
    assert "cut" in tripped.text
    assert "the first fault was analyzer (scripted), message ':INIT:IMM': no reply" in tripped.text
    assert tripped.facts["instrument"] == "analyzer"
    assert run.book.states == ["tripped"]
    assert run.bench.energy() == OFF


def test_the_count_begins_anew_with_every_completed_condition(make_run: MakeRun) -> None:
    """Five faults in five conditions are more than two retries, and the night is saved all the same."""
    run = make_run()
    failed: set[int] = set()

    def before(_: int, call: Any) -> None:
        done = len(run.book.conditions)
        if (call.place, call.what) == ("analyzer", "finish") and done not in failed and done < 5:
            failed.add(done)
            raise silent()

    run.bench.before = before
    run.go()

    assert run.book.numbers() == list(range(COUNT))
    assert [event.facts["attempt"] for event in run.of_kind("retrying")] == [1] * 5


def test_a_sequence_that_does_not_ask_for_it_never_retries(make_run: MakeRun) -> None:
    """Tripping is what a run does unless told otherwise."""
    run = make_run({})
    run.fails("analyzer", "finish", silent(), after=30)
    with pytest.raises(TimedOut):
        run.go()

    assert run.of_kind("retrying") == []


def test_a_broken_interlock_is_never_tried_again(make_run: MakeRun) -> None:
    """What endangers the unit would endanger it again."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), times=0)
    run.on_event = lambda event: setattr(run.bench, "supply_current_a", 0.4) if event.kind == "condition done" else None
    with pytest.raises(Tripped, match="supply current"):
        run.go()

    assert run.of_kind("retrying") == []


def test_a_trip_after_a_retry_is_a_trip_and_names_the_fault_that_led_there(make_run: MakeRun) -> None:
    """The exit code must be that of a trip, not of the instrument that had failed before."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.on_event = lambda event: setattr(run.bench, "supply_current_a", 0.4) if event.kind == "retrying" else None
    with pytest.raises(Tripped, match=r"supply current .*tried again once; the first fault was analyzer"):
        run.go()

    assert run.bench.energy() == OFF


def test_a_bench_that_cannot_be_made_safe_is_not_switched_on_again(make_run: MakeRun) -> None:
    """It ends as unsafe, without a wait."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.on_event = lambda event: run.bench.stuck_on.add("supply") if event.kind == "condition done" else None
    before_s = run.clock.elapsed_s()
    with pytest.raises(UnsafeBench, match="bias off"):
        run.go()

    assert run.of_kind("retrying") == []
    assert run.bench.whats("identify").count(("supply", "identify")) == 1
    assert run.clock.elapsed_s() > before_s
    assert "no reply" in run.of_kind("tripped")[0].text


def test_a_wish_to_stop_ends_the_wait_for_a_retry(make_run: MakeRun) -> None:
    """Nobody waits for ten minutes after Ctrl-C; the run can be resumed."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.on_event = lambda event: run.stop.ask() if event.kind == "retrying" else None
    with pytest.raises(Stopped):
        run.go()

    assert run.book.states == ["stopped"]
    assert run.bench.whats("identify").count(("supply", "identify")) == 1


def test_an_instrument_that_is_not_there_at_the_beginning_is_not_waited_for(make_run: MakeRun) -> None:
    """Nothing has been switched on, and whoever mistyped the address is still at the bench."""
    run = make_run()
    run.fails("chamber", "identify", NotThere("refused", instrument="chamber"), times=10)
    with pytest.raises(NotThere):
        run.go()

    assert run.of_kind("retrying") == []


def test_an_instrument_that_is_still_away_when_the_bench_is_brought_up_again_costs_another_attempt(
    make_run: MakeRun,
) -> None:
    """It takes a minute to start; the wait of the second attempt is enough."""
    run = make_run()
    finishes = 0
    identifies = 0

    def before(_: int, call: Any) -> None:
        nonlocal finishes, identifies
        finishes += (call.place, call.what) == ("analyzer", "finish")
        identifies += (call.place, call.what) == ("analyzer", "identify")
        if (call.place, call.what) == ("analyzer", "finish") and finishes == 31:
            raise silent()
        if (call.place, call.what) == ("analyzer", "identify") and identifies == 2:
            raise LinkLost("not yet", instrument="analyzer")

    run.bench.before = before
    run.go()

    assert [event.facts["attempt"] for event in run.of_kind("retrying")] == [1, 2]
    assert run.book.numbers() == list(range(COUNT))


def test_another_instrument_that_answers_after_a_retry_is_not_there(make_run: MakeRun) -> None:
    """A fault may be somebody who is changing cables."""
    run = make_run()
    run.fails("analyzer", "finish", silent(), after=30)
    run.on_event = lambda event: run.bench.serials.update(current_meter="OTHER") if event.kind == "retrying" else None
    with pytest.raises(NotThere, match="OTHER"):
        run.go()

    assert run.bench.energy() == OFF


@settings(max_examples=40)
@given(data=st.data())
def test_a_fault_at_any_call_is_survived_with_every_reading_once(make_run: MakeRun, data: st.DataObject) -> None:
    """At whichever call after all have answered; only one on the way to safety leaves the bench unsafe, and said so."""
    at = data.draw(st.integers(25, 900))
    run = make_run()

    struck: list[Any] = []

    def before(number: int, call: Any) -> None:
        if number == at and not struck:
            struck.append(call)
            raise silent()

    run.bench.before = before
    unsafe: tuple[str, ...] = ()
    try:
        run.go()
    except UnsafeBench as error:
        unsafe = error.unconfirmed
    if unsafe:
        assert struck[0].what in ("make safe", "is on?", "drain", "conditioning?", "target?")
        assert len(unsafe) == 1
    else:
        assert run.book.numbers() == list(range(COUNT))
        assert run.book.states == ["done"]
        assert run.bench.energy() == OFF
    assert run.book.numbers() == list(range(len(run.book.numbers())))


def test_the_estimate_reckons_with_no_fault(make_run: MakeRun) -> None:
    """A retry is what nobody plans: order and time are those of a run that trips."""
    assert make_run().plan.conditions == make_run({}).plan.conditions
    assert make_run().plan.estimate == make_run({}).plan.estimate


# --- The count alone


def fault(text: str) -> InstrumentError:
    return LinkLost(text, instrument="supply")


def test_none_allowed_is_none_followed_by_another_attempt() -> None:
    """And there is no history to tell."""
    retries = Retries(0)

    assert not retries.another(fault("cut"))
    assert retries.history("cut") == ""


def test_the_history_tells_first_fault_and_attempts() -> None:
    """Only attempts that have begun count; the same fault again is not repeated in words."""
    retries = Retries(2)
    assert retries.another(fault("cut"))
    assert retries.history("supply: cut") == ""
    retries.begin()

    assert retries.history("supply: cut") == "tried again once; the first fault was the same"
    assert retries.another(fault("gone"))
    retries.begin()
    assert retries.history("supply: gone") == "tried again 2 times; the first fault was supply: cut"
    assert not retries.another(fault("gone"))
    retries.passed()
    assert (retries.attempt, retries.history("supply: gone")) == (0, "")


# --- What is watched while a run waits to try again


def in_the_wait(run: RetryingRun, first_s: float, last_s: float, happens: Callable[[Any], None]) -> None:
    """A fault, and at every call from one to another moment of the wait after it something happens."""
    run.fails("analyzer", "finish", silent(), after=30)

    def hear(event: Event) -> None:
        if event.kind == "retrying":
            began_s = run.clock.elapsed_s()

            def before(_: int, call: Any) -> None:
                if first_s <= run.clock.elapsed_s() - began_s <= last_s:
                    happens(call)

            run.bench.before = before

    run.on_event = hear


def test_an_alarm_in_the_wait_before_a_retry_trips_within_the_stated_interval(make_run: MakeRun) -> None:
    """A hundred seconds are long; the bench is safe, but its chamber conditions."""
    run = make_run()

    def alarm(_: Any) -> None:
        run.bench.alarms = ("its own temperature limit has stopped it",)

    in_the_wait(run, 31.0, 100.0, alarm)
    with pytest.raises(Tripped, match="alarm of the chamber: its own temperature limit has stopped it"):
        run.go()
    (retrying,), (told,) = run.of_kind("retrying"), run.of_kind("interlock")

    assert told.facts["interlock"] == "chamber alarm"
    assert 31.0 <= (told.at - retrying.at).total_seconds() <= 31.0 + 10.0 + 1.5
    assert run.bench.energy() == OFF


def test_an_instrument_that_is_silent_in_the_wait_is_asked_again_by_the_retry(make_run: MakeRun) -> None:
    """What it does not say while nothing is on ends no run: the retry will find out."""
    run = make_run()
    silences: list[str] = []

    def be_silent(call: Any) -> None:
        if (call.place, call.what) == ("load_switch", "drain"):
            silences.append(call.place)
            raise TimedOut("no reply", instrument="load_switch", resource="scripted", message=":SYST:ERR?")

    in_the_wait(run, 1.0, 99.0, be_silent)
    run.go()

    assert len(silences) == 9
    assert run.book.numbers() == list(range(COUNT))
    assert len(run.of_kind("retrying")) == 1
