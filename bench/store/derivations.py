"""What was derived from a run with other inputs, and what came out; written once, never changed.

Rule: the same inputs, tool version and result are one derivation, however often somebody asks for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Engine, insert, select

from bench.errors import NoSuchRun
from bench.store import tables
from bench.store.connect import locking
from bench.store.faults import store_faults
from bench.store.records import Derivation

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime


def derivations(engine: Engine, where: str, run: str) -> tuple[Derivation, ...]:
    """All of a run, the first first."""
    table = tables.derivation
    query = select(table).where(table.c.run == run).order_by(table.c.number)
    with store_faults(where), engine.connect() as connection:
        return tuple(Derivation(**row) for row in connection.execute(query).mappings())


def derivation(engine: Engine, where: str, run: str, number: int) -> Derivation:
    """One of a run; raises NoSuchRun if it has no such number."""
    found = derivations(engine, where, run)
    for one in found:
        if one.number == number:
            return one
    there = "it has none" if not found else "it has 1 only" if len(found) == 1 else f"it has 1 to {len(found)}"
    raise NoSuchRun(f"{where}: run {run[:8]} has no derivation {number}; {there}")


def add_derivation(
    engine: Engine,
    where: str,
    run: str,
    *,
    at: datetime,
    tool_version: str,
    operator: str,
    inputs: Mapping[str, object],
    decision: str,
    digest: str,
) -> Derivation:
    """Note a derivation, or find the one that is there already. Raises StoreFault if the store cannot be written."""
    result = {"tool_version": tool_version, "inputs": dict(inputs), "decision": decision, "digest": digest}
    with store_faults(where), locking(engine).begin() as connection:
        rows = connection.execute(select(tables.derivation).where(tables.derivation.c.run == run)).mappings().all()
        known = [Derivation(**row) for row in rows]
        for one in known:
            if all(getattr(one, name) == value for name, value in result.items()):
                return one
        made = {"run": run, "number": len(known) + 1, "at": at, "operator": operator, **result}
        connection.execute(insert(tables.derivation), made)
    return Derivation(**made)  # type: ignore[arg-type]  # the row's columns are the fields
