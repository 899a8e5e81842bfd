"""The loop on a bench of fakes: everything once and in order, every end in the safe state, resume does the rest."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from memory_book import MemoryBook

from bench.errors import Stopped, StoreFault, Tripped, UnsafeBench
from bench.events import Event
from bench.job import Job, StopSwitch
from bench.places import Places
from bench.plan import Plan, acquisition_for, make_plan
from bench.runner import SOAK_FLAG, Runner
from drivers.errors import InstrumentError, LinkLost, NotUnderstood, Refused, TimedOut
from drivers.messages import Exchange
from drivers.roles import QueueEntry
from edited_demo import EIGHT_CONDITIONS
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
Bench = Any

OFF = {"tone_1": False, "tone_2": False, "supply": False}

COUNT = 8

#: Calls at the end of a run: six instruments are made safe, then each is asked.
TO_SAFETY = 12


@dataclass
class FakeRun:
    """A run on a bench of fakes, about to begin."""

    bench: Bench
    places: Places
    plan: Plan
    book: MemoryBook = field(default_factory=MemoryBook)
    stop: StopSwitch = field(default_factory=StopSwitch)
    heard: list[Event] = field(default_factory=list)
    listener: Callable[[Event], None] = lambda event: None

    def go(self, done: frozenset[int] = frozenset()) -> None:
        """Run what is not done."""
        setup = self.plan.setup
        job = Job("run-id-of-this-test", setup, acquisition_for(setup), self.plan.conditions, done)
        clock, take = self.bench.clock, self.bench.take_exchanges
        Runner(job, self.places, clock, self.book, self._hear, self.stop, take).run()

    def at_call(self, number: int, act: Callable[[], None]) -> None:
        """Do something instead of, or right before, the call with this number."""
        self._before(lambda at, call: at == number, act)

    def when(self, place: str, what: str, act: Callable[[], None]) -> None:
        """Do something right before the first call of this kind."""
        self._before(lambda at, call: (call.place, call.what) == (place, what), act)

    def _before(self, is_it: Callable[[int, Any], bool], act: Callable[[], None]) -> None:
        earlier = self.bench.before
        done: list[int] = []

        def before(at: int, call: Any) -> None:
            earlier(at, call)
            if not done and is_it(at, call):
                done.append(at)
                act()

        self.bench.before = before

    def _hear(self, event: Event) -> None:
        self.heard.append(event)
        self.listener(event)


@pytest.fixture(scope="session")
def make_run(
    make_setup: Callable[..., Setup], make_bench: Callable[..., Bench], make_places: Callable[[Bench], Places]
) -> Callable[..., FakeRun]:
    """A fresh run of the small setup; ``make_run({old: new})`` edits its files."""
    plans: dict[tuple[tuple[str, str], ...], Plan] = {}

    def make(edits: Mapping[str, str] | None = None) -> FakeRun:
        key = tuple((edits or {}).items())
        if key not in plans:
            plans[key] = make_plan(make_setup({**EIGHT_CONDITIONS, **(edits or {})}))
        bench = make_bench(plans[key].setup)
        return FakeRun(bench, make_places(bench), plans[key])

    return make


MakeRun = Callable[..., FakeRun]


@pytest.fixture(scope="session")
def whole(make_run: MakeRun) -> FakeRun:
    """A run that nothing disturbed."""
    run = make_run()
    run.go()
    return run


def keys(book: MemoryBook) -> list[tuple[int, int, str]]:
    """Every reading by condition, repeat and quantity."""
    return [
        (one.number, repeat, quantity)
        for one in book.conditions
        for repeat, readings in enumerate(one.readings)
        for quantity in readings
    ]


def safety_began(run: FakeRun) -> int:
    """Where the journal has the first step of the last way to safety; a return to room temperature may follow it."""
    calls = [(call.place, call.what) for call in run.bench.journal]
    return len(calls) - 1 - calls[::-1].index(("tone_1", "make safe"))


def rest(run: FakeRun, make_run: MakeRun) -> FakeRun:
    """The resumed run, on a bench that has been opened anew, with the same book."""
    later = make_run()
    later.book = run.book
    later.go(done=frozenset(run.book.numbers()))
    return later


# --- Undisturbed


def test_every_condition_is_committed_once_and_in_order(whole: FakeRun) -> None:
    """The order is the plan's."""
    assert whole.book.numbers() == list(range(COUNT))
    assert whole.book.states == ["done"]


