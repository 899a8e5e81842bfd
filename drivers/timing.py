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
