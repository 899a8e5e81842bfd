"""The clocks: real, simulated (jumps, so that a night passes in seconds) and scaled (real time, but faster).

Rule: the only module of the project that imports ``time`` or asks the machine for now.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

from drivers.timing import Clock


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


class ScaledClock:
    """Real time, ``speed`` times faster: for a served rig and for a run that drives it.

    Args:
        speed: Seconds of this clock in a second of the machine's; above 0.
        starts: What ``now`` says at first, timezone-aware; None for the machine's time.
        real: The machine's clock; None for a new one.
    """

    def __init__(self, speed: float, starts: datetime | None = None, real: Clock | None = None) -> None:
        if speed <= 0:
            raise ValueError(f"a speed of {speed} does not let time pass")
        if starts is not None and starts.tzinfo is None:
            raise ValueError("the scaled clock needs a timezone-aware start")
        self._real: Clock = RealClock() if real is None else real
        self._speed = speed
        self._starts = self._real.now() if starts is None else starts.astimezone(UTC)

    def now(self) -> datetime:
        """Start plus what has passed on this clock."""
        return self._starts + timedelta(seconds=self.elapsed_s())

    def elapsed_s(self) -> float:
        """Seconds of this clock since it was made."""
        return self._real.elapsed_s() * self._speed

    def sleep(self, duration_s: float) -> None:
        """Wait the ``speed``-th part of it in real time."""
        self._real.sleep(duration_s / self._speed)
