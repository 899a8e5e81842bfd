"""Recordings of versions that kept neither waits nor wishes of people: what else tells of them.

Waits last as long as they should, which on a simulated clock they did. A stop by a person is in the run's events, but
not where the run took notice; that is found by trying.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from collections.abc import Sequence as SequenceOf
from dataclasses import replace
from datetime import datetime

from bench.events import Event
from bench.hearing import Wished
from bench.recording import VOICES
from bench.store.curves import Curve
from bench.store.records import ExchangeChunk, RecordedSession, RunState
from drivers.conversation import Exchange
from drivers.roles import Identity

#: How many exchanges before a difference a stop is looked for. Ours: the way to safety and the way to the next
#: condition begin with a few of the same messages.
BEFORE = 12

#: At which look after an exchange a stop is looked for. Ours: a commit lies between a few looks.
LOOKS = 6

#: How the event of a stop by a person is worded.
_BY_USER, _ASKED = "by the user", ", asked "

Chunks = tuple[ExchangeChunk, ...]


class Nowhere:
    """A run's book that keeps nothing but which conditions were complete: for trying.

    Attributes:
        complete: Their numbers.
    """

    def __init__(self) -> None:
        self.complete: set[int] = set()

    def instruments(self, identities: Mapping[str, Identity]) -> None:
        """Keep nothing."""

    def complete_condition(
        self,
        number: int,
        readings: SequenceOf[Mapping[str, float]],
        exchanges: SequenceOf[Exchange],
        flag: str,
        curves: SequenceOf[Curve] = (),
    ) -> None:
        """Keep its number."""
        self.complete.add(number)

    def skip_condition(self, number: int, reason: str) -> None:
        """Keep nothing."""

    def event(self, event: Event) -> None:
        """Keep nothing."""

    def exchanges(self, exchanges: SequenceOf[Exchange]) -> None:
        """Keep nothing."""

    def finish(self, state: RunState, exchanges: SequenceOf[Exchange]) -> None:
        """Keep nothing."""


def is_silent(chunks: Chunks) -> bool:
    """Whether a recording holds no voice at all; a run of today waits before it does anything else."""
    return bool(chunks) and not any(one.instrument in VOICES for chunk in chunks for one in chunk.exchanges)


def rechecked_in(
    session: RecordedSession, again: Iterable[tuple[datetime, int]], ends: datetime | None
) -> tuple[int, ...]:
    """Numbers of conditions that a session measured once more, from when that was, in run order.

    ``again`` are times and numbers, ``ends`` when the next session began; None for the last.
    """
    began = session.record.began
    return tuple(sorted({number for at, number in again if began <= at and (ends is None or at < ends)}))


def with_its_stop(chunks: Chunks, events: SequenceOf[Event], differs_at: Callable[[Chunks], int | None]) -> Chunks:
    """The recording with the stop by a person in it, if its events tell of one and a place is found where it fits.

    ``differs_at`` does a session again and returns where it first differs.
    """
    by = next((_by(event) for event in events if event.kind == "stopped" and event.text.startswith(_BY_USER)), None)
    if by is None:
        return chunks
    place = differs_at(chunks)
    if place is None:
        return chunks
    for candidate, look in _candidates(chunks, place):
        tried = _with(chunks, candidate, by, look)
        if differs_at(tried) is None:
            return tried
    return chunks


def _by(event: Event) -> str:
    return event.text.removeprefix(_BY_USER).removeprefix(_ASKED)


def _candidates(chunks: Chunks, place: int) -> Iterator[tuple[int, int]]:
    """Places and looks for a wish: where a commit ends, as between conditions, and then one by one backwards."""
    begins = 0
    at_commits = []
    for chunk in chunks:
        if place - BEFORE <= begins <= place:
            at_commits.append(begins)
        begins += len(chunk.exchanges)
    others = [one for one in range(place, max(place - BEFORE, -1), -1) if one not in at_commits]
    for one in (*reversed(at_commits), *others):
        yield from ((one, look) for look in range(1, LOOKS + 1))


def _with(chunks: Chunks, place: int, by: str, look: int) -> Chunks:
    """The recording with a stop that the run takes notice of at a look before an exchange."""
    wish = Wished(asked=True, times=1, by=by)
    made: list[ExchangeChunk] = []
    begins = 0
    for chunk in chunks:
        at = place - begins
        begins += len(chunk.exchanges)
        if 0 <= at < len(chunk.exchanges):
            at_s = chunk.exchanges[at].at_s
            told = json.dumps({"look": look, **wish._asdict()}).encode()
            stop = Exchange(1, "person", at_s, b"stop", told, 0.0, None)
            chunk = replace(chunk, exchanges=(*chunk.exchanges[:at], stop, *chunk.exchanges[at:]))
        made.append(chunk)
    return tuple(made)
