"""The clocks: real, and simulated (jumps, so that a night passes in seconds).

Rule: the only module of the project that imports ``time`` or asks the machine for now.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta


class RealClock:
    """The machine's clock. ``now`` may be set back by the machine; ``elapsed_s`` never goes back."""

    def __init__(self) -> None:
        self._began = time.monotonic()

    def now(self) -> datetime:
        """Wall-clock time in UTC."""
        return datetime.now(UTC)

    def elapsed_s(self) -> float:
        """Seconds since this clock was made."""
        return time.monotonic() - self._began

    def sleep(self, duration_s: float) -> None:
        """Wait in real time."""
        if duration_s > 0:
            time.sleep(duration_s)


class SimulatedClock:
    """A clock that jumps: a wait takes no time at all, and only waits move it.

    Args:
        starts: What ``now`` says at first; timezone-aware.
    """

    def __init__(self, starts: datetime) -> None:
        if starts.tzinfo is None:
            raise ValueError("the simulated clock needs a timezone-aware start")
        self._starts = starts.astimezone(UTC)
        self._elapsed_s = 0.0

    def now(self) -> datetime:
        """Start plus what has been slept."""
        return self._starts + timedelta(seconds=self._elapsed_s)

    def elapsed_s(self) -> float:
        """Seconds slept so far."""
        return self._elapsed_s

    def sleep(self, duration_s: float) -> None:
        """Jump ahead."""
        if duration_s > 0:
            self._elapsed_s += duration_s
