"""What happens during a run, as frozen facts for the log, the store and the terminal.

An event is said once, by the runner; whoever listens (store, progress, tests) takes what it needs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

EventKind = Literal[
    "run began",
    "run resumed",
    "taken over",
    "compared",
    "change accepted",
    "rechecked",
    "hazard",
    "acknowledged",
    "identified",
    "bring-up",
    "soak began",
    "soaking",
    "soak ended",
    "soak timed out",
    "condition done",
    "retrying",
    "interlock",
    "tripped",
    "stopped",
    "paused",
    "going on",
    "waiting",
    "skipped",
    "safe state",
    "unsafe",
    "returning",
    "safe to open",
    "not safe to open",
    "guard",
    "run ended",
    "could not tell",
    "could not log",
    "could not show",
]

#: Kinds that come often: shown as progress, not kept in the store's event table (a condition's own row says when it
#: was completed, and a soak's end brings its evidence).
PROGRESS_ONLY: frozenset[EventKind] = frozenset({"condition done", "soaking"})

Facts = Mapping[str, float | int | str | bool]


@dataclass(frozen=True, slots=True)
class Event:
    """One fact with its time (UTC) and its numbers."""

    at: datetime
    kind: EventKind
    text: str
    facts: Facts = field(default_factory=dict)


Listener = Callable[[Event], None]
