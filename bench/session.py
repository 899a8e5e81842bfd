"""What all states of a run's loop share: instruments, clock, book, and how they wait, look and speak."""

from __future__ import annotations

from collections.abc import Callable

from bench.change import Changer
from bench.events import Event, EventKind, Facts, Listener
from bench.fewer_tones import FewerTones
from bench.flow import Flow
from bench.hearing import Wishes
from bench.holding import Holding
from bench.homecoming import WayHome
from bench.interlock_rules import interlocks_of
from bench.interlocks import Breach
from bench.job import Job, RunBook
from bench.measure import LineReader, needs_analyzer
from bench.places import Places
from bench.retries import Retries
from bench.run_progress import Progress
from bench.safe_state import SafeStep
from bench.sequencer import Outcome, State
from bench.small_signal import Sweeps
from bench.source_power import SourcePower
from bench.watchkeeping import Situation, Watchkeeper, breach_facts
from drivers.messages import Exchange
from drivers.timing import Clock, left_s

#: Longest that a wait goes without looking for a wish to stop. Ours: short against a person's patience.
STOP_LOOK_S = 0.5


class Session:
    """One job on one open bench.

    Args:
        job: What to do.
        places: Drivers.
        clock: Time and waiting.
        book: Where readings, exchanges and events go.
        listener: Told every event, for the terminal.
        stop: Looked at between exchanges.
        take_exchanges: Returns the exchanges since it was last called, and forgets them.
        free_mb: Space on the disk of the store; None for what the job finds.
    """

    def __init__(
        self,
        job: Job,
        places: Places,
        clock: Clock,
        book: RunBook,
        listener: Listener,
        stop: Wishes,
        take_exchanges: Callable[[], list[Exchange]],
        free_mb: Callable[[], float | None] | None = None,
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
        self._watchkeeper = Watchkeeper(places, setup, clock, rules, warn, free_mb or job.free_mb)
        self._state = State.BRINGING_UP
        facts = self._sequence.sequence
        self._retries = Retries(facts.retries if facts.on_fault == "retry" else 0)
        self._begin_session()
        self._progress = Progress(job.left())
        self._flow = Flow(stop, facts, clock)
        self._way_home = WayHome(places, setup, clock, self._watchkeeper, stop, self._say)
        self._holding = Holding(places, clock, stop, self._flow, self._watchkeeper, self._say, self._wait)

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

    def _broken(self, cause: str) -> Outcome:
        # Only kept here: it is written down when the bench is safe, so that a slow disk cannot delay safety.
        history = self._retries.history(cause)
        self._progress.cause = f"{cause} ({history})" if history else cause
        return Outcome.BROKEN

    def _wait(self, duration_s: float) -> None:
        """Wait in slices, so that a wish to stop is seen soon, and look at the bench when that is due."""
        ends_s = self._clock.elapsed_s() + duration_s
        while not self._flow.breaks_off(self._state) and (rest_s := left_s(self._clock, ends_s)) > 0:
            if rest_s > STOP_LOOK_S:  # who waits to look does so at the end
                self._watchkeeper.look_if_due(self._situation())
            self._clock.sleep(min(rest_s, STOP_LOOK_S))

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

    def _all_answered(self) -> bool:
        """Whether every instrument has said who it is; before that, nothing is switched on."""
        return len(self._progress.identities) == len(tuple(self._places.present()))