def test_every_condition_holds_the_same_readings(whole: FakeRun) -> None:
    """Two source levels, five figures for each of seven lines, supply and temperatures."""
    for one in whole.book.conditions:
        assert len(one.readings) == 1
        assert len(one.readings[0]) == 2 + 5 * 7 + 2 + 2
        assert one.flag == ""


def test_readings_belong_to_their_condition(whole: FakeRun) -> None:
    """Temperature and source levels are those of the condition that they are stored with."""
    for one in whole.book.conditions:
        condition = whole.plan.conditions[one.number]
        assert one.readings[0]["air_temperature_c"] == condition.temperature_c
        expected_dbm = {0: -13.8, 30: 8.7}[condition.gain_code]
        assert one.readings[0]["source_1_level_dbm"] == pytest.approx(expected_dbm, abs=0.1)


def test_the_bench_is_safe_after_the_last_condition(whole: FakeRun) -> None:
    """RF and bias off, the chamber sent to idle."""
    assert whole.bench.energy() == OFF
    assert whole.bench.whats("make safe")[-2:] == [("chamber", "make safe"), ("analyzer", "make safe")]


def test_rf_is_off_through_every_soak(whole: FakeRun) -> None:
    """A unit soaks without its signal, and RF comes on only when it has."""
    emits = False
    for call in whole.bench.journal:
        if call.place.startswith("tone") and call.what in ("on", "off", "make safe"):
            emits = call.what == "on"
        if call.place == "chamber" and call.what == "target":
            assert not emits
    soaks = [kind for kind in whole.book.kinds() if kind.startswith("soak ")]

    assert soaks == ["soak began", "soak ended"] * 2


def test_every_exchange_is_kept_once_and_in_order(whole: FakeRun) -> None:
    """Those of a condition with it, the others on their own; together they are all that was said."""
    kept = [*whole.book.loose, *(exchange for one in whole.book.conditions for exchange in one.exchanges)]

    assert sorted(exchange.at_s for exchange in kept) == [exchange.at_s for exchange in sorted(kept, key=_at)]
    assert len(kept) == len(whole.bench.journal)
    assert len({(exchange.instrument, exchange.number) for exchange in kept}) == len(kept)
    assert all(one.exchanges for one in whole.book.conditions)


def _at(exchange: Exchange) -> float:
    return exchange.at_s


def test_the_listener_hears_what_the_book_keeps(whole: FakeRun) -> None:
    """Each event is said once, to both."""
    assert whole.heard == whole.book.events
    assert whole.book.kinds()[0] == "run began"
    assert whole.book.kinds()[-1] == "run ended"
    assert whole.book.kinds().count("condition done") == COUNT
    assert set(whole.book.known) == set(whole.plan.setup.bench.model.instrument.present)


def test_repeats_are_separate_sets_of_readings(make_run: MakeRun) -> None:
    """Three repeats, three mappings."""
    run = make_run({"reference_temperature_c = 25": "reference_temperature_c = 25\nrepeats = 3"})
    run.go()

    assert {len(one.readings) for one in run.book.conditions} == {3}


# --- Stopped and resumed


@settings(max_examples=40)
@given(data=st.data())
def test_a_run_that_is_stopped_anywhere_is_safe_and_resume_does_exactly_the_rest(
    make_run: MakeRun, whole: FakeRun, data: st.DataObject
) -> None:
    """At whichever exchange the wish comes: safe, stopped, and both parts together are the undisturbed run."""
    at = data.draw(st.integers(0, len(whole.bench.journal) - 1))
    run = make_run()
    run.at_call(at, lambda: run.stop.ask())
    if at >= safety_began(whole):
        run.go()  # the last condition is committed: the wish comes too late to change anything
    else:
        with pytest.raises(Stopped):
            run.go()
        assert run.book.states == ["stopped"]
        assert run.bench.energy() == OFF
        rest(run, make_run)

    assert run.book.numbers() == whole.book.numbers()
    assert keys(run.book) == keys(whole.book)
    for ours, theirs in zip(run.book.conditions, whole.book.conditions, strict=True):
        for quantity, value in ours.readings[0].items():
            # The filter is chosen from what the run has learnt so far, which a resumed run learns anew.
            if not quantity.endswith("bandwidth_hz"):
                assert value == theirs.readings[0][quantity], quantity


