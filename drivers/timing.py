"""The clock that drivers, the rig and the sequencer ask for the time and for waiting.

Rule: nothing in this package imports ``time`` or sleeps by itself; implementations live in ``bench.clocks``.
"""

from __future__ import annotations

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """Time and waiting, asked for and never taken."""

    def now(self) -> datetime:
        """Wall-clock time, timezone-aware UTC."""
        ...

    def elapsed_s(self) -> float:
        """Seconds since the clock was made; never goes backwards."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Wait for ``duration_s`` seconds of this clock; a duration of zero or less returns at once."""
        ...


def left_s(clock: Clock, ends_s: float) -> float:
    """Seconds until ``ends_s``, in whole microseconds as a run counts them; 0 or less when they are over.

    A loop that waits asks for it: what is left by the rounding of doubles alone would be waited for as well.
    """
    return round(ends_s - clock.elapsed_s(), 6)
