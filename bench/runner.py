"""The only loop of a run: next state → act → interlocks → commit → event; its one way out is the safe state.

What comes next is decided in ``bench.sequencer``; this module acts. Every exception of an instrument, every broken
interlock and every wish to stop becomes an outcome of the table; a mistake of ours still passes the safe state on its
way up.
"""

from __future__ import annotations

from collections.abc import Callable

from bench.bring_up import WakeUp, bring_up
from bench.change import Changer
from bench.errors import Paused, Tripped, UnsafeBench
from bench.events import Event, EventKind, Facts, Listener
from bench.fewer_tones import FewerTones
from bench.flow import Flow
from bench.holding import Holding
from bench.homecoming import WayHome, why_not_to_go_on
from bench.interlock_rules import interlocks_of
from bench.interlocks import Breach
from bench.job import Job, RunBook, RunState, StopSwitch
from bench.measure import LineReader, needs_analyzer, read_condition
from bench.places import Places
from bench.retries import Retries
from bench.run_progress import Progress, ending
from bench.run_words import add_unwritten, facts_of, short
from bench.safe_state import SafeStep, make_safe, unconfirmed
from bench.sequencer import FINAL, HOMEWARD, MAY_RETRY, OF_THE_CONDITION, Outcome, State, next_state
from bench.small_signal import Sweeps
from bench.soak import SoakWatch
from bench.source_power import SourcePower
from bench.watchkeeping import Situation, Watchkeeper, breach_facts
from drivers.errors import InstrumentError
from drivers.messages import Exchange
from drivers.timing import Clock

#: Longest that a wait goes without looking for a wish to stop. Ours: short against a person's patience.
STOP_LOOK_S = 0.5

#: Longest that a run whose window is closed waits before it asks the clock again what time it is. Ours.
WINDOW_LOOK_S = 60.0

#: Flag of a condition that was measured although its soak had timed out.
SOAK_FLAG = "soak timed out"

#: How a final state is called in the store.
_STORED_AS: dict[State, RunState] = {State.DONE: "done", State.STOPPED: "stopped", State.TRIPPED: "tripped"}


