"""Every session of a run done again in turn, from the files and the recording that the store keeps, into another store.

A session that was killed ends where its recording ends; the next one goes on from there, as it did.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from bench.assemble import OpenBench
from bench.book import StoreBook
from bench.errors import BenchError
from bench.events import PROGRESS_ONLY, Event, Listener
from bench.hearing import HeardWishes, heard_disk
from bench.interlock_rules import interlocks_of
from bench.job import Job, RunBook
from bench.plan import acquisition_for, for_a_through, plan_for
from bench.rechecks import RecheckBook
from bench.replay.older import Nowhere, is_silent, rechecked_in, with_its_stop
from bench.replay.recorded_bench import bytes_that_count, recorded_bench
from bench.replay.recorded_log import RecordedDisk, RecordedGuard, RecordedLog, RecordedWishes
from bench.runner import Runner
from bench.safe_state import make_safe
from bench.setups import setup_of
from bench.store.records import ExchangeChunk, RecordedSession, RunRecord
from bench.version import tool_version
from drivers.conversation import Exchange
from drivers.errors import InstrumentError
from drivers.score import Mismatch, RecordingDiffers, Score, TolerantScore
from sequences.conditions import Condition
from sequences.read_files import Setup
from sequences.through import WITHOUT_UNIT

if TYPE_CHECKING:
    from bench.store.run_writer import RunWriter
    from bench.store.store import Store
    from sequences.bench_file import Bench


@dataclass(frozen=True)
class Replayed:
    """A session that has been done again.

    Attributes:
        session: As it was recorded.
        chunks: Its recording.
        mismatches: Where what was said differed; in strict order at most one, and nothing was compared after it.
        was_cut: Whether it was killed: it has no end, and what came after its last commit is not known.
        ended_by: The error that it ended with, in one line; empty for none.
        told: What it said, as the store has it.
        events: What it says now.
        is_silent: Whether the recording is of before waits were kept.
        beyond: What an end of which nothing more was recorded was followed by: of a session that was killed, or of one
            of an older version, which may have ended sooner.
    """

    session: RecordedSession
    chunks: tuple[ExchangeChunk, ...]
    mismatches: tuple[Mismatch, ...]
    was_cut: bool
    ended_by: str
    told: tuple[Event, ...]
    events: tuple[Event, ...]
    is_silent: bool
    beyond: Mismatch | None

    @property
    def is_open(self) -> bool:
        """Whether its end cannot be compared."""
        return self.was_cut or self.beyond is not None

    @cached_property
    def exchanges(self) -> list[Exchange]:
        """The recording."""
        return [one for chunk in self.chunks for one in chunk.exchanges]

    @property
    def compared(self) -> int:
        """How many exchanges were compared: up to what ended the session, or all."""
        ended = [one.place for one in self.mismatches if one.kind == "another"]
        return ended[0] if ended else len(self.exchanges)

    @property
    def kept_events(self) -> list[Event]:
        """What it said and a store keeps."""
        return [event for event in self.events if event.kind not in PROGRESS_ONLY]


@dataclass(frozen=True)
class _Kept:
    """What all sessions of a run share."""

    run: str
    setup: Setup
    whole: Setup
    through: bool
    conditions: tuple[Condition, ...]


def replay_sessions(
    store: Store, run: str, into: Store, listener: Listener, *, tolerant: bool = False
) -> tuple[Replayed, ...]:
    """Do a run of ``store`` again in ``into``; in strict order it ends with the first session that differs.

    Raises BenchError where the recording does not suffice.
    """
    sessions = store.recording(run)
    refuse_partial(sessions, run)
    kept = _kept(store, run)
    begin = into.begin_run(_record(store, run))
    begin.conditions(kept.conditions)
    begin.hazards(store.frames(run).hazards)
    told = _told(sessions, store.events(run))
    again = [(at, number) for at, number, _, _ in store.rechecks(run)]
    done: list[Replayed] = []
    for place, session in enumerate(sessions):
        writer = begin if place == 0 else into.reopen_run(run)
        ends = sessions[place + 1].record.began if place + 1 < len(sessions) else None
        one = _replay(kept, _complete(session, again, ends), told[place], writer, listener, tolerant=tolerant)
        done.append(one)
        if one.mismatches and not tolerant:
            break
    return tuple(done)


def _complete(
    session: RecordedSession, again: SequenceOf[tuple[datetime, int]], ends: datetime | None
) -> RecordedSession:
    """The session with what it was asked for, also if it is of before that was kept."""
    options = session.record.options
    if "rechecks" in options or session.record.kind == "start":
        return session
    options = {**options, "rechecks": list(rechecked_in(session, again, ends))}
    return replace(session, record=replace(session.record, options=options))


def refuse_partial(sessions: SequenceOf[RecordedSession], run: str) -> None:
    """Raise BenchError for a run whose recording is not whole."""
    if not sessions:
        raise BenchError(f"run {run[:8]} has no recording; there is nothing to replay")
    for session in sessions:
        level = session.record.recording
        if level != "whole":
            raise BenchError(
                f"run {run[:8]} was recorded at the level {level!r}, which cannot be replayed: a replay needs every "
                'exchange. Leave recording = "whole", the default, in the [sequence] table of runs to be replayed'
            )


def _kept(store: Store, run: str) -> _Kept:
    folder = store.run_texts(run).bench.folder
    setup, whole = (_beside(setup_of(store, run, with_unit=unit), folder) for unit in (False, True))
    conditions = tuple(item.condition for item in store.planned_conditions(run))
    if not conditions:
        raise BenchError(f"run {run[:8]} was cut off before its plan was stored; there is nothing to replay")
    return _Kept(run, setup, whole, store.run(run).kind == "through", conditions)


def _beside(setup: Setup, folder: str) -> Setup:
    """The setup with its bench file where it lay, if its own drivers lie there still; else in the current folder."""
    bench = setup.bench
    return replace(setup, bench=replace(bench, path=drivers_beside(bench.model, folder) / bench.path.name))


def drivers_beside(bench: Bench, folder: str) -> Path:
    """Folder from which own drivers are looked for: where the bench file lay if they are there still."""
    drivers = bench.bench.drivers
    return Path(folder) if drivers is not None and folder and (Path(folder) / drivers).is_dir() else Path()


def _record(store: Store, run: str) -> RunRecord:
    line = store.run(run)
    return RunRecord(
        line.unit,
        line.part,
        line.bench,
        line.sequence,
        line.operator,
        line.began,
        tool_version(),
        store.run_texts(run),
        line.kind,
        line.id,
    )


def _told(sessions: SequenceOf[RecordedSession], events: SequenceOf[Event]) -> list[list[Event]]:
    """Events of each session's loop, from its first word on; none of one that was killed before it said any."""
    parts: list[list[Event]] = []
    for event in events:
        if event.kind in ("run began", "run resumed"):
            parts.append([])
        if parts:
            parts[-1].append(event)
    if len(parts) >= len(sessions):
        return parts
    # A session that said nothing has recorded nothing.
    left = iter(parts)
    return [next(left, []) if next(session.chunks(), None) is not None else [] for session in sessions]


