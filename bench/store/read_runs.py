"""Reading what the store holds about runs, short of their readings.

Rule: nothing here loads pandas or numpy with the module, so that listing runs starts at once.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import Engine, Row, Select, func, select

from bench.errors import NoSuchRun
from bench.events import Event
from bench.store import tables
from bench.store.faults import store_faults
from bench.store.records import (
    FileText,
    PlannedCondition,
    RunLine,
    RunTexts,
)

#: The word that names the run that began last.
LATEST = "latest"

#: How many runs a message lists when a prefix fits several.
_CANDIDATES = 5


def run_lines(engine: Engine, where: str) -> tuple[RunLine, ...]:
    """All runs, the one that began last first."""
    with store_faults(where), engine.connect() as connection:
        return tuple(RunLine(*row) for row in connection.execute(_lines()))


def run_line(engine: Engine, where: str, run: str) -> RunLine:
    """One run by its full id; raises NoSuchRun."""
    with store_faults(where), engine.connect() as connection:
        row = connection.execute(_lines().where(tables.run.c.id == run)).first()
    if row is None:
        raise NoSuchRun(f"{where}: no run {run}")
    return RunLine(*row)


def _lines() -> Select[Any]:
    condition, run = tables.condition.c, tables.run.c
    counts = (
        select(
            condition.run,
            func.count(condition.completed).label("done"),
            func.count().label("total"),
            func.max(condition.id).label("newest"),
        )
        .group_by(condition.run)
        .subquery()
    )
    return (
        select(
            run.id,
            run.unit,
            run.part,
            run.bench,
            run.sequence,
            run.operator,
            run.state,
            run.began,
            run.ended,
            run.tool_version,
            func.coalesce(counts.c.done, 0),
            func.coalesce(counts.c.total, 0),
            run.kind,
        )
        .outerjoin_from(tables.run, counts, counts.c.run == run.id)
        # The plan is stored as a run begins: its keys tell the order even where simulated clocks say the same time.
        .order_by(func.coalesce(counts.c.newest, 0).desc(), run.began.desc(), run.id)
    )


def find_run(engine: Engine, where: str, text: str) -> str:
    """Id of the run that ``text`` names: its id, a prefix that no other run shares, or "latest".

    Raises NoSuchRun if none fits, or several do; the message lists them.
    """
    wanted = text.strip().lower()
    query = _lines()
    query = query.limit(1) if wanted == LATEST else query.where(tables.run.c.id.startswith(wanted, autoescape=True))
    with store_faults(where), engine.connect() as connection:
        found = connection.execute(query).all()
    if not found:
        missing = (
            "no run yet"
            if wanted == LATEST
            else f"no run whose id begins with {text!r}{_nearest(engine, where, wanted)}"
        )
        raise NoSuchRun(f"{where}: {missing}")
    if len(found) > 1:
        shown = [_shown(one) for one in found]
        more = f" and {len(found) - _CANDIDATES} more" if len(found) > _CANDIDATES else ""
        candidates = "; ".join(shown[:_CANDIDATES])
        raise NoSuchRun(f"{where}: {text!r} fits {len(found)} runs: {candidates}{more}. Give more of the id")
    return str(found[0].id)


def _shown(line: Row[Any]) -> str:
    return f"{line.id} (unit {line.unit}, {line.sequence}, {line.began:%Y-%m-%d %H:%M} UTC)"


def _nearest(engine: Engine, where: str, wanted: str) -> str:
    """The end of a message: runs that may have been meant, by the unit's name or a slip in the id, else the newest."""
    from difflib import get_close_matches

    with store_faults(where), engine.connect() as connection:
        lines = connection.execute(_lines()).all()
    of_unit = [line for line in lines if line.unit.lower() == wanted]
    beginnings = {line.id[: len(wanted)]: line for line in reversed(lines)}
    near = of_unit or [beginnings[one] for one in get_close_matches(wanted, beginnings, _CANDIDATES)]
    shown = "; ".join(_shown(line) for line in (near or lines)[:_CANDIDATES])
    word = "nearest" if near else "the newest"
    return f"; {word}: {shown}" if lines else "; there is no run yet"


def run_texts(engine: Engine, where: str, run: str) -> RunTexts:
    """The files that the run was begun with; raises NoSuchRun."""
    with store_faults(where), engine.connect() as connection:
        row = connection.execute(select(tables.run).where(tables.run.c.id == run)).mappings().first()
    if row is None:
        raise NoSuchRun(f"{where}: no run {run}")
    part, bench, sequence = (
        FileText(row[f"{kind}_file"], row[f"{kind}_text"], row[f"{kind}_fingerprint"], row[f"{kind}_folder"])
        for kind in ("part", "bench", "sequence")
    )
    return RunTexts(part, bench, sequence, row["attachments"])


def planned_conditions(engine: Engine, where: str, run: str) -> tuple[PlannedCondition, ...]:
    """The plan in run order, with what is complete."""
    from sequences.conditions import Condition  # loads numpy and the models of the files

    condition = tables.condition.c
    axes_columns = [condition[axis] for axis in tables.AXES]
    query = (
        select(condition.number, condition.completed, condition.flag, condition.skipped, *axes_columns)
        .where(condition.run == run)
        .order_by(condition.number)
    )
    with store_faults(where), engine.connect() as connection:
        rows = connection.execute(query).all()
    return tuple(
        PlannedCondition(number, Condition(*axes), completed, flag, skipped)
        for number, completed, flag, skipped, *axes in rows
    )


def done_conditions(engine: Engine, where: str, run: str) -> set[int]:
    """Numbers of the complete conditions."""
    condition = tables.condition.c
    query = select(condition.number).where(condition.run == run, condition.completed.is_not(None))
    with store_faults(where), engine.connect() as connection:
        return set(connection.execute(query).scalars())


def events(engine: Engine, where: str, run: str) -> tuple[Event, ...]:
    """Events in the order in which they were noted."""
    event = tables.event.c
    query = select(event.at, event.kind, event.text, event.facts).where(event.run == run).order_by(event.id)
    with store_faults(where), engine.connect() as connection:
        return tuple(Event(*row) for row in connection.execute(query))


def rechecks(engine: Engine, where: str, run: str) -> dict[tuple[datetime, int, int, str], float]:
    """What complete conditions read once more, by time, number of the condition, repeat and quantity."""
    again, condition, quantity = tables.recheck.c, tables.condition.c, tables.quantity.c
    query = (
        select(again.at, condition.number, again.repeat, quantity.name, again.value)
        .join_from(tables.recheck, tables.condition, condition.id == again.condition_id)
        .join(tables.quantity, quantity.id == again.quantity_id)
        .where(condition.run == run)
        .order_by(again.at, condition.number, again.repeat, quantity.name)
    )
    with store_faults(where), engine.connect() as connection:
        return {(at, number, repeat, name): value for at, number, repeat, name, value in connection.execute(query)}
