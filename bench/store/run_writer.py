"""Writing one run while it happens.

Rule: readings, the mark that their condition is complete, and the exchanges that brought them are committed in one
transaction, so a process that dies at any instant loses at most the condition in progress. Nothing that was read is
ever changed or removed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, Table, bindparam, func, insert, select, update
from sqlalchemy.exc import IntegrityError

from bench.errors import NoSuchRun, RunDone, StoreFault
from bench.store import tables
from bench.store.connect import locking
from bench.store.curves import Curve, pack_curve
from bench.store.faults import store_faults
from bench.store.recording_chunks import pack
from bench.store.records import FileText, InstrumentRecord, RunRecord, RunState, SessionRecord

if TYPE_CHECKING:
    from drivers.messages import Exchange
    from reports.frames import HazardNote
    from sequences.conditions import Condition

Readings = Mapping[str, float] | Sequence[tuple[int, Mapping[str, float]]]

# Statements of the busiest transaction, built once: making them anew for each condition would take as long as running
# them.
_MARK_COMPLETE = (
    update(tables.condition)
    .where(tables.condition.c.id == bindparam("of"), tables.condition.c.completed.is_(None))
    .values(completed=bindparam("at"), flag=bindparam("with_flag"), skipped="")
)
_ADD_READINGS = insert(tables.reading)
_ADD_CURVES = insert(tables.curve)
_ADD_CHUNK = insert(tables.exchange)


def begin_run(engine: Engine, where: str, record: RunRecord) -> RunWriter:
    """Store a new run in state "running"; see ``Store.begin_run``."""
    texts = record.texts
    row = {
        "id": record.id,
        "unit": record.unit,
        "part": record.part,
        "bench": record.bench,
        "sequence": record.sequence,
        "operator": record.operator,
        "state": "running",
        "began": record.began,
        "tool_version": record.tool_version,
        **_file_columns("part", texts.part),
        **_file_columns("bench", texts.bench),
        **_file_columns("sequence", texts.sequence),
        "attachments": dict(texts.attachments),
        "kind": record.kind,
    }
    with store_faults(where), engine.begin() as connection:
        connection.execute(insert(tables.run), row)
    return RunWriter(engine, where, record.id)


def reopen_run(engine: Engine, where: str, run: str) -> RunWriter:
    """Put a run that did not finish back into state "running"; see ``Store.reopen_run``."""
    of_run = tables.run.c.id == run
    with store_faults(where), engine.begin() as connection:
        reopened = connection.execute(
            update(tables.run).where(of_run, tables.run.c.state != "done").values(state="running", ended=None)
        )
        if reopened.rowcount == 0:
            known = connection.execute(select(tables.run.c.id).where(of_run)).first()
            raise RunDone(run) if known else NoSuchRun(f"no run {run}")
    return RunWriter(engine, where, run)


def note_event(
    engine: Engine, where: str, run: str, at: datetime, kind: str, text: str, facts: Mapping[str, Any]
) -> None:
    """Note one event of a run; see ``RunWriter.event``."""
    row = {"run": run, "at": at, "kind": kind, "text": text, "facts": dict(facts)}
    with store_faults(where), engine.begin() as connection:
        connection.execute(insert(tables.event), row)


def interrupted(engine: Engine, where: str, run: str, at: datetime) -> None:
    """Put a run that is still called running into state "interrupted"; see ``Store.interrupted``."""
    goes_on = (tables.run.c.id == run) & (tables.run.c.state == "running")
    with store_faults(where), engine.begin() as connection:
        connection.execute(update(tables.run).where(goes_on).values(state="interrupted", ended=at))


def _file_columns(kind: str, file: FileText) -> dict[str, str]:
    return {
        f"{kind}_file": file.name,
        f"{kind}_text": file.text,
        f"{kind}_fingerprint": file.fingerprint,
        f"{kind}_folder": file.folder,
    }


class RunWriter:
    """The pen of one run; made by ``Store.begin_run`` and ``Store.reopen_run``.

    Use it from one thread. Every method commits before it returns, and raises StoreFault with nothing changed if the
    database refuses.

    Attributes:
        run: The run's UUID.
    """

    def __init__(self, engine: Engine, where: str, run: str) -> None:
        self.run = run
        self._engine = engine
        self._where = where
        self._finished = False
        self._session: int | None = None
        with store_faults(where), engine.connect() as connection:
            self._condition_ids = _condition_ids(connection, run)
            self._quantity_ids = _quantity_ids(connection)

    def session(self, record: SessionRecord) -> None:
        """Note that a session begins; what is recorded from now on is its own."""
        session = tables.session.c
        newest = select(func.max(session.number)).where(session.run == self.run)
        with store_faults(self._where), locking(self._engine).begin() as connection:
            number = (connection.execute(newest).scalar() or 0) + 1
            row = {**asdict(record), "options": dict(record.options), "run": self.run, "number": number}
            connection.execute(insert(tables.session), row)
        self._session = number

    def instruments(self, rows: Iterable[InstrumentRecord]) -> None:
        """Note who stands at each place. On a resumed run only what is new is added, so an exchange of one shows."""
        self._add_new(tables.instrument, [asdict(row) for row in rows])

    def hazards(self, notes: Iterable[HazardNote]) -> None:
        """Note the hazards as they were named before power-up. On a resumed run only new ones are added."""
        rows = [asdict(note) for note in notes]
        # Who acknowledged is a table of its own.
        self._add_new(tables.hazard, [{key: row[key] for key in row if key != "acknowledged"} for row in rows])

    def acknowledgements(self, hazards: Iterable[str], operator: str, at: datetime) -> None:
        """Note that ``operator`` has acknowledged hazards, by name. None at all is harmless."""
        rows = [{"run": self.run, "hazard": name, "operator": operator, "at": at} for name in hazards]
        if rows:
            with store_faults(self._where), self._engine.begin() as connection:
                connection.execute(insert(tables.acknowledgement), rows)

    def conditions(self, ordered: Sequence[Condition]) -> None:
        """Store the plan, all of it incomplete, number 0 first in run order. Raises StoreFault the second time."""
        if self._condition_ids:
            raise StoreFault(f"{self._where}: run {self.run} has its plan already")
        if not ordered:
            raise StoreFault(f"{self._where}: run {self.run} would have no condition")
        rows = [
            {"run": self.run, "number": number, "flag": "", **{axis: getattr(one, axis) for axis in tables.AXES}}
            for number, one in enumerate(ordered)
        ]
        with store_faults(self._where), self._engine.begin() as connection:
            connection.execute(insert(tables.condition), rows)
            self._condition_ids = _condition_ids(connection, self.run)

    def event(self, at: datetime, kind: str, text: str, facts: Mapping[str, Any] | None = None) -> None:
        """Note one event; allowed after ``finish`` too, as the way to the safe state may end later."""
        note_event(self._engine, self._where, self.run, at, kind, text, facts or {})

    def exchanges(self, exchanges: Sequence[Exchange]) -> None:
        """Note exchanges that belong to no condition: bring-up, soak, shut-down. None at all is harmless."""
        self._refuse_when_finished()
        if not exchanges:
            return
        with store_faults(self._where), self._engine.begin() as connection:
            self._add_chunk(connection, None, exchanges)

    def complete_condition(
        self,
        number: int,
        at: datetime,
        readings: Readings,
        exchanges: Sequence[Exchange] = (),
        flag: str = "",
        curves: Sequence[Curve] = (),
    ) -> None:
        """Commit what was read at one condition, that it is complete, and the exchanges, in one transaction.

        Args:
            number: The condition's place in run order, from 0.
            at: When it was completed, UTC.
            readings: Value by quantity (a name of ``reports.frames.READINGS``) for a single repeat, or pairs of the
                repeat's number from 0 and such a mapping. Every value must be finite; −0.0 comes back as 0.0.
            exchanges: In the order in which they happened.
            flag: What a reader must know, e.g. that the soak timed out.
            curves: What was read against frequency; every value finite.

        Raises:
            StoreFault: no such condition in the plan, complete already, unknown quantity, a value that is not finite,
                run finished, or the database refuses. Nothing has changed then.
        """
        self._refuse_when_finished()
        condition_id = self._condition_ids.get(number)
        if condition_id is None:
            raise StoreFault(f"{self._where}: run {self.run} has no condition {number} in its plan")
        rows = self._reading_rows(condition_id, number, readings)
        curve_rows = self._curve_rows(condition_id, number, curves)
        with store_faults(self._where), self._engine.begin() as connection:
            marked = connection.execute(_MARK_COMPLETE, {"of": condition_id, "at": at, "with_flag": flag})
            if marked.rowcount != 1:
                raise StoreFault(f"{self._where}: condition {number} of run {self.run} is complete already")
            if rows:
                connection.execute(_ADD_READINGS, rows)
            if curve_rows:
                connection.execute(_ADD_CURVES, curve_rows)
            if exchanges:
                self._add_chunk(connection, condition_id, exchanges)

    def skip_condition(self, number: int, reason: str) -> None:
        """Mark a condition as left out, with the reason. Raises StoreFault if it is not there, or complete."""
        self._refuse_when_finished()
        condition = tables.condition.c
        of_it = (condition.run == self.run) & (condition.number == number) & condition.completed.is_(None)
        with store_faults(self._where), self._engine.begin() as connection:
            marked = connection.execute(update(tables.condition).where(of_it).values(skipped=reason))
            if marked.rowcount != 1:
                raise StoreFault(f"{self._where}: run {self.run} has no condition {number} to be done")

    def recheck(
        self, number: int, at: datetime, readings: Readings, exchanges: Sequence[Exchange] = ()
    ) -> dict[str, list[float]]:
        """Commit what a complete condition reads once more, apart from the run's readings.

        Returns what it read when it was completed: by quantity, one value for each repeat in order. Raises StoreFault
        as ``complete_condition`` does, and for a condition that is not complete.
        """
        self._refuse_when_finished()
        condition_id = self._condition_ids.get(number)
        if condition_id is None:
            raise StoreFault(f"{self._where}: run {self.run} has no condition {number} in its plan")
        rows = [{**row, "at": at} for row in self._reading_rows(condition_id, number, readings)]
        names = {key: name for name, key in self._quantity_ids.items()}
        reading, condition = tables.reading.c, tables.condition.c
        kept = select(reading.quantity_id, reading.value).where(reading.condition_id == condition_id)
        completed = select(condition.completed).where(condition.id == condition_id)
        with store_faults(self._where), self._engine.begin() as connection:
            if connection.execute(completed).scalar_one() is None:
                raise StoreFault(f"{self._where}: condition {number} of run {self.run} is not complete yet")
            before: dict[str, list[float]] = {}
            for quantity, value in connection.execute(kept.order_by(reading.repeat)):
                before.setdefault(names[quantity], []).append(value)
            connection.execute(insert(tables.recheck), rows)
            if exchanges:
                # Not the condition's: its own recording is what its readings came from.
                self._add_chunk(connection, None, exchanges)
        return before

    def finish(self, state: RunState, at: datetime) -> None:
        """Close the run in its last state; only events may follow."""
        with store_faults(self._where), self._engine.begin() as connection:
            connection.execute(update(tables.run).where(tables.run.c.id == self.run).values(state=state, ended=at))
        self._finished = True

    def _refuse_when_finished(self) -> None:
        if self._finished:
            raise StoreFault(f"{self._where}: run {self.run} is finished; only events can still be noted")

    def _reading_rows(self, condition_id: int, number: int, readings: Readings) -> list[dict[str, float]]:
        repeats = [(0, readings)] if isinstance(readings, Mapping) else readings
        ids = self._quantity_ids
        rows: list[dict[str, float]] = []
        for repeat, values in repeats:
            if not values.keys() <= ids.keys():
                self._learn(values.keys() - ids.keys())
            for name, value in values.items():
                if not math.isfinite(value):
                    raise StoreFault(f"{self._where}: {name} at condition {number} is {value}, not a finite number")
                row = {
                    "condition_id": condition_id,
                    "repeat": repeat,
                    "quantity_id": ids[name],
                    # SQLite keeps whole numbers as integers, which have no −0; adding 0 makes every database agree.
                    "value": value + 0.0,
                }
                rows.append(row)
        return rows

    def _curve_rows(self, condition_id: int, number: int, curves: Sequence[Curve]) -> list[dict[str, Any]]:
        rows: list[dict[str, Any]] = []
        for curve in curves:
            try:
                x, y = pack_curve(curve)
            except ValueError as error:
                raise StoreFault(f"{self._where}: condition {number}: {error}") from error
            rows.append({"condition_id": condition_id, "repeat": curve.repeat, "name": curve.name, "x": x, "y": y})
        return rows

    def _learn(self, names: Iterable[str]) -> None:
        """Give numbers to quantities that this store has not held before, in a transaction of their own."""
        from reports.frames import READINGS  # loads pandas, which a store that is only listed does not need

        wanted = sorted(names)
        unknown = [name for name in wanted if name not in READINGS]
        if unknown:
            raise StoreFault(f"{self._where}: {unknown[0]!r} is not a reading that a run can hold")
        with store_faults(self._where):
            for name in wanted:
                try:
                    with self._engine.begin() as connection:
                        connection.execute(insert(tables.quantity), {"name": name})
                except IntegrityError:
                    continue  # another run added it at the same moment: its number is read below
            with self._engine.connect() as connection:
                self._quantity_ids.update(_quantity_ids(connection))

    def _add_chunk(self, connection: Connection, condition_id: int | None, exchanges: Sequence[Exchange]) -> None:
        row = {
            "run": self.run,
            "condition_id": condition_id,
            "count": len(exchanges),
            "first_s": exchanges[0].at_s,
            "last_s": exchanges[-1].at_s,
            "payload": pack(exchanges),
            "session": self._session,
        }
        connection.execute(_ADD_CHUNK, row)

    def _add_new(self, table: Table, rows: list[dict[str, Any]]) -> None:
        """Append the rows that the run does not have yet, numbered in order."""
        described = [column for column in table.c if column.name not in ("run", "number")]
        of_run = table.c.run == self.run
        with store_faults(self._where), locking(self._engine).begin() as connection:
            known = [row._asdict() for row in connection.execute(select(*described).where(of_run))]
            new = [row for row in rows if row not in known]
            if new:
                numbered = [{"run": self.run, "number": number, **row} for number, row in enumerate(new, len(known))]
                connection.execute(insert(table), numbered)


def _condition_ids(connection: Connection, run: str) -> dict[int, int]:
    condition = tables.condition.c
    return dict(connection.execute(select(condition.number, condition.id).where(condition.run == run)).all())


def _quantity_ids(connection: Connection) -> dict[str, int]:
    return dict(connection.execute(select(tables.quantity.c.name, tables.quantity.c.id)).all())