def _replay(
    kept: _Kept,
    session: RecordedSession,
    events: SequenceOf[Event],
    writer: RunWriter,
    listener: Listener,
    *,
    tolerant: bool,
) -> Replayed:
    try:
        chunks = tuple(session.chunks())
    except ValueError as error:
        raise BenchError(f"the recording of run {kept.run[:8]} is damaged: {error}") from error
    silent = is_silent(chunks)
    if silent:
        chunks = with_its_stop(chunks, events, lambda tried: _differs_at(kept, session, tried))
    score = _score(kept, chunks, tolerant=tolerant)
    said: list[Event] = []

    def hear(event: Event) -> None:
        said.append(event)
        listener(event)

    def book(bench: OpenBench) -> RunBook:
        return _book(kept, session, bench, writer, hear)

    ended_by = _spend(kept, session, score, book, hear, silent=silent)
    was_cut = all(event.kind != "run ended" for event in events)
    beyond = score.stopped_at if score.is_over and (was_cut or silent) else None
    mismatches = () if beyond is not None or (was_cut and score.is_over) else _mismatches(score)
    return Replayed(session, chunks, mismatches, was_cut, ended_by, tuple(events), tuple(said), silent, beyond)


def _score(kept: _Kept, chunks: SequenceOf[ExchangeChunk], *, tolerant: bool) -> Score:
    exchanges = [one for chunk in chunks for one in chunk.exchanges]
    cut = bytes_that_count(kept.whole.bench.model)
    return TolerantScore(exchanges, cut) if tolerant else Score(exchanges, cut)


