"""The only loop of a run: next state → act → interlocks → commit → event; its one way out is the safe state.

What comes next is decided in ``bench.sequencer``; this module acts. Every exception of an instrument, every broken
interlock and every wish to stop becomes an outcome of the table; a mistake of ours still passes the safe state on its
way up.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property

from bench.bring_up import WakeUp, bring_up
from bench.deviating import not_read_back
from bench.errors import Paused, Tripped, UnsafeBench
from bench.events import EventKind
from bench.homecoming import why_not_to_go_on
from bench.job import RunState
from bench.measure import read_condition
from bench.rests import Rests
from bench.run_progress import ending
from bench.run_words import add_unwritten, facts_of, short
from bench.safe_state import make_safe, unconfirmed
from bench.sequencer import FINAL, HOMEWARD, MAY_RETRY, OF_THE_CONDITION, Outcome, State, next_state
from bench.soak import SoakWatch
from drivers.errors import InstrumentError

#: Flag of a condition that was measured although its soak had timed out.
SOAK_FLAG = "soak timed out"

#: How a final state is called in the store.
_STORED_AS: dict[State, RunState] = {State.DONE: "done", State.STOPPED: "stopped", State.TRIPPED: "tripped"}


class Runner(Rests):
    """Runs one job on one open bench."""

    @cached_property
    def _acts(self) -> dict[State, Callable[[], Outcome]]:
        return {
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
        self._stop.held = state is State.HELD
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

    # --- one method per state ------------------------------------------------------------------------------------

    def _bring_up(self) -> Outcome:
        if not self._progress.left:
            return Outcome.LAST
        conditions = tuple(condition for _, condition in self._progress.left)
        known, unread = self._progress.identities, not_read_back(self._job.setup.bench)
        context = WakeUp(self._places, self._part, self._bench, conditions, self._clock, known, unread)
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
            readings |= self._watchkeeper.second_sensor()
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

    def _to_safe_state(self) -> Outcome:
        progress = self._progress
        self._watchkeeper.only_trips = True
        steps = make_safe(self._places, self._bench.idle_c, sleep=self._clock.sleep)
        if progress.cause:
            broken = self._watchkeeper.broken
            named = {"interlock": broken[0].interlock.name} if broken else {}
            self._say("tripped", progress.cause, {**facts_of(progress.error), **named})
            for breach in broken:
                self._say_breach(breach)
        if self._state is State.STOPPING:
            by = f", asked {self._stop.by}" if self._stop.by else ""
            self._say("stopped", self._flow.why or f"by the user{by}")
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

    def _end(self, state: State) -> None:
        # The state first: a listener that fails must not leave the run as one that is still going on.
        skipped = self._progress.skipped
        ended: RunState = "incomplete" if state is State.DONE and skipped else _STORED_AS[state]
        self._book.finish(ended, self._take_exchanges())
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

    def _ending(self, state: State) -> Exception | None:
        """The error that a run in this final state ends with; None if all is done and safe."""
        progress = self._progress
        history = self._retries.history(str(progress.error))
        run, why = self._job.run, self._flow.why
        return ending(state, progress, run, history, why, all_answered=self._all_answered())
