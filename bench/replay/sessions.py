"""Every session of a run done again in turn, from the files and the recording that the store keeps, into another store.

A session that was killed ends where its recording ends; the next one goes on from there, as it did.
"""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, replace
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


@dataclass(frozen=True)
class Replayed:
    """A session that has been done again.

    Attributes:
        session: As it was recorded.
        chunks: Its recording.
        mismatches: Where what was said differed; in strict order at most one, and nothing was compared after it.
        was_cut: Whether it was killed: it has no end, and what came after its last commit is not known.
        ended_by: The error that it ended with, in one line; empty for none.
        events: What it said.
        is_silent: Whether the recording is of before waits were kept.
    """

    session: RecordedSession
    chunks: tuple[ExchangeChunk, ...]
    mismatches: tuple[Mismatch, ...]
    was_cut: bool
    ended_by: str
    events: tuple[Event, ...]
    is_silent: bool

    @cached_property
    def exchanges(self) -> list[Exchange]:
        """The recording."""
        return [one for chunk in self.chunks for one in chunk.exchanges]

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
    cut = _cut_sessions(store, run, len(sessions))
    done: list[Replayed] = []
    for session in sessions:
        writer = begin if session.number == 1 else into.reopen_run(run)
        one = _replay(kept, session, writer, listener, tolerant=tolerant, was_cut=session.number - 1 in cut)
        done.append(one)
        if one.mismatches and not tolerant:
            break
    return tuple(done)


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
    return _Kept(run, setup, whole, store.run(run).kind == "through", conditions)


def _beside(setup: Setup, folder: str) -> Setup:
    """The setup with its bench file where it lay, if its own drivers lie there still; else in the current folder."""
    drivers, bench = setup.bench.model.bench.drivers, setup.bench
    if drivers is None or not folder or not (Path(folder) / drivers).is_dir():
        return setup
    return replace(setup, bench=replace(bench, path=Path(folder) / bench.path.name))


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


def _cut_sessions(store: Store, run: str, count: int) -> frozenset[int]:
    """Numbers, from 0, of the sessions without an end."""
    ended: set[int] = set()
    number = -1
    for event in store.events(run):
        if event.kind in ("run began", "run resumed"):
            number += 1
        elif event.kind == "run ended":
            ended.add(number)
    return frozenset(range(count)) - ended


def _replay(
    kept: _Kept, session: RecordedSession, writer: RunWriter, listener: Listener, *, tolerant: bool, was_cut: bool
) -> Replayed:
    try:
        chunks = tuple(session.chunks())
    except ValueError as error:
        raise BenchError(f"the recording of run {kept.run[:8]} is damaged: {error}") from error
    exchanges = [one for chunk in chunks for one in chunk.exchanges]
    cut = bytes_that_count(kept.whole.bench.model)
    score = TolerantScore(exchanges, cut) if tolerant else Score(exchanges, cut)
    said: list[Event] = []

    def hear(event: Event) -> None:
        said.append(event)
        listener(event)

    ended_by = ""
    with recorded_bench(kept.whole.bench, score, session.record.began) as bench:
        try:
            _run(kept, session, bench, writer, hear)
        except RecordingDiffers:
            pass  # the score knows where
        except (BenchError, InstrumentError) as end:
            ended_by = str(end)
        except (Exception, KeyboardInterrupt) as mistake:  # noqa: BLE001 - it ended the run then as well, or events differ
            ended_by = f"{type(mistake).__name__}: {mistake}"
        is_silent = isinstance(bench.log, RecordedLog) and bench.log.is_silent
    mismatches = _mismatches(score, was_cut=was_cut)
    return Replayed(session, chunks, mismatches, was_cut, ended_by, tuple(said), is_silent)


def _mismatches(score: Score, *, was_cut: bool) -> tuple[Mismatch, ...]:
    if isinstance(score, TolerantScore):
        return (*score.mismatches, *score.left())
    stopped = score.stopped_at
    if stopped is not None:
        return () if was_cut and stopped.recorded is None else (stopped,)
    if score.is_over:
        return ()
    next_one = score.exchanges[score.front]
    return (Mismatch("left", score.front, next_one.instrument, next_one.sent, next_one),)


def _run(kept: _Kept, session: RecordedSession, bench: OpenBench, writer: RunWriter, listener: Listener) -> None:
    """As ``bench.night`` runs a job, without locks, guard and questions."""
    assert isinstance(bench.log, RecordedLog)
    record, log, clock = session.record, bench.log, bench.clock
    book = StoreBook(writer, kept.whole, clock)
    book.session(replace(record, tool_version=tool_version()))
    again = tuple(record.options.get("rechecks", ()))
    job = Job(
        kept.run,
        kept.setup,
        acquisition_for(kept.whole),
        kept.conditions,
        session.done,
        _planned_s(kept, session, again),
        again,
    )
    used = _without_unit(bench) if kept.through else bench
    guard = RecordedGuard(log)
    log.heard_by(guard.exchanged)
    clock.sleeps_on(guard.clock(clock.true))
    rule = interlocks_of(job.setup, job.planned_s).get("disk space")
    free_mb = heard_disk(RecordedDisk(log).free_mb, rule, log)
    wishes = HeardWishes(RecordedWishes(log), log)

    def tell(event: Event) -> None:
        book.event(event)
        listener(event)

    apart: RunBook = book if record.kind == "start" else RecheckBook(book, frozenset(again), tell)
    Runner(job, used.places, clock, apart, guard.listener(listener), wishes, log.take, free_mb).run()


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
