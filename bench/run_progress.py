"""Where the loop of a run stands, and with which error it ends."""

from __future__ import annotations

from dataclasses import dataclass, field

from bench.change import Changed
from bench.errors import Stopped, Tripped, UnsafeBench, listed
from bench.measure import Readings
from bench.sequencer import State
from bench.soak import SoakWatch
from bench.store.curves import Curve
from drivers.errors import InstrumentError
from drivers.roles import Identity
from sequences.conditions import Condition


@dataclass(slots=True)
class Progress:
    """Where the loop stands; only ``Runner`` touches it.

    Attributes:
        left: Conditions still to do with their numbers; the first is in progress.
        standing: What the instruments are set to; None if nobody knows.
        held: What a hold with the bias on stands at.
        kept_c: Temperature that is soaked for still after a hold that left the bias on.
        gives_up: Whether the condition in progress has failed in all its attempts.
        skipped: How many conditions were skipped, and how many in a row.
    """

    left: list[tuple[int, Condition]]
    standing: Condition | None = None
    held: Condition | None = None
    kept_c: float | None = None
    changed: Changed = field(default_factory=lambda: Changed(False, 0.0))
    soak: SoakWatch | None = None
    flag: str = ""
    readings: list[Readings] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    cause: str = ""
    gives_up: bool = False
    skipped: int = 0
    skipped_in_a_row: int = 0
    unsafe: tuple[str, ...] = ()
    error: InstrumentError | None = None
    identities: dict[str, Identity] = field(default_factory=dict)

    def anew(self) -> Progress:
        """The condition in progress begins anew, and nothing is known of what is set."""
        return Progress(
            self.left, skipped=self.skipped, skipped_in_a_row=self.skipped_in_a_row, identities=self.identities
        )


def ending(
    state: State, progress: Progress, run: str, history: str, why: str, *, all_answered: bool
) -> Exception | None:
    """The error that a run in this final state ends with; None if all is done and safe.

    ``history`` is what led to it besides its cause; ``why`` what the sequence stopped it for.
    """
    if progress.unsafe and progress.error is not None and not all_answered:
        # Somebody is not there, and nothing has been switched on: a person must look, but no alarm is due.
        progress.error.add_note(f"this run has switched nothing on; not confirmed:{listed(progress.unsafe)}")
        return progress.error
    if progress.unsafe:
        return UnsafeBench(progress.unsafe, run)
    if state is State.STOPPED:
        return Stopped(run, why)
    if state is State.TRIPPED and progress.error is not None:
        if history:
            progress.error.add_note(history)
        return progress.error
    if state is State.TRIPPED:
        return Tripped(progress.cause, run)
    return None
