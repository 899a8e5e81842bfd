"""Handing a run over: from the store's rows to ``reports.frames``.

Rule: no arithmetic on readings. Rows go from the database driver into arrays in blocks, so that ten million readings
never stand in memory as Python objects.
"""

from __future__ import annotations

from itertools import chain, groupby
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from sqlalchemy import Connection, Engine, Select, func, select

from bench.errors import StoreFault
from bench.store import tables
from bench.store.connect import snapshot
from bench.store.curves import unpack_curve
from bench.store.faults import store_faults
from bench.store.read_runs import events, run_line, run_texts
from bench.store.records import RunLine, RunTexts
from reports.frames import CURVE_COLUMNS, S_PARAMETERS, HazardNote, RunFacts, RunFrames, no_curves, none_skipped
from sequences.errors import FileFaults
from sequences.rating_checks import FileNames
from sequences.read_files import Setup, deviation_gaps, deviation_tables, parse_setup
from sequences.through import through_setup

#: Rows taken from the driver at a time: about 10 MB as Python objects.
_ROWS_AT_A_TIME = 50_000

_INSTRUMENT_COLUMNS = ("place", "resource", "maker", "model", "serial", "firmware", "calibration_due")
_HAZARD_COLUMNS = ("severity", "title", "cause", "consequence", "action", "source", "name")


def read_frames(engine: Engine, where: str, run: str) -> RunFrames:
    """One run, ready to be derived; see ``Store.frames``."""
    line = run_line(engine, where, run)
    setup = _setup(run_texts(engine, where, run), where, run)
    if line.kind == "through":
        setup = through_setup(setup)
    noted = events(engine, where, run)
    # A run that is going on must not show readings of a condition that the plan calls incomplete.
    with store_faults(where), snapshot(engine).connect() as connection:
        conditions, numbers = _conditions(connection, run)
        readings = _readings(connection, run, numbers)
        curves = _curves(connection, run)
        instruments = _instruments(connection, run)
        hazards = _hazards(connection, run)
        skipped = _skipped(connection, run)
        times = _times(connection, run)
    columns = {
        "at": pd.Series([one.at for one in noted], dtype="datetime64[us, UTC]"),
        "kind": pd.Series([one.kind for one in noted], dtype="str"),
        "text": pd.Series([one.text for one in noted], dtype="str"),
        "facts": pd.Series([dict(one.facts) for one in noted], dtype="object"),
    }
    return RunFrames(
        facts=_facts(line),
        part=setup.part.model,
        bench=setup.bench.model,
        sequence=setup.sequence.model,
        path_losses=setup.path_losses,
        conditions=conditions,
        readings=readings,
        instruments=instruments,
        events=pd.DataFrame(columns),
        hazards=hazards,
        curves=curves,
        de_embedding=setup.de_embedding,
        deviation_gaps=deviation_gaps(setup.bench),
        skipped=skipped,
        times=times,
    )


def _facts(line: RunLine) -> RunFacts:
    return RunFacts(
        run=line.id,
        unit=line.unit,
        operator=line.operator,
        state=line.state,
        began=line.began,
        ended=line.ended,
        tool_version=line.tool_version,
        planned=line.total,
        kind=line.kind,
    )


def _conditions(connection: Connection, run: str) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Complete conditions in run order, and the array that leads from a condition's key to its number."""
    condition = tables.condition.c
    names = (*tables.AXES, "flag")
    query = (
        select(condition.id, condition.number, *(condition[name] for name in names))
        .where(condition.run == run, condition.completed.is_not(None))
        .order_by(condition.number)
    )
    rows = connection.execute(query).all()
    columns = dict(zip(("id", "condition", *names), zip(*rows, strict=True), strict=True)) if rows else {}
    kinds = {"channel": "str", "supply_mode": "str", "gain_code": "int64", "flag": "str"}
    frame = pd.DataFrame({name: pd.Series(columns.get(name, ()), dtype=kinds.get(name, "float64")) for name in names})
    frame.index = pd.Index(columns.get("condition", ()), dtype="int64", name="condition")
    keys = np.array(columns.get("id", ()), dtype=np.int64)
    numbers = np.full(int(keys.max(initial=-1)) + 1, -1, dtype=np.int64)
    numbers[keys] = frame.index.to_numpy()
    return frame, numbers


def _skipped(connection: Connection, run: str) -> pd.DataFrame:
    """Conditions that were left out, in run order."""
    condition = tables.condition.c
    query = (
        select(condition.number, *(condition[name] for name in tables.AXES), condition.skipped)
        .where(condition.run == run, condition.skipped != "")
        .order_by(condition.number)
    )
    empty = none_skipped()
    rows = connection.execute(query).all()
    frame = pd.DataFrame([tuple(row)[1:] for row in rows], columns=empty.columns).astype(empty.dtypes.to_dict())
    frame.index = pd.Index([row.number for row in rows], dtype="int64", name="condition")
    return frame


def _times(connection: Connection, run: str) -> pd.DataFrame:
    """When each complete condition was done, in run order."""
    condition = tables.condition.c
    query = (
        select(condition.number, condition.completed)
        .where(condition.run == run, condition.completed.is_not(None))
        .order_by(condition.number)
    )
    rows = connection.execute(query).all()
    frame = pd.DataFrame({"completed": pd.Series([row.completed for row in rows], dtype="datetime64[us, UTC]")})
    frame.index = pd.Index([row.number for row in rows], dtype="int64", name="condition")
    return frame


