"""From an outcome or an error to the command's exit code: one table."""

from __future__ import annotations

from enum import IntEnum

from bench.errors import BenchError, BenchInUse, NoSuchRun, Stopped, StoreFault, Tripped, UnsafeBench
from drivers.errors import InstrumentError
from sequences.errors import SequenceError


class ExitCode(IntEnum):
    """What the shell is told."""

    DONE = 0
    LIMIT_NOT_MET = 1
    DIFFERS = 1  # of a replay: done, and not as it should be
    BAD_INPUT = 2
    TRIPPED = 3
    INSTRUMENT = 4
    STORE = 5
    OUR_MISTAKE = 70  # EX_SOFTWARE of BSD's sysexits: not to be taken for a limit that is not met
    STOPPED = 130  # 128 + SIGINT, as shells report an interrupt
    NOBODY_READS = 141  # 128 + SIGPIPE, as shells report a program whose reader has gone


#: First match wins; more special classes stand above their base.
BY_ERROR: tuple[tuple[type[Exception], ExitCode], ...] = (
    (SequenceError, ExitCode.BAD_INPUT),
    (NoSuchRun, ExitCode.BAD_INPUT),
    (StoreFault, ExitCode.STORE),
    (Stopped, ExitCode.STOPPED),
    (Tripped, ExitCode.TRIPPED),
    (UnsafeBench, ExitCode.TRIPPED),
    # Nothing is wrong with files or words: the instruments are not to be had now, as if they were switched off.
    (BenchInUse, ExitCode.INSTRUMENT),
    (InstrumentError, ExitCode.INSTRUMENT),
    (BenchError, ExitCode.BAD_INPUT),
)


def of_error(error: Exception) -> ExitCode | None:
    """Exit code of an error that a user or an instrument caused; None for a mistake of our own."""
    return next((code for kind, code in BY_ERROR if isinstance(error, kind)), None)


def of_decision(decision: str, skipped: int = 0) -> ExitCode:
    """0 if every limit is met or nothing was to be decided, 1 if some decision is (conditionally) fail.

    1 as well if conditions were skipped: nobody has seen whether the limits are met there.
    """
    failed = decision in ("fail", "conditional fail") or skipped > 0
    return ExitCode.LIMIT_NOT_MET if failed else ExitCode.DONE
