"""The store: where runs are kept.

    with open_store("nightbench.db") as store:
        frames = store.frames(store.find_run("latest"))

Rule: this is the only face of the package; every failure is a StoreFault or a NoSuchRun with one line to act on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from sqlalchemy import Engine

from bench.store import derivations, read_recording, read_runs, run_writer
from bench.store.connect import connect, store_name, store_url
from bench.store.records import (
    Derivation,
    ExchangeChunk,
    PlannedCondition,
    RecordedSession,
    RecordingSize,
    RunLine,
    RunRecord,
    RunTexts,
)
from bench.store.run_writer import RunWriter

if TYPE_CHECKING:
    from datetime import datetime

    from bench.events import Event
    from drivers.messages import Exchange
    from reports.frames import RunFrames


def open_store(url_or_path: str, *, must_exist: bool = False) -> Store:
    """Open a store, making or migrating it where needed.

    Args:
        url_or_path: A file path, or any SQLAlchemy URL.
        must_exist: Refuse to make a new store.

    Raises:
        StoreFault: missing folder or file, no permission, not a database, another program's database, locked, full,
            newer schema, database driver not installed.
    """
    url = store_url(url_or_path)
    return Store(connect(url, must_exist=must_exist), store_name(url))


class Store:
    """An open store; ``open_store`` makes it. A context manager that closes at its end.

    Reading may go on while another process writes. A run is named by its full id; ``find_run`` gives it.

    Attributes:
        name: What messages call this store.
    """

    def __init__(self, engine: Engine, name: str) -> None:
        self.name = name
        self._engine = engine

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close every connection; closing twice is harmless."""
        self._engine.dispose()

    def begin_run(self, record: RunRecord) -> RunWriter:
        """Store a new run in state "running" and hand out its pen. Raises StoreFault if its id is there already."""
        return run_writer.begin_run(self._engine, self.name, record)

    def reopen_run(self, run: str) -> RunWriter:
        """Put a run that did not finish back into state "running", to go on with what is not complete.

        Raises NoSuchRun, or RunDone.
        """
        return run_writer.reopen_run(self._engine, self.name, run)

    def note(self, run: str, event: Event) -> None:
        """Note an event that comes from outside the run's own loop. Use it from one thread."""
        run_writer.note_event(self._engine, self.name, run, event.at, event.kind, event.text, event.facts)

    def interrupted(self, run: str, at: datetime) -> None:
        """Note that the process of a run ended without a word, at ``at``; nothing if the run has ended by itself."""
        run_writer.interrupted(self._engine, self.name, run, at)

    @property
    def url(self) -> str:
        """What opens this store in another process, password included."""
        return self._engine.url.render_as_string(hide_password=False)

    @property
    def file(self) -> Path | None:
        """The file that holds the store; None for another database."""
        url = self._engine.url
        named = url.get_backend_name() == "sqlite" and url.database and not url.database.startswith("file:")
        return Path(str(url.database)) if named and url.database != ":memory:" else None

    def runs(self) -> tuple[RunLine, ...]:
        """All runs, the one that began last first."""
        return read_runs.run_lines(self._engine, self.name)

    def run(self, run: str) -> RunLine:
        """One run's line; raises NoSuchRun."""
        return read_runs.run_line(self._engine, self.name, run)

    def find_run(self, text: str) -> str:
        """Id of the run that ``text`` names: its id, a prefix that no other run shares, or "latest".

        Raises NoSuchRun if none fits, or several do; the message lists them.
        """
        return read_runs.find_run(self._engine, self.name, text)

    def run_texts(self, run: str) -> RunTexts:
        """The files that the run was begun with; raises NoSuchRun."""
        return read_runs.run_texts(self._engine, self.name, run)

    def planned_conditions(self, run: str) -> tuple[PlannedCondition, ...]:
        """The plan in run order, with what is complete."""
        return read_runs.planned_conditions(self._engine, self.name, run)

    def done_conditions(self, run: str) -> set[int]:
        """Numbers of the complete conditions."""
        return read_runs.done_conditions(self._engine, self.name, run)

    def events(self, run: str) -> tuple[Event, ...]:
        """Events in the order in which they were noted."""
        return read_runs.events(self._engine, self.name, run)

    def exchange_chunks(self, run: str) -> Iterator[ExchangeChunk]:
        """The recording in the order of its commits, each chunk with the number of its condition, if any."""
        return read_recording.exchange_chunks(self._engine, self.name, run)

    def exchanges(self, run: str) -> Iterator[Exchange]:
        """The recording, exchange by exchange."""
        for chunk in self.exchange_chunks(run):
            yield from chunk.exchanges

    def recording(self, run: str) -> tuple[RecordedSession, ...]:
        """The run's sessions, its start and each resume, with their recordings."""
        return read_recording.recording(self._engine, self.name, run)

    def recording_size(self, run: str) -> RecordingSize:
        """How long the run's recording is."""
        return read_recording.recording_size(self._engine, self.name, run)

    def rechecks(self, run: str) -> dict[tuple[datetime, int, int, str], float]:
        """What complete conditions read once more, by time, number of the condition, repeat and quantity."""
        return read_runs.rechecks(self._engine, self.name, run)

    def derivations(self, run: str) -> tuple[Derivation, ...]:
        """What was derived from a run with other inputs than its own, the first first."""
        return derivations.derivations(self._engine, self.name, run)

    def derivation(self, run: str, number: int) -> Derivation:
        """One of them; raises NoSuchRun if there is no such number."""
        return derivations.derivation(self._engine, self.name, run, number)

    def add_derivation(
        self,
        run: str,
        *,
        at: datetime,
        tool_version: str,
        operator: str,
        inputs: Mapping[str, object],
        decision: str,
        digest: str,
    ) -> Derivation:
        """Note a derivation, or find the one that is there already. Raises StoreFault if it cannot be written."""
        return derivations.add_derivation(
            self._engine, self.name, run, at=at, tool_version=tool_version, operator=operator, inputs=inputs,
            decision=decision, digest=digest,
        )  # fmt: skip

    def frames(self, run: str) -> RunFrames:
        """The run as ``reports`` takes it: complete conditions only, files as they were when it began.

        Raises NoSuchRun, or StoreFault if this version cannot read the files any more.
        """
        from bench.store.read_frames import read_frames  # loads pandas

        return read_frames(self._engine, self.name, run)