class Runner:
    """Runs one job on one open bench.

    Args:
        job: What to do.
        places: Drivers.
        clock: Time and waiting.
        book: Where readings, exchanges and events go.
        listener: Told every event, for the terminal.
        stop: Looked at between exchanges.
        take_exchanges: Returns the exchanges since it was last called, and forgets them.
    """

    def __init__(
        self,
        job: Job,
        places: Places,
        clock: Clock,
        book: RunBook,
        listener: Listener,
        stop: StopSwitch,
        take_exchanges: Callable[[], list[Exchange]],
    ) -> None:
        setup = job.setup
        self._job = job
        self._places = places
        self._clock = clock
        self._book = book
        self._listener = listener
        self._stop = stop
        self._take_exchanges = take_exchanges
        self._part, self._bench, self._sequence = setup.part.model, setup.bench.model, setup.sequence.model
        warn, rules = self._say_breach, interlocks_of(setup, job.planned_s)
        self._watchkeeper = Watchkeeper(places, setup, clock, rules, warn, job.free_mb)
        self._state = State.BRINGING_UP
        facts = self._sequence.sequence
        self._retries = Retries(facts.retries if facts.on_fault == "retry" else 0)
        self._begin_session()
        self._progress = Progress(job.left())
        self._flow = Flow(stop, facts, clock)
        self._way_home = WayHome(places, setup, clock, self._watchkeeper, stop, self._say)
        self._holding = Holding(places, clock, stop, self._flow, self._watchkeeper, self._say, self._wait)
        self._acts: dict[State, Callable[[], Outcome]] = {
            State.BRINGING_UP: self._bring_up,
            State.CHANGING: self._change,
            State.SOAKING: self._soak,
            State.SETTLING: self._settle,
            State.MEASURING: self._measure,
            State.COMMITTING: self._commit,
            State.RETREATING: self._retreat,
            State.PAUSING: self._pause,
            State.HOLDING: self._hold,
            State.HELD: lambda: self._holding.hold(self._situation()),
            State.CLOSING: self._close,
            State.AWAITING: self._await_window,
            State.SHUTTING_DOWN: self._to_safe_state,
            State.STOPPING: self._to_safe_state,
            State.TRIPPING: self._to_safe_state,
            **dict.fromkeys(HOMEWARD, self._return),
        }

    def _begin_session(self, changer: Changer | None = None) -> None:
        """Know nothing of what the instruments are set to, save what ``changer`` knows."""
        job, places, setup = self._job, self._places, self._job.setup
        self._changer = changer or Changer(places, self._part, self._bench, self._sequence, setup.path_losses)
        self._source_power = SourcePower(places, self._sequence, self._changer, self._wait)
        self._lines: LineReader | None = None
        self._fewer_tones: FewerTones | None = None
        if places.analyzer is not None and job.acquisition is not None and needs_analyzer(self._sequence.measure):
            self._lines = LineReader(
                places.analyzer, job.acquisition, self._part, self._sequence, setup.path_losses, self._between
            )
            self._fewer_tones = FewerTones(places, self._bench, self._changer, self._lines, self._wait)
        self._sweeps = Sweeps(places, setup, job.conditions, self._changer, self._wait)

    @property
    def skipped(self) -> int:
        """How many conditions were left out."""
        return self._progress.skipped

    def run(self) -> None:
        """Run to a final state.

        Returns when every condition is done. Raises Stopped, Tripped, UnsafeBench or the InstrumentError that ended the
        run; in each case the safe state has been sought first and the end written down.
        """
        verb: EventKind = "run resumed" if self._job.done else "run began"
        left, total = len(self._progress.left), len(self._job.conditions)
        self._say(verb, f"{left} of {total} conditions to do", {"left": left, "total": total})
        state = State.BRINGING_UP
        try:
            while state not in FINAL:
                state = next_state(state, self._act(state))
        except BaseException as mistake:
            # Not an instrument, not the user: the store, or a mistake of ours. The bench is made safe all the same.
            first = self._end_by_mistake(mistake)
            if first is mistake:
                raise
            raise first from mistake
        ending = self._ending(state)
        try:
            self._end(state)
        except Exception as unwritten:
            if ending is None:
                raise
            add_unwritten(ending, unwritten)
        if ending is not None:
            raise ending

    def _act(self, state: State) -> Outcome:
        self._state = state
        due = self._flow.turn(state)
        if due is not None:
            return due
        try:
            return self._acts[state]()
        except InstrumentError as error:
            self._progress.error = error
            return self._failed(state, error)
        except Paused:
            # With nothing on, the hold begins when the window opens.
            return Outcome.WAITING if state is State.AWAITING else Outcome.HOLD_ASKED
        except Tripped as trip:
            self._progress.error = None  # in the wait before a retry, it was not the fault that ends the run
            return self._broken(trip.cause)
        except UnsafeBench as error:
            self._progress.unsafe = error.unconfirmed
            return self._broken(str(error))

    def _failed(self, state: State, error: InstrumentError) -> Outcome:
        # Before all have answered nothing has been switched on, and whoever started the run is still there.
        if state in MAY_RETRY and self._all_answered():
            if self._retries.another(error):
                return Outcome.FAULT
            # Whether the instrument itself is gone shows when the bench is brought up for the next condition.
            if state in OF_THE_CONDITION and self._sequence.sequence.on_failing_condition == "skip":
                self._progress.gives_up = True
                return Outcome.GIVEN_UP
        return self._broken(str(error))

    def _broken(self, cause: str) -> Outcome:
        # Only kept here: it is written down when the bench is safe, so that a slow disk cannot delay safety.
        history = self._retries.history(cause)
        self._progress.cause = f"{cause} ({history})" if history else cause
        return Outcome.BROKEN

    # --- one method per state ------------------------------------------------------------------------------------

    def _bring_up(self) -> Outcome:
        if not self._progress.left:
            return Outcome.LAST
        conditions = tuple(condition for _, condition in self._progress.left)
        context = WakeUp(self._places, self._part, self._bench, conditions, self._clock, self._progress.identities)
        bring_up(context, lambda text: self._say("bring-up", text))
        self._way_home.brought_up()
        self._book.instruments(self._progress.identities)
        self._book.exchanges(self._take_exchanges())
        return Outcome.MORE

    def _change(self) -> Outcome:
        progress = self._progress
        number, condition = progress.left[0]
        progress.changed = self._changer.apply(progress.standing, condition)
        self._watchkeeper.bias_changed()
        progress.standing = condition
        kept_c, progress.kept_c = progress.kept_c, None
        if not progress.changed.soak_needed or condition.temperature_c == kept_c:
            return Outcome.READY
        progress.flag = ""
        chamber = self._bench.instrument.chamber
        pace = None if chamber is None else chamber.ramp_k_per_min
        progress.soak = SoakWatch(self._sequence.soak, condition.temperature_c, self._clock.elapsed_s(), pace)
        place = f"{number + 1} of {len(self._job.conditions)}"
        self._say("soak began", f"to {condition.temperature_c:g} °C, before condition {place}")
        return Outcome.SOAK_NEEDED

    def _soak(self) -> Outcome:
        progress = self._progress
        temperatures = self._watchkeeper.look(self._situation())
        if progress.soak is None:
            return Outcome.READY
        verdict = progress.soak.judge(self._way_home.sample(temperatures))
        if verdict.state == "waiting":
            self._say("soaking", verdict.evidence)
            self._wait(self._sequence.soak.poll_s)
            return Outcome.WAITING
        # The exchanges of a soak are committed with it: a condition holds only what it took to read it.
        self._book.exchanges(self._take_exchanges())
        if verdict.state == "gave up":
            self._say("soak timed out", f"{verdict.evidence}; {verdict.lacks}", verdict.facts)
            if self._sequence.sequence.on_soak_timeout == "trip":
                raise Tripped(f"the soak did not end in its time: {verdict.evidence}; {verdict.lacks}")
            progress.flag = SOAK_FLAG
        else:
            self._say("soak ended", verdict.evidence, verdict.facts)
        progress.soak = None
        return Outcome.READY

    def _settle(self) -> Outcome:
        settle_s = self._progress.changed.settle_s
        if not self._changer.radiating:
            # Relays and bias come to rest before RF does.
            self._wait(settle_s)
            settle_s = self._changer.rf_settle_s
        due = self._flow.turn(State.SETTLING)
        if due is not None:
            return due
        self._wait(self._source_power.rf_on(self._progress.left[0][1], settle_s))
        return Outcome.READY

    def _measure(self) -> Outcome:
        progress = self._progress
        _, condition = progress.left[0]
        levels = self._source_power.levels(condition)
        progress.readings = []
        for _ in range(self._sequence.sequence.repeats):
            due = self._flow.turn(State.MEASURING)
            if due is not None:
                return due
            readings = read_condition(self._places, self._lines, condition, self._sequence.measure)
            self._watchkeeper.values(readings)
            if not progress.flag:
                self._watchkeeper.temperatures(condition, readings)
            if "air_temperature_c" in readings:
                self._way_home.sample(readings)
            progress.readings.append({**levels, **readings})
        self._watchkeeper.sources(self._changer.radiating)
        if self._fewer_tones is not None:
            self._fewer_tones.complete(condition, self._sequence.measure, progress.readings)
        held, progress.curves = self._sweeps.take(condition)
        progress.readings = [{**readings, **held} for readings in progress.readings]
        self._watchkeeper.after(condition, self._changer.radiating)
        return Outcome.READY

    def _commit(self) -> Outcome:
        progress = self._progress
        number, condition = progress.left.pop(0)
        exchanges = self._take_exchanges()
        self._book.complete_condition(number, progress.readings, exchanges, progress.flag, progress.curves)
        self._retries.passed()
        progress.skipped_in_a_row = 0
        self._say("condition done", short(condition), {"number": number, "left": len(progress.left)})
        return Outcome.MORE if progress.left else Outcome.LAST

    def _retreat(self) -> Outcome:
        """Make the bench safe after a fault that may pass; what cannot be made safe is not switched on again."""
        progress, facts = self._progress, self._sequence.sequence
        steps = make_safe(self._places, self._bench.idle_c, sleep=self._clock.sleep)
        progress.unsafe = unconfirmed(steps)
        if progress.unsafe:
            self._say_steps(steps)
            return self._broken(str(progress.error))
        progress.standing = None
        if progress.gives_up:
            self._skip()
        else:
            attempt = self._retries.attempt
            plan = f"attempt {attempt} of {facts.retries} in {facts.retry_after_s:g} s"
            told = {"attempt": attempt, "condition": progress.left[0][0], **facts_of(progress.error)}
            self._say("retrying", f"{progress.error}; {plan}", told)
        self._say_steps(steps)
        self._book.exchanges(self._take_exchanges())
        return Outcome.READY

    def _skip(self) -> None:
        """Mark the condition in progress, and leave it out."""
        progress, most = self._progress, self._sequence.sequence.most_skipped_in_a_row
        number, condition = progress.left.pop(0)
        reason = f"{progress.error} ({self._retries.attempts_text})"
        self._book.skip_condition(number, reason)
        self._retries.passed()
        progress.skipped, progress.skipped_in_a_row = progress.skipped + 1, progress.skipped_in_a_row + 1
        told = {"number": number, "left": len(progress.left), **facts_of(progress.error)}
        self._say("skipped", f"{short(condition)}: {reason}", told)
        if progress.skipped_in_a_row >= most:
            progress.error = None
            raise Tripped(f"{most} conditions in a row were skipped, the last one for: {reason}")

    def _pause(self) -> Outcome:
        """Wait, then forget what was set and read since the last commit: the condition in progress begins anew."""
        self._wait(self._sequence.sequence.retry_after_s)
        self._forget()
        self._retries.begin()
        return Outcome.READY

    def _forget(self) -> None:
        self._progress = self._progress.anew()
        self._begin_session()
        self._watchkeeper.forget()

    def _hold(self) -> Outcome:
        """Take RF away, and bias unless it stays; what was read since the last commit is read anew."""
        progress = self._progress
        biased = self._sequence.sequence.while_paused == "bias on" and progress.standing is not None
        steps = self._holding.quieten(keeps_bias=biased)
        progress.unsafe = unconfirmed(steps)
        standing, flag = progress.standing, progress.flag
        if progress.unsafe:
            self._say_steps(steps)
            return self._broken(f"could not be held: {'; '.join(progress.unsafe)}")
        self._holding.begin(standing)
        self._say_steps(steps)
        self._book.exchanges(self._take_exchanges())
        kept_c = standing.temperature_c if biased and standing is not None and progress.soak is None else None
        self._progress = progress.anew()
        if biased:
            self._changer.forget()
        self._begin_session(self._changer if biased else None)
        if biased:
            self._progress.held, self._progress.kept_c, self._progress.flag = standing, kept_c, flag
        return Outcome.READY

    def _close(self) -> Outcome:
        """The window is closed: nothing stays on until it opens."""
        steps = make_safe(self._places, self._bench.idle_c, sleep=self._clock.sleep)
        self._progress.unsafe = unconfirmed(steps)
        opens = self._flow.opens()
        until = "its window" if opens is None else f"its window, which opens {self._flow.opens_text(opens)}"
        if not self._progress.unsafe:
            self._say("waiting", f"for {until}; RF and bias off")
        self._say_steps(steps)
        if self._progress.unsafe:
            return self._broken(f"the window is closed, and it is not safe: {'; '.join(self._progress.unsafe)}")
        self._book.exchanges(self._take_exchanges())
        return Outcome.READY

    def _await_window(self) -> Outcome:
        opens = self._flow.opens()
        if opens is not None:
            began_s = self._clock.elapsed_s()
            # Never all of it at once: a wall clock may be set.
            self._wait(min(WINDOW_LOOK_S, max(1.0, (opens - self._clock.now()).total_seconds())))
            self._watchkeeper.rested(self._clock.elapsed_s() - began_s)
            return Outcome.WAITING
        self._forget()
        if self._watchkeeper.clearing:
            self._flow.holds_on()
        self._say("going on", "the window is open")
        return Outcome.READY

    def _to_safe_state(self) -> Outcome:
        progress = self._progress
        steps = make_safe(self._places, self._bench.idle_c, sleep=self._clock.sleep)
        if progress.cause:
            self._say("tripped", progress.cause, facts_of(progress.error))
            for breach in self._watchkeeper.broken:
                self._say_breach(breach)
        self._say_steps(steps)
        # What bring-up could not confirm either is said once.
        progress.unsafe = tuple(dict.fromkeys((*progress.unsafe, *unconfirmed(steps))))
        return Outcome.READY

    def _return(self) -> Outcome:
        """Bring the chamber to where it may be opened, if it can be trusted."""
        progress, tripped = self._progress, self._state is State.RETURNING_TRIPPED
        why_not = "the safe state could not be confirmed" if progress.unsafe else ""
        if tripped and not why_not:
            why_not = why_not_to_go_on(progress.cause, self._watchkeeper.broken, progress.error)
        steps = self._way_home.go(why_not, tripped=tripped)
        left = unconfirmed(steps)
        if left:
            self._say_steps(steps)
        progress.unsafe = tuple(dict.fromkeys((*progress.unsafe, *left)))
        return Outcome.READY

    # --- what the states share -----------------------------------------------------------------------------------

    def _wait(self, duration_s: float) -> None:
        """Wait in slices, so that a wish to stop is seen soon, and look at the bench when that is due."""
        ends_s = self._clock.elapsed_s() + duration_s
        while not self._flow.breaks_off(self._state) and (left_s := ends_s - self._clock.elapsed_s()) > 0:
            if left_s > STOP_LOOK_S:  # who waits to look does so at the end
                self._watchkeeper.look_if_due(self._situation())
            self._clock.sleep(min(left_s, STOP_LOOK_S))

    def _between(self) -> None:
        self._watchkeeper.look_if_due(self._situation(is_reading=True))

    def _situation(self, *, is_reading: bool = False) -> Situation:
        """What the interlocks must know of where the loop stands."""
        state, progress = self._state, self._progress
        if state in (State.PAUSING, State.AWAITING):
            return Situation(may_be_silent=True)
        if state is State.HELD:
            return Situation(progress.held, progress.kept_c is not None and not progress.flag)
        soaked = state in (State.SETTLING, State.MEASURING) and not progress.flag
        soaking = state is State.SOAKING
        return Situation(progress.left[0][1], soaked, soaking, self._changer.radiating, is_reading)

    def _say_steps(self, steps: tuple[SafeStep, ...]) -> None:
        for step in steps:
            self._say("safe state", f"{step.name}: {step.problem or 'done'}", {"confirmed": step.confirmed})

    def _say_breach(self, breach: Breach) -> None:
        self._say("interlock", str(breach), breach_facts(breach, self._clock))

    def _say(self, kind: EventKind, text: str, facts: Facts | None = None) -> None:
        event = Event(self._clock.now(), kind, text, facts or {})
        self._book.event(event)
        self._listener(event)

    def _end(self, state: State) -> None:
        # The state first: a listener that fails must not leave the run as one that is still going on.
        skipped = self._progress.skipped
        ended: RunState = "incomplete" if state is State.DONE and skipped else _STORED_AS[state]
        self._book.finish(ended, self._take_exchanges())
        if state is State.STOPPED:
            by = f", asked {self._stop.by}" if self._stop.by else ""
            self._say("stopped", self._flow.why or f"by the user{by}")
        self._say("run ended", ended, {"skipped": skipped} if skipped else None)

    def _end_by_mistake(self, mistake: BaseException) -> BaseException:
        """Make the bench safe, write the end down and return the error to act on: the one that came first."""
        left = unconfirmed(make_safe(self._places, self._bench.idle_c, sleep=self._clock.sleep))
        trip = self._ending(State.TRIPPED) if self._progress.cause else None
        first = trip or mistake
        if left:
            first.add_note(str(UnsafeBench(left, self._job.run)))
        if trip is not None:
            add_unwritten(trip, mistake)
        if trip is None:
            self._try_to(lambda: self._say("tripped", f"{type(mistake).__name__}: {mistake}"), first)
        self._try_to(lambda: self._end(State.TRIPPED), first)
        return first

    def _try_to(self, write: Callable[[], None], first: BaseException) -> None:
        try:
            write()
        except Exception as second:  # noqa: BLE001 - whatever it is, it must not hide the first error
            add_unwritten(first, second)

    def _all_answered(self) -> bool:
        """Whether every instrument has said who it is; before that, nothing is switched on."""
        return len(self._progress.identities) == len(tuple(self._places.present()))

    def _ending(self, state: State) -> Exception | None:
        """The error that a run in this final state ends with; None if all is done and safe."""
        progress = self._progress
        history = self._retries.history(str(progress.error))
        run, why = self._job.run, self._flow.why
        return ending(state, progress, run, history, why, all_answered=self._all_answered())