def test_a_wish_to_stop_is_heard_within_the_condition(make_run: MakeRun) -> None:
    """A thousand repeats would be an hour; the wish is looked at between them."""
    run = make_run({"reference_temperature_c = 25": "reference_temperature_c = 25\nrepeats = 1000"})
    run.when("analyzer", "begin", run.stop.ask)
    with pytest.raises(Stopped):
        run.go()

    assert len(run.bench.values("analyzer", "begin")) < 50
    assert run.book.conditions == []


def test_a_wish_to_stop_ends_a_long_wait_at_once(make_run: MakeRun, monkeypatch: pytest.MonkeyPatch) -> None:
    """The soak's poll of an hour goes in slices of half a second; the wish comes in the middle of it."""
    run = make_run({"[soak]": "[soak]\npoll_s = 3600"})
    clock = run.bench.clock
    sleep = clock.sleep

    def sleep_and_wish(duration_s: float) -> None:
        sleep(duration_s)
        if clock.elapsed_s() > 1000.0:
            run.stop.ask()

    monkeypatch.setattr(clock, "sleep", sleep_and_wish)
    with pytest.raises(Stopped):
        run.go()

    assert 1000.0 < clock.elapsed_s() < 1001.0


def test_a_wish_before_the_beginning_powers_nothing(make_run: MakeRun) -> None:
    """Only the steps to safety are done."""
    run = make_run()
    run.stop.ask()
    with pytest.raises(Stopped) as caught:
        run.go()

    assert caught.value.run == "run-id-of-this-test"
    assert run.bench.whats("on", "output", "target", "identify") == []
    assert run.bench.energy() == OFF


def test_a_run_with_nothing_left_only_makes_the_bench_safe(make_run: MakeRun) -> None:
    """Resuming what died between its last commit and its end."""
    run = make_run()
    run.go(done=frozenset(range(COUNT)))

    assert run.book.states == ["done"]
    assert {what for _, what in run.bench.whats("identify", "on", "make safe")} == {"make safe"}
    assert run.book.kinds()[0] == "run resumed"


# --- Instruments that fail


ERRORS = [
    TimedOut("no reply", instrument="someone"),
    LinkLost("cut", instrument="someone"),
    Refused(-222, "Data out of range", instrument="someone"),
    NotUnderstood("garbage", instrument="someone"),
]


@settings(max_examples=60)
@given(data=st.data(), error=st.sampled_from(ERRORS))
def test_an_instrument_that_fails_anywhere_trips_the_run(
    make_run: MakeRun, whole: FakeRun, data: st.DataObject, error: InstrumentError
) -> None:
    """At whichever exchange: the safe state is sought, the cause written down, and what was complete stays complete."""
    at = data.draw(st.integers(0, safety_began(whole) - 1))
    run = make_run()
    run.at_call(at, _raiser(error))
    with pytest.raises((InstrumentError, UnsafeBench)) as caught:
        run.go()
    made_safe = [place for place, _ in run.bench.whats("make safe")]

    assert caught.value is error or isinstance(caught.value, UnsafeBench)
    assert run.book.states == ["tripped"]
    assert run.bench.energy() == OFF
    assert made_safe[-6:] == ["tone_1", "tone_2", "noise_source", "supply", "chamber", "analyzer"]
    assert all(event.text for event in run.book.events if event.kind == "tripped")
    assert "tripped" in run.book.kinds()
    assert run.book.numbers() == list(range(len(run.book.numbers())))
    rest(run, make_run)
    assert keys(run.book) == keys(whole.book)


def _raiser(error: BaseException) -> Callable[[], None]:
    def fail() -> None:
        raise error

    return fail


def test_a_silent_instrument_on_the_way_to_safety_is_an_unsafe_bench(make_run: MakeRun) -> None:
    """Nothing may be said to be off that was not read back as off: the error names the step, and all is tried."""
    run = make_run()
    run.when("analyzer", "begin", lambda: run.bench.failing.update({("supply", "make safe"): ERRORS[0]}))
    run.when("analyzer", "finish", _raiser(ERRORS[1]))
    with pytest.raises(UnsafeBench, match="bias off") as caught:
        run.go()

    assert caught.value.run == "run-id-of-this-test"
    assert run.bench.energy() | {"supply": False} == OFF
    assert run.book.states == ["tripped"]


def test_a_bench_that_is_not_safe_before_power_is_said_to_be_unsafe_once(make_run: MakeRun) -> None:
    """Bring-up and the trip that follows it find the same source still on."""
    run = make_run()
    run.bench.stuck_on.add("tone_1")
    with pytest.raises(UnsafeBench) as caught:
        run.go()

    assert caught.value.unconfirmed == ("RF of tone_1 off: it reads back as still on",)
    assert run.book.states == ["tripped"]
    assert run.bench.whats("on") == []


