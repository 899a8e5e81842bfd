"""Reading recordings: chunks in the order of their commits, and the sessions that they belong to.

Before 0007 no sessions were kept. They are found: each opens its lines anew, so an instrument whose exchanges are
numbered from the beginning again has begun another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime

from sqlalchemy import ColumnElement, Engine, func, select

from bench.store import tables
from bench.store.faults import store_faults
from bench.store.read_runs import events, run_line
from bench.store.recording_chunks import unpack
from bench.store.records import ExchangeChunk, RecordedSession, RecordingSize, SessionRecord

#: Chunks fetched at a time: a few hundred kilobytes, and no transaction stays open while the caller works on them.
_CHUNKS_AT_A_TIME = 100


def exchange_chunks(
    engine: Engine, where: str, run: str, of_these: ColumnElement[bool] | None = None
) -> Iterator[ExchangeChunk]:
    """The recording, or the part of it that ``of_these`` picks, chunk by chunk in the order of the commits."""
    for place, (_, chunk) in enumerate(_keyed_chunks(engine, where, run, of_these)):
        yield ExchangeChunk(place, chunk.condition, chunk.exchanges)


def _keyed_chunks(
    engine: Engine, where: str, run: str, of_these: ColumnElement[bool] | None
) -> Iterator[tuple[int, ExchangeChunk]]:
    exchange, condition = tables.exchange.c, tables.condition.c
    after = -1
    while True:
        query = (
            select(exchange.id, condition.number, exchange.payload)
            .outerjoin_from(tables.exchange, tables.condition, condition.id == exchange.condition_id)
            .where(exchange.run == run, exchange.id > after)
            .order_by(exchange.id)
            .limit(_CHUNKS_AT_A_TIME)
        )
        if of_these is not None:
            query = query.where(of_these)
        with store_faults(where), engine.connect() as connection:
            rows = connection.execute(query).all()
        for key, number, payload in rows:
            after = key
            yield key, ExchangeChunk(0, number, unpack(payload))
        if len(rows) < _CHUNKS_AT_A_TIME:
            return


def recording_size(engine: Engine, where: str, run: str) -> RecordingSize:
    """See ``Store.recording_size``."""
    exchange = tables.exchange.c
    sizes = func.sum(exchange["count"]), func.sum(func.length(exchange.payload))
    with store_faults(where), engine.connect() as connection:
        count, size = connection.execute(select(*sizes).where(exchange.run == run)).one()
    return RecordingSize(int(count or 0), int(size or 0))


def recording(engine: Engine, where: str, run: str) -> tuple[RecordedSession, ...]:
    """See ``Store.recording``; raises NoSuchRun."""
    line = run_line(engine, where, run)
    exchange, session, condition = tables.exchange.c, tables.session.c, tables.condition.c
    kept = select(session.number, session.began, session.tool_version, session.kind, session.recording, session.options)
    of_run = exchange.run == run
    measured = select(exchange.session, condition.number).join_from(
        tables.exchange, tables.condition, condition.id == exchange.condition_id
    )
    with store_faults(where), engine.connect() as connection:
        rows = connection.execute(kept.where(session.run == run).order_by(session.number)).all()
        is_older = connection.execute(select(exchange.id).where(of_run, exchange.session.is_(None)).limit(1)).first()
        conditions = connection.execute(measured.where(of_run)).all()
    parts: list[_Part] = []
    if is_older:
        told = [event.at for event in events(engine, where, run) if event.kind in ("run began", "run resumed")]
        parts = _found(engine, where, run, [line.began, *told[1:]], line.tool_version)
    for number, *row in rows:
        measured_now = frozenset(condition for session, condition in conditions if session == number)
        parts.append(_Part(SessionRecord(*row), exchange.session == number, measured_now))
    sessions: list[RecordedSession] = []
    done: frozenset[int] = frozenset()
    for place, part in enumerate(parts, 1):
        sessions.append(RecordedSession(place, part.record, done, _reader(engine, where, run, part.of_these)))
        done |= part.measured
    return tuple(sessions)


@dataclass(frozen=True, slots=True)
class _Part:
    """What one session is made of; ``measured`` are the conditions that it completed."""

    record: SessionRecord
    of_these: ColumnElement[bool]
    measured: frozenset[int]


def _reader(
    engine: Engine, where: str, run: str, of_these: ColumnElement[bool]
) -> Callable[[], Iterator[ExchangeChunk]]:
    return lambda: exchange_chunks(engine, where, run, of_these)


@dataclass(slots=True)
class _Stretch:
    """Chunks from a key on that go on counting."""

    first: int
    last: int
    measured: set[int] = field(default_factory=set)


def _found(engine: Engine, where: str, run: str, begun: list[datetime], tool_version: str) -> list[_Part]:
    """Sessions from before they were kept: where an instrument counts from the beginning again."""
    exchange = tables.exchange.c
    stretches: list[_Stretch] = []
    counts: dict[str, int] = {}
    for key, chunk in _keyed_chunks(engine, where, run, exchange.session.is_(None)):
        firsts = {one.instrument: one.number for one in reversed(chunk.exchanges)}
        if not stretches or any(number <= counts.get(place, 0) for place, number in firsts.items()):
            stretches.append(_Stretch(key, key))
            counts = {}
        counts |= {one.instrument: one.number for one in chunk.exchanges}
        stretches[-1].last = key
        if chunk.condition is not None:
            stretches[-1].measured.add(chunk.condition)
    return [
        _Part(
            # A run that was resumed and stopped before any exchange has told of more sessions than it has recorded.
            SessionRecord(begun[min(place, len(begun) - 1)], tool_version, "resume" if place else "start"),
            exchange.session.is_(None) & (exchange.id >= one.first) & (exchange.id <= one.last),
            frozenset(one.measured),
        )
        for place, one in enumerate(stretches)
    ]