def _differs_at(kept: _Kept, session: RecordedSession, chunks: SequenceOf[ExchangeChunk]) -> int | None:
    """Where a session first differs if its recording were this; nothing is kept of it."""
    score, book = _score(kept, chunks, tolerant=False), Nowhere()
    _spend(kept, session, score, lambda bench: book, lambda event: None, silent=True)
    complete = {chunk.condition for chunk in chunks if chunk.condition is not None}
    return None if score.is_over and complete <= book.complete else score.front


def _spend(
    kept: _Kept,
    session: RecordedSession,
    score: Score,
    book: Callable[[OpenBench], RunBook],
    listener: Listener,
    *,
    silent: bool,
) -> str:
    """Do the session; returns the error that it ended with."""
    with recorded_bench(kept.whole.bench, score, session.record.began, is_silent=silent) as bench:
        try:
            _run(kept, session, bench, book(bench), listener)
        except RecordingDiffers:
            return ""  # the score knows where
        except (BenchError, InstrumentError) as end:
            return str(end)
        except (Exception, KeyboardInterrupt) as mistake:  # noqa: BLE001 - it ended the run as well, or events differ
            return f"{type(mistake).__name__}: {mistake}"
    return ""


def _mismatches(score: Score) -> tuple[Mismatch, ...]:
    if isinstance(score, TolerantScore):
        return (*score.mismatches, *score.left())
    if score.stopped_at is not None:
        return (score.stopped_at,)
    if score.is_over:
        return ()
    next_one = score.exchanges[score.front]
    return (Mismatch("left", score.front, next_one.instrument, next_one.sent, next_one),)


def _book(kept: _Kept, session: RecordedSession, bench: OpenBench, writer: RunWriter, listener: Listener) -> RunBook:
    record = session.record
    book = StoreBook(writer, kept.whole, bench.clock)
    book.session(replace(record, tool_version=tool_version()))

    def tell(event: Event) -> None:
        book.event(event)
        listener(event)

    return book if record.kind == "start" else RecheckBook(book, frozenset(record.options["rechecks"]), tell)


def _run(kept: _Kept, session: RecordedSession, bench: OpenBench, book: RunBook, listener: Listener) -> None:
    """As ``bench.night`` runs a job, without locks, guard and questions."""
    assert isinstance(bench.log, RecordedLog)
    log, clock = bench.log, bench.clock
    again = tuple(session.record.options.get("rechecks", ()))
    planned_s = _planned_s(kept, session, again)
    job = Job(kept.run, kept.setup, acquisition_for(kept.whole), kept.conditions, session.done, planned_s, again)
    used = _without_unit(bench) if kept.through else bench
    guard = RecordedGuard(log)
    log.heard_by(guard.exchanged)
    clock.sleeps_on(guard.clock(clock.true))
    rule = interlocks_of(job.setup, job.planned_s).get("disk space")
    free_mb = heard_disk(RecordedDisk(log).free_mb, rule, log)
    wishes = HeardWishes(RecordedWishes(log), log)
    Runner(job, used.places, clock, book, guard.listener(listener), wishes, log.take, free_mb).run()


def _without_unit(bench: OpenBench) -> OpenBench:
    make_safe(bench.places, sleep=bench.clock.sleep)
    return replace(bench, places=replace(bench.places, **dict.fromkeys(WITHOUT_UNIT)))


def _planned_s(kept: _Kept, session: RecordedSession, again: SequenceOf[int]) -> float:
    """How long the session should take; planned anew for one from before that was kept."""
    told = session.record.options.get("planned_s")
    if told is not None:
        return float(told)
    left = [item for number, item in enumerate(kept.conditions) if number not in session.done]
    plan = plan_for(kept.setup, (*(kept.conditions[number] for number in again), *left))
    return (for_a_through(plan) if kept.through else plan).estimate.total_s
