"""What a guard wrote beside the store, as the store took nothing, until a session takes it into the record.

One JSON object in a line. The last line may be half of one: the disk may have been full.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

from bench.errors import StoreFault
from bench.events import Event
from bench.store.connect import store_url


def word_file(store: str, run: str) -> Path:
    """Where the guard of a run writes when its store, an SQLAlchemy URL, takes nothing: beside the store's file.

    Without a store (and a run, as for a loopback) in the current folder.
    """
    if not store:
        return Path("nightbench.guard-loopback.jsonl")
    try:
        url = store_url(store)
    except StoreFault:
        return Path(f"nightbench.guard-{run[:8]}.jsonl")
    is_file = url.get_backend_name() == "sqlite" and url.database
    return Path(f"{url.database if is_file else 'nightbench'}.guard-{run[:8]}.jsonl")


def append_words(path: Path, events: Sequence[Event]) -> None:
    """Add events to the file. Raises OSError."""
    with path.open("a", encoding="utf-8") as file:
        for event in events:
            told = {"at": event.at.isoformat(), "kind": event.kind, "text": event.text, "facts": dict(event.facts)}
            file.write(json.dumps(told, ensure_ascii=False) + "\n")


def words_in(path: Path, now: datetime) -> tuple[Event, ...]:
    """Events of the file, none if there is no file; what cannot be read becomes an event of ``now`` that says so."""
    try:
        lines = path.read_text("utf-8", "replace").splitlines()
    except FileNotFoundError:
        return ()
    except OSError as error:
        return (Event(now, "guard", f"what it wrote into {path} cannot be read: {error.strerror or error}"),)
    return tuple(_events(lines, now))


def _events(lines: list[str], now: datetime) -> Iterator[Event]:
    for line in filter(None, map(str.strip, lines)):
        try:
            told = json.loads(line)
            yield Event(datetime.fromisoformat(told["at"]), told["kind"], str(told["text"]), told["facts"])
        except (ValueError, TypeError, KeyError):
            yield Event(now, "guard", f"a line that was cut off: {line}")
