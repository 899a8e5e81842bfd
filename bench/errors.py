"""What can go wrong while a run is prepared, made or kept, apart from the files and the instruments themselves.

    BenchError
    ├── StoreFault      the store cannot be opened, read or written
    ├── NoSuchRun       a run's name fits none, or several
    ├── Tripped         an interlock was broken; the bench has been made safe
    ├── Stopped         the user stopped the run; the bench has been made safe
    └── UnsafeBench     the safe state could not be confirmed: a person must go to the bench

File faults are ``sequences.errors.FileFaults``, instrument failures ``drivers.errors.InstrumentError``;
``bench.exit_codes`` maps all of them.
"""

from __future__ import annotations


class BenchError(Exception):
    """Base: one paragraph that a person at the bench can act on."""


class StoreFault(BenchError):
    """The store cannot be opened, read or written."""


class NoSuchRun(BenchError):
    """The text that names a run fits no run, or more than one."""


class Tripped(BenchError):
    """The run went to the safe state by itself.

    Args:
        cause: What was broken, with value and limit.
        run: Id of the run, empty if it had not begun.
    """

    def __init__(self, cause: str, run: str = "") -> None:
        super().__init__(cause)
        self.cause = cause
        self.run = run


class Stopped(BenchError):
    """The user asked for a stop.

    Args:
        run: Id of the run that can be resumed; empty if there is none.
    """

    def __init__(self, run: str) -> None:
        super().__init__("stopped safely; what has been measured is kept" if run else "stopped safely")
        self.run = run


class UnsafeBench(BenchError):
    """One or more steps to the safe state could not be confirmed.

    Args:
        unconfirmed: What could not be switched off or read back, with the reason.
        run: Id of the run.
    """

    def __init__(self, unconfirmed: tuple[str, ...], run: str = "") -> None:
        steps = "; ".join(unconfirmed)
        super().__init__(
            f"COULD NOT CONFIRM THE SAFE STATE ({steps}). Go to the bench, switch off by hand, "
            "and expect live, hot or cold parts."
        )
        self.unconfirmed = unconfirmed
        self.run = run
