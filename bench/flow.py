"""What comes in the way of a run: wishes to hold, to go on and to stop, and the window of its sequence. Decides only.

A wish is seen at the next turn of the loop and in every wait. While readings of a condition are taken it waits for the
end of the repeat that is going on, so that nothing is stored that has not been settled for.
"""

from __future__ import annotations

from datetime import datetime

from bench.hearing import Wishes
from bench.sequencer import BETWEEN_CONDITIONS, MAY_CLOSE, MAY_HOLD, NEXT, Outcome, State
from drivers.timing import Clock
from sequences.sequence_file import SequenceFacts
from sequences.units import duration_text


class Flow:
    """Decides for one run what is due instead of what the table would do next.

    Attributes:
        why: What the sequence stops the run for; empty for a person's wish.

    Args:
        stop: Wishes.
        facts: What the sequence says of pauses and window.
        clock: The run's clock.
    """

    def __init__(self, stop: Wishes, facts: SequenceFacts, clock: Clock) -> None:
        self._stop = stop
        self._facts = facts
        self._clock = clock
        self._has_been_open = False
        self._broke_off = False
        self._held_s: float | None = None
        self._answered = 0
        self.why = ""

    def turn(self, state: State) -> Outcome | None:
        """What is due instead of acting in a state; None to act in it."""
        if self._stop.asked and (state, Outcome.STOP_ASKED) in NEXT:
            return Outcome.STOP_ASKED
        if self._stop.after_condition and state in BETWEEN_CONDITIONS:
            return Outcome.STOP_ASKED
        closed = self._closed(state)
        if closed is not None:
            return closed
        # A wait that was broken off is not gone on with, though the wish has been taken back meanwhile.
        is_wished = self._stop.hold or self._broke_off
        return Outcome.HOLD_ASKED if is_wished and state in MAY_HOLD and state is not State.HELD else None

    def _closed(self, state: State) -> Outcome | None:
        window = self._facts.window
        if window is None or state not in MAY_CLOSE:
            return None
        now = self._clock.now()
        begins, _ = window.opening(now)
        if begins <= now:
            self._has_been_open = True
            return None
        if window.at_end == "stop" and self._has_been_open:
            self.why = f"the window of the sequence ({window}) has closed"
            return Outcome.STOP_ASKED
        return Outcome.CLOSED

    def breaks_off(self, state: State) -> bool:
        """Whether a wait is to end early; in the midst of readings only for a stop now, as it drops them."""
        if self._stop.asked:
            return True
        due = None if state is State.MEASURING else self.turn(state)
        self._broke_off = self._broke_off or due is Outcome.HOLD_ASKED
        return due is not None

    # --- the hold -------------------------------------------------------------------------------------------------

    def begins_to_hold(self) -> None:
        """RF is off, and the hold begins."""
        self._broke_off = False
        self._held_s = self._clock.elapsed_s()
        self._answered = self._stop.gone_on

    def holds_on(self) -> None:
        """Hold as soon as can be, though nobody wishes it: an interlock does still."""
        self._broke_off = True

    def is_over(self, *, asked_by_interlock: bool, broken: bool, unseen: bool) -> bool:
        """Whether a hold is over: nobody wishes it any more, and no interlock that asked for it still does.

        ``broken``: one of these does not hold yet; ``unseen``: one cannot be judged without a person.
        """
        if self._stop.hold or broken:
            return False
        by_itself = not asked_by_interlock or (self._facts.after_interlock == "go on" and not unseen)
        return by_itself or self.was_told_to_go_on

    @property
    def was_told_to_go_on(self) -> bool:
        """Whether somebody has said go on since the hold began."""
        return self._stop.gone_on > self._answered

    def refuses(self, *, broken: bool) -> bool:
        """Whether somebody has said go on while an interlock is broken still; each such word counts once."""
        if not broken or self._stop.hold or not self.was_told_to_go_on:
            return False
        self._answered = self._stop.gone_on
        return True

    def has_held_too_long(self) -> bool:
        """Whether the longest pause is over; then the run stops."""
        too_long = self.held_s() > self._facts.longest_pause_s
        if too_long:
            self.why = f"held for longer than {duration_text(self._facts.longest_pause_s)}"
        return too_long

    def held_s(self) -> float:
        """How long the hold has lasted."""
        return 0.0 if self._held_s is None else self._clock.elapsed_s() - self._held_s

    # --- the window -----------------------------------------------------------------------------------------------

    def opens(self) -> datetime | None:
        """When the window opens next; None while it is open, or without one."""
        window, now = self._facts.window, self._clock.now()
        begins = now if window is None else window.opening(now)[0]
        return begins if begins > now else None

    def opens_text(self, at: datetime) -> str:
        """When the window opens, for people."""
        window = self._facts.window
        local = at if window is None else window.local(at)
        return f"{local:%a %d %b %H:%M}"