def test_a_queue_entry_after_a_condition_discards_its_readings(make_run: MakeRun) -> None:
    """An instrument that refused a setting has measured something else."""
    run = make_run()
    run.when("analyzer", "finish", lambda: run.bench.queues.update(code_port=[QueueEntry(-222, "Data out of range")]))
    with pytest.raises(Refused, match="-222") as caught:
        run.go()

    assert caught.value.instrument == "code_port"
    assert run.book.conditions == []


# --- Interlocks


@pytest.mark.parametrize(
    ("attribute", "value", "named"),
    [
        ("supply_current_a", 0.351, "supply current"),
        ("supply_voltage_v", 5.51, "supply voltage"),
        ("board_error_k", 90.0, "board temperature"),
        ("supply_current_a", float("nan"), "supply current"),
        ("protection_tripped", True, "protection has switched the bias off"),
        ("somebody_switched_bias_off", True, "the supply's output is off"),
    ],
)
def test_a_broken_interlock_trips_with_its_cause_and_discards_the_condition(
    make_run: MakeRun, attribute: str, value: float, named: str
) -> None:
    """While the first lines are read the world changes; the condition in progress is not committed."""
    run = make_run()
    run.when("analyzer", "begin", lambda: setattr(run.bench, attribute, value))
    with pytest.raises(Tripped, match=named) as caught:
        run.go()

    assert caught.value.run == "run-id-of-this-test"
    assert run.book.conditions == []
    assert run.book.states == ["tripped"]
    assert run.bench.energy() == OFF


@pytest.mark.parametrize(
    ("attribute", "value"),
    [("board_error_k", -140.0), ("protection_tripped", True), ("somebody_switched_bias_off", True)],
)
def test_interlocks_hold_during_the_soak_too(make_run: MakeRun, attribute: str, value: float) -> None:
    """Most of a night is soak."""
    run = make_run()
    run.when("chamber", "target", lambda: setattr(run.bench, attribute, value))
    with pytest.raises(Tripped):
        run.go()

    before_safe = run.bench.journal[: safety_began(run)]
    assert [call.place for call in before_safe if call.what == "begin"] == ["board_thermometer"]
    assert run.bench.energy() == OFF


def test_a_soak_that_does_not_end_trips(make_run: MakeRun) -> None:
    """1.5 K off the air for ninety minutes: the evidence is in the cause."""
    run = make_run()
    run.bench.board_error_k = 1.5
    first_c = run.plan.conditions[0].temperature_c
    evidence = rf"soak did not end in its time: air {first_c:.2f} °C, board {first_c + 1.5:.2f} °C"
    with pytest.raises(Tripped, match=evidence):
        run.go()

    assert run.book.states == ["tripped"]
    assert run.bench.clock.elapsed_s() == pytest.approx(5400, abs=30)


def test_a_soak_that_does_not_end_flags_its_conditions_if_the_sequence_says_so(make_run: MakeRun) -> None:
    """Only those of that temperature: the next one soaks and is not flagged."""
    run = make_run({"reference_temperature_c = 25": 'reference_temperature_c = 25\non_soak_timeout = "flag"'})
    first_c = run.plan.conditions[0].temperature_c
    run.bench.board_error_k = 1.5

    def mend(event: Event) -> None:
        if event.kind == "condition done":
            run.bench.board_error_k = 0.0

    run.listener = mend
    run.go()
    flags = {run.plan.conditions[one.number].temperature_c: one.flag for one in run.book.conditions}

    assert flags.pop(first_c) == SOAK_FLAG
    assert set(flags.values()) == {""}
    assert "soak timed out" in run.book.kinds()


# --- A book that fails, and mistakes


@pytest.mark.parametrize(
    "what",
    [
        "event run began",
        "event bring-up",
        "instruments",
        "exchanges",
        "event soak began",
        "condition",
        "event condition done",
        "event safe state",
        "event run ended",
        "finish",
    ],
)
def test_a_store_that_fails_leaves_the_bench_safe_and_is_the_error(make_run: MakeRun, what: str) -> None:
    """From its first refusal on, the store refuses everything."""
    run = make_run()
    first = StoreFault("the disk is full")
    run.book.failing = _from_then_on(what, first)
    with pytest.raises(StoreFault) as caught:
        run.go()

    assert caught.value is first
    assert run.bench.energy() == OFF


