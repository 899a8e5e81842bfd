"""What a run has to do, how it is asked to stop, and where it is written down."""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Protocol

from bench.acquisition import Acquisition
from bench.events import Event
from bench.store.curves import Curve
from drivers.messages import Exchange
from drivers.roles import Identity
from drivers.timing import Clock
from sequences.conditions import Condition
from sequences.read_files import Setup

RunState = Literal["running", "done", "incomplete", "tripped", "stopped", "interrupted"]


class RunBook(Protocol):
    """Where a run is written down; ``bench.store`` has the real one."""

    def instruments(self, identities: Mapping[str, Identity]) -> None:
        """Keep who answered."""
        ...

    def complete_condition(
        self,
        number: int,
        readings: SequenceOf[Mapping[str, float]],
        exchanges: SequenceOf[Exchange],
        flag: str,
        curves: SequenceOf[Curve] = (),
    ) -> None:
        """Commit a condition's readings (one mapping per repeat), curves, exchanges and completeness: all or none."""
        ...

    def skip_condition(self, number: int, reason: str) -> None:
        """Commit that a condition has failed in all its attempts, and why; a later session tries it again."""
        ...

    def event(self, event: Event) -> None:
        """Commit one event."""
        ...

    def exchanges(self, exchanges: SequenceOf[Exchange]) -> None:
        """Commit exchanges that belong to no condition: bring-up, soak."""
        ...

    def finish(self, state: RunState, exchanges: SequenceOf[Exchange]) -> None:
        """Commit how the run ended, and the exchanges since the last commit."""
        ...


@dataclass(slots=True)
class StopSwitch:
    """What people wish of a run that goes on; set from a signal, a key or another thread, looked at between exchanges.

    Attributes:
        asked: Stop now.
        after_condition: Stop as soon as no condition is in progress.
        hold: Hold, until somebody says go on.
        gone_on: How often somebody has said so.
        held: Whether the run is held; the run itself says so.
        by: Who wished last, in words; empty if that is not known.
        times: How often a stop was asked for: once more while a run returns to room temperature ends that.
        patience: Real time, for what people hold on a simulated clock, which would jump over it; None for not at all.
    """

    asked: bool = False
    times: int = 0
    after_condition: bool = False
    hold: bool = False
    gone_on: int = 0
    held: bool = False
    by: str = ""
    patience: Clock | None = None

    def ask(self, by: str = "") -> None:
        """Wish for a stop."""
        self.by = by
        self.asked = True
        self.times += 1

    def ask_after_condition(self, by: str = "") -> None:
        """Wish for a stop after the condition in progress."""
        self.by = by
        self.after_condition = True

    def ask_hold(self, by: str = "") -> None:
        """Wish that the run holds."""
        self.by = by
        self.hold = True

    def ask_go_on(self, by: str = "") -> None:
        """Wish that a run that holds goes on."""
        self.by = by
        self.hold = False
        self.gone_on += 1

    def toggle(self, by: str = "") -> None:
        """Hold if it goes on, go on if it is held or is about to be."""
        if self.hold or self.held:
            self.ask_go_on(by)
        else:
            self.ask_hold(by)


@dataclass(frozen=True, slots=True)
class Job:
    """What a run has to do: the files, the unit's conditions in order with their numbers, and those already done.

    ``rechecks`` are numbers of conditions that are done and are measured once more first. ``planned_s`` is how long
    what is left should take, as far as somebody has planned it; ``store_file`` the file that holds the store, if it is
    one.
    """

    run: str
    setup: Setup
    acquisition: Acquisition | None
    conditions: tuple[Condition, ...]
    done: frozenset[int] = frozenset()
    planned_s: float = math.inf
    rechecks: tuple[int, ...] = ()
    store_file: Path | None = None

    def free_mb(self) -> float | None:
        """Space on the disk of the store, in MB; None if it is no file."""
        return None if self.store_file is None else shutil.disk_usage(self.store_file.parent).free / 1e6

    def left(self) -> list[tuple[int, Condition]]:
        """Conditions still to be measured, in order; before them those that are measured once more."""
        again = [(number, self.conditions[number]) for number in self.rechecks]
        return again + [(number, item) for number, item in enumerate(self.conditions) if number not in self.done]
