"""The states of a run in which nothing is measured: the retreat from a fault, the wait after it, the hold, the window.

Each takes energy away before anything else, and goes on only from what has been read back.
"""

from __future__ import annotations

from bench.errors import Tripped
from bench.run_words import facts_of, short
from bench.safe_state import make_safe, unconfirmed
from bench.sequencer import Outcome
from bench.session import Session

#: Longest that a run whose window is closed waits before it asks the clock again what time it is. Ours.
WINDOW_LOOK_S = 60.0


class Rests(Session):
    """Acts of these states; ``Runner`` has the others."""

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
        if biased:
            self._watchkeeper.meters_anew()
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
