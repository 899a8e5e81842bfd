"""What can go wrong while a run is prepared, made or kept, apart from the files and the instruments themselves.

    BenchError
    ├── StoreFault      the store cannot be opened, read or written
    ├── NoSuchRun       a run's name fits none, or several
    ├── HazardsRefused  a hazard must be mended or acknowledged first; nothing was switched on
    ├── BenchInUse      another process has an instrument of the bench
    ├── RunInUse        another process is writing the run
    ├── RunDone         the run has nothing left to do
    ├── Changed         what a run rests on is not as it was when it began
    ├── Tripped         an interlock was broken; the bench has been made safe
    ├── NotGoingOn      a wish was meant for a run that does not go on here, or does not answer
    ├── Stopped         the user stopped the run; the bench has been made safe
    └── UnsafeBench     the safe state could not be confirmed: a person must go to the bench

File faults are ``sequences.errors.FileFaults``, instrument failures ``drivers.errors.InstrumentError``;
``bench.exit_codes`` maps all of them.
"""

from __future__ import annotations


def listed(items: tuple[str, ...]) -> str:
    """The items as the end of a text, a line for each; whoever shows them folds what is long."""
    return "".join(f"\n  {item}" for item in items)


class BenchError(Exception):
    """Base: one paragraph that a person at the bench can act on."""


class StoreFault(BenchError):
    """The store cannot be opened, read or written."""


class NoSuchRun(BenchError):
    """The text that names a run fits no run, or more than one."""


class BenchInUse(BenchError):
    """Another process has an instrument of the bench; nothing was opened.

    Args:
        bench: The bench's name.
        place: Place of the first instrument that is held.
        resource: Its resource.
        holder: Who has it, since when.
    """

    def __init__(self, bench: str, place: str, resource: str, holder: str) -> None:
        super().__init__(
            f"bench {bench} is in use: {holder} has {place} at {resource}; nothing was opened. "
            "Wait until that has ended, or stop it"
        )
        self.place = place
        self.holder = holder


class RunInUse(BenchError):
    """Another process is writing the run.

    Args:
        run: Id of the run.
        holder: Who writes it, since when.
    """

    def __init__(self, run: str, holder: str) -> None:
        super().__init__(f"run {run[:8]} is going on: {holder} writes it; there is nothing to resume until that ends")
        self.run = run
        self.holder = holder


class RunDone(BenchError):
    """The run was to be resumed and has nothing left to do; nothing was opened.

    Args:
        run: Id of the run.
    """

    def __init__(self, run: str) -> None:
        super().__init__(f"run {run[:8]} is done; there is nothing to resume")
        self.run = run


class Changed(BenchError):
    """What a run rests on has changed since it began; nothing was opened.

    Args:
        run: Id of the run.
        changes: What has changed, a line each.
        acceptable: Whether ``--accept-change`` would let it go on.
    """

    def __init__(self, run: str, changes: tuple[str, ...], *, acceptable: bool = True) -> None:
        way = (
            "Take the change back, begin a new run with it, or give --accept-change: the run then goes on WITH WHAT IT "
            "BEGAN WITH, and the change is kept in its record"
            if acceptable
            else "A run has one unit: begin a new run for the other one"
        )
        super().__init__(f"since run {run[:8]} began there are changes:{listed(changes)}\n{way}")
        self.changes = changes


class HazardsRefused(BenchError):
    """A hazard must be mended, or acknowledged by a person, before the run may start; nothing was opened.

    Args:
        text: Which, why, and what to do.
        names: Names of the hazards.
    """

    def __init__(self, text: str, names: tuple[str, ...]) -> None:
        super().__init__(text)
        self.names = names


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


class Paused(Exception):
    """An interlock whose action is to pause was broken: the run takes RF away and holds. Never leaves the run."""


class NotGoingOn(BenchError):
    """The run that a wish was meant for does not go on at this computer, or its process does not answer."""


class Stopped(BenchError):
    """The user asked for a stop, or the sequence did.

    Args:
        run: Id of the run that can be resumed; empty if there is none.
        why: What the sequence stopped it for; empty for the user.
    """

    def __init__(self, run: str, why: str = "") -> None:
        kept = "stopped safely; what has been measured is kept" if run else "stopped safely"
        super().__init__(f"{why}; {kept}" if why else kept)
        self.run = run


class UnsafeBench(BenchError):
    """One or more steps to the safe state could not be confirmed.

    Args:
        unconfirmed: What could not be switched off or read back, with the reason.
        run: Id of the run.
    """

    #: How its text begins, also where it is a note of another error.
    OPENING = "COULD NOT CONFIRM THE SAFE STATE"

    def __init__(self, unconfirmed: tuple[str, ...], run: str = "") -> None:
        super().__init__(
            f"{self.OPENING}.\nGo to the bench, switch off by hand, and expect live, hot or cold parts.\n"
            f"Not confirmed:{listed(unconfirmed)}"
        )
        self.unconfirmed = unconfirmed
        self.run = run