def test_a_condition_that_could_not_be_committed_is_done_again_by_resume(make_run: MakeRun, whole: FakeRun) -> None:
    """The store that has room again gets exactly what is missing."""
    run = make_run()
    left = iter(range(3))

    def fourth_fails(what: str) -> None:
        if what == "condition" and next(left, None) is None:
            raise StoreFault("the disk is full")

    run.book.failing = fourth_fails
    with pytest.raises(StoreFault):
        run.go()
    assert run.book.numbers() == [0, 1, 2]
    assert run.book.states == ["tripped"]
    run.book.failing = lambda what: None
    rest(run, make_run)

    assert keys(run.book) == keys(whole.book)


@pytest.mark.parametrize("what", ["event tripped", "event safe state", "event run ended", "finish"])
def test_a_trip_that_cannot_be_written_down_is_still_the_error(make_run: MakeRun, what: str) -> None:
    """Who comes to the bench must read that the supply failed; that the disk is full comes with it."""
    run = make_run()
    run.when("analyzer", "begin", lambda: setattr(run.bench, "supply_current_a", 0.4))
    run.book.failing = _from_then_on(what, StoreFault("the disk is full"))
    with pytest.raises(Tripped, match="supply current") as caught:
        run.go()

    assert any("the disk is full" in note for note in caught.value.__notes__)
    assert run.bench.energy() == OFF


def test_a_trip_that_cannot_be_shown_is_still_the_error(make_run: MakeRun) -> None:
    """The terminal went away while the run ended; the exit code must be that of a trip."""
    run = make_run()
    run.when("analyzer", "begin", lambda: setattr(run.bench, "supply_current_a", 0.4))

    def gone(event: Event) -> None:
        if event.kind == "run ended":
            raise BrokenPipeError("nobody reads")

    run.listener = gone
    with pytest.raises(Tripped, match="supply current"):
        run.go()

    assert run.book.states == ["tripped"]


def test_an_unsafe_bench_is_the_error_even_if_it_cannot_be_written_down(make_run: MakeRun) -> None:
    """Nothing is more urgent than a bias that may still be on."""
    run = make_run()
    run.when("analyzer", "begin", lambda: run.bench.stuck_on.add("supply"))
    run.when("analyzer", "finish", run.stop.ask)
    run.book.failing = _from_then_on("finish", StoreFault("the disk is full"))
    with pytest.raises(UnsafeBench, match="bias off") as caught:
        run.go()

    assert any("the disk is full" in note for note in caught.value.__notes__)


def _from_then_on(what: str, error: StoreFault) -> Callable[[str], None]:
    begun: list[str] = []

    def failing(now: str) -> None:
        if now == what or begun:
            begun.append(now)
            raise error if len(begun) == 1 else StoreFault("the disk is full, still")

    return failing


@pytest.mark.parametrize("mistake", [ZeroDivisionError("of ours"), KeyboardInterrupt(), MemoryError()])
@settings(max_examples=20)
@given(data=st.data())
def test_a_mistake_of_ours_passes_the_safe_state_on_its_way_up(
    make_run: MakeRun, whole: FakeRun, data: st.DataObject, mistake: BaseException
) -> None:
    """Anything at all, anywhere, also in the last steps to safety: RF and bias are off when it arrives."""
    at = data.draw(st.integers(0, len(whole.bench.journal) - 1))
    run = make_run()
    run.at_call(at, _raiser(mistake))
    # Making safe reports what goes wrong in it instead of raising, except for what ends the program.
    begins = [
        number for number, call in enumerate(whole.bench.journal) if (call.place, call.what) == ("tone_1", "make safe")
    ]
    while_made_safe = any(begin <= at < begin + TO_SAFETY for begin in begins)
    assume(not (while_made_safe and isinstance(mistake, Exception)))
    with pytest.raises(type(mistake)):
        run.go()

    assert run.bench.energy() == OFF
    assert run.book.states == ["tripped"]


def test_a_terminal_that_goes_away_leaves_the_bench_safe_and_the_run_ended(make_run: MakeRun) -> None:
    """Progress cannot be shown any more; the run ends as tripped, and the broken pipe is the error."""
    run = make_run()

    def gone(event: Event) -> None:
        if len(run.book.conditions) >= 2:
            raise BrokenPipeError("nobody reads")

    run.listener = gone
    with pytest.raises(BrokenPipeError):
        run.go()

    assert run.bench.energy() == OFF
    assert run.book.numbers() == [0, 1]
    assert run.book.states == ["tripped"]
