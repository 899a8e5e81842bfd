"""A recording cut to a few conditions, as the text that a driver's author keeps beside a test."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING

from bench.errors import BenchError
from drivers.conversation import Exchange
from drivers.recording_file import recording_text

if TYPE_CHECKING:
    from bench.store.store import Store

_NUMBERS = re.compile(r"(\d{1,6})(?:-(\d{1,6}))?")


def numbers_of(text: str) -> frozenset[int]:
    """Numbers such as ``0-2,7``. Raises BenchError."""
    found: set[int] = set()
    for part in text.split(","):
        match = _NUMBERS.fullmatch(part.strip())
        first, last = (0, -1) if match is None else (int(match[1]), int(match[2] or match[1]))
        if last < first:
            raise BenchError(f"{text!r} names no conditions; write numbers from 0 as in 0-2,7")
        found |= set(range(first, last + 1))
    return frozenset(found)


def cut_recording(
    store: Store, run: str, conditions: Collection[int], places: Collection[str] = (), *, bring_up: bool = False
) -> str:
    """Text of what was said in some conditions of a run, at some places or all of them.

    ``bring_up`` adds the first commit of each session, which ends with the bench up. Waits and whatever else is no
    message stay out where places are named. Raises BenchError if nothing is left.
    """
    rows = list(_rows(store, run, conditions, places, bring_up=bring_up))
    line, texts = store.run(run), store.run_texts(run)
    if not rows:
        at = f" at {', '.join(sorted(places))}" if places else ""
        raise BenchError(f"run {run[:8]} has recorded nothing in these conditions{at}; it has 0 to {line.total - 1}")
    header = {
        "run": run,
        "began": line.began.isoformat(),
        "tool": line.tool_version,
        "part": line.part,
        "bench": line.bench,
        "sequence": line.sequence,
        "sequence_fingerprint": texts.sequence.fingerprint,
        "conditions": sorted({condition for condition, _ in rows if condition is not None}),
        "columns": ["condition", "instrument", "number", "at_s", "sent", "received", "lasted_s", "error"],
    }
    return recording_text(header, rows)


def _rows(
    store: Store, run: str, conditions: Collection[int], places: Collection[str], *, bring_up: bool
) -> Iterator[tuple[int | None, Exchange]]:
    for session in store.recording(run):
        for place, chunk in enumerate(session.chunks()):
            is_wanted = chunk.condition in conditions or (bring_up and place == 0 and chunk.condition is None)
            if is_wanted:
                yield from ((chunk.condition, one) for one in chunk.exchanges if _is_of(one, places))


def _is_of(exchange: Exchange, places: Collection[str]) -> bool:
    return exchange.instrument in places if places else True