def _readings(connection: Connection, run: str, numbers: npt.NDArray[np.int64]) -> pd.DataFrame:
    reading, condition = tables.reading.c, tables.condition.c
    query = (
        select(reading.condition_id, reading.repeat, reading.quantity_id, reading.value)
        .join_from(tables.condition, tables.reading, reading.condition_id == condition.id)
        .where(condition.run == run)
        .order_by(condition.number, reading.repeat, reading.quantity_id)
    )
    table = _numbers(connection, query)
    names = dict(connection.execute(select(tables.quantity.c.id, tables.quantity.c.name)).all())
    # Other runs of the store may have read more.
    ids = np.unique(table[:, 2]).astype(np.int64)
    return pd.DataFrame(
        {
            "condition": numbers[table[:, 0].astype(np.int64)],
            "repeat": table[:, 1].astype(np.int64),
            "quantity": pd.Categorical.from_codes(
                np.searchsorted(ids, table[:, 2].astype(np.int64)),
                categories=pd.Index([names[key] for key in ids.tolist()]),
            ),
            "value": table[:, 3].copy(),
        }
    )


def _curves(connection: Connection, run: str) -> pd.DataFrame:
    """Long table of S-parameters, one row per condition, repeat and frequency; see ``reports.frames.CURVE_COLUMNS``."""
    curve, condition = tables.curve.c, tables.condition.c
    query = (
        select(condition.number, curve.repeat, curve.name, curve.x, curve.y)
        .join_from(tables.condition, tables.curve, curve.condition_id == condition.id)
        .where(condition.run == run)
        .order_by(condition.number, curve.repeat, curve.name)
    )
    columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in CURVE_COLUMNS}
    rows = connection.execute(query).all()
    for (number, repeat), group in groupby(rows, key=lambda row: (row.number, row.repeat)):
        read = {row.name: unpack_curve(row.x, row.y) for row in group}
        frequency_hz = next(iter(read.values()))[0]
        if set(read) != set(S_PARAMETERS) or any(not np.array_equal(x, frequency_hz) for x, _ in read.values()):
            raise StoreFault(f"condition {number} of run {run} holds curves that do not belong together")
        columns["condition"].append(np.full(len(frequency_hz), number))
        columns["repeat"].append(np.full(len(frequency_hz), repeat))
        columns["frequency_hz"].append(frequency_hz)
        for name, (_, y) in read.items():
            columns[f"{name}_re"].append(y.real)
            columns[f"{name}_im"].append(y.imag)
    if not rows:
        return no_curves()
    return pd.DataFrame({name: np.concatenate(parts) for name, parts in columns.items()})


def _numbers(connection: Connection, query: Select[Any]) -> npt.NDArray[np.float64]:
    """All rows of a query for numbers, shape (rows, columns).

    They are taken from the driver's own cursor: dressing a third of a million rows as SQLAlchemy rows doubles the
    time. A result that buffers would keep the rows it has buffered, so the database is asked how many there must be.
    """
    count = connection.execute(select(func.count()).select_from(query.order_by(None).subquery())).scalar_one()
    columns = len(query.selected_columns)
    table = np.empty((count, columns))
    filled = 0
    cursor = connection.execute(query).cursor
    while cursor is not None and (rows := cursor.fetchmany(_ROWS_AT_A_TIME)):
        flat = np.fromiter(chain.from_iterable(rows), dtype=np.float64, count=columns * len(rows))
        table[filled : filled + len(rows)] = flat.reshape(-1, columns)
        filled += len(rows)
    if filled != count:
        raise StoreFault(f"the database holds {count} readings but handed out {filled}")
    return table


def _instruments(connection: Connection, run: str) -> pd.DataFrame:
    instrument = tables.instrument.c
    query = (
        select(*(instrument[column] for column in _INSTRUMENT_COLUMNS))
        .where(instrument.run == run)
        .order_by(instrument.number)
    )
    rows = [(*texts, due.isoformat() if due else "") for *texts, due in connection.execute(query)]
    return pd.DataFrame(rows, columns=list(_INSTRUMENT_COLUMNS), dtype="str")


def _hazards(connection: Connection, run: str) -> tuple[HazardNote, ...]:
    hazard, said = tables.hazard.c, tables.acknowledgement.c
    by_name: dict[str, list[str]] = {}
    query = select(said.hazard, said.operator, said.at).where(said.run == run).order_by(said.id)
    for name, operator, at in connection.execute(query):
        by_name.setdefault(name, []).append(f"{operator}, {at:%Y-%m-%d %H:%M} UTC")
    query = select(*(hazard[column] for column in _HAZARD_COLUMNS)).where(hazard.run == run).order_by(hazard.number)
    return tuple(
        HazardNote(**row, acknowledged="; ".join(by_name.get(row["name"], ())))
        for row in connection.execute(query).mappings()
    )


def _setup(texts: RunTexts, where: str, run: str) -> Setup:
    names = FileNames(texts.sequence.name, texts.part.name, texts.bench.name)
    try:
        setup = parse_setup(texts.sequence.text, texts.part.text, texts.bench.text, texts.attachments, names)
        deviation_tables(setup.bench)  # read here, so that one that cannot be read is a fault of the store
        return setup
    except FileFaults as error:
        more = f" (and {len(error.faults) - 1} more)" if len(error.faults) > 1 else ""
        first = f"{error.faults[0]}{more}"
        raise StoreFault(f"{where}: run {run} holds a file that this version cannot read: {first}") from error
