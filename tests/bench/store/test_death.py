"""A process that dies while it writes: nothing half-done is found afterwards, and the run can be resumed."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from bench.store.records import FileText
from bench.store.store import open_store

#: Begins a run, completes condition 0, then dies inside the transaction of condition 1 at the place given.
WRITE_AND_DIE = """
import os, sys
from datetime import datetime, timezone
from bench.store import run_writer
from bench.store.records import FileText, RunRecord, RunTexts
from bench.store.store import open_store
from drivers.messages import Exchange
from sequences.conditions import Condition
from sqlalchemy import event

path, place = sys.argv[1:]
now = datetime(2026, 11, 2, 22, tzinfo=timezone.utc)
file = FileText("x.toml", "", "0" * 64)
store = open_store(path)
record = RunRecord("VG2-0013", "VIRGA-2", "Nimbus", "quick", "Ada", now, "0.1.0", RunTexts(file, file, file))
writer = store.begin_run(record)
writer.conditions([Condition("A", code, 25.0, "nominal", 200.0, 3.0, 60e6) for code in range(3)])
talk = [Exchange(1, "supply", 0.0, b"*OPC?", b"1", 0.0, None)]
readings = {"supply_current_a": 0.2, "supply_voltage_v": 5.0}
writer.complete_condition(0, now, readings, talk)

def die(*_arguments):
    os._exit(9)

def die_after_the_mark(connection, cursor, statement, *_arguments):
    if statement.startswith("UPDATE condition"):
        die()

if place == "after the mark":
    event.listen(store._engine, "after_cursor_execute", die_after_the_mark)
elif place == "before the chunk":
    run_writer.pack = die
elif place == "before the commit":
    event.listen(store._engine, "commit", die)
elif place == "after the commit":
    writer.complete_condition(1, now, readings, talk)
    die()
writer.complete_condition(1, now, readings, talk)
"""


@pytest.mark.parametrize(
    ("place", "done"),
    [
        ("after the mark", {0}),
        ("before the chunk", {0}),
        ("before the commit", {0}),
        ("after the commit", {0, 1}),
    ],
)
def test_a_condition_is_stored_whole_or_not_at_all(tmp_path: Path, place: str, done: set[int]) -> None:
    """``os._exit`` runs no handler, as a kill or a power cut; readings, mark and chunk agree afterwards."""
    path = tmp_path / "night.db"
    died = subprocess.run(
        [sys.executable, "-c", WRITE_AND_DIE, str(path), place], capture_output=True, text=True, check=False
    )
    assert died.returncode == 9, died.stderr

    database = sqlite3.connect(path)
    assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert database.execute("PRAGMA foreign_key_check").fetchall() == []
    readings = database.execute(
        "SELECT number, count(*) FROM reading JOIN condition ON condition.id = condition_id GROUP BY number"
    ).fetchall()
    database.close()
    assert readings == [(number, 2) for number in sorted(done)]
    with open_store(str(path), must_exist=True) as store:
        run = store.find_run("latest")
        assert store.done_conditions(run) == done
        assert [chunk.condition for chunk in store.exchange_chunks(run)] == sorted(done)


def test_a_killed_run_can_be_resumed_to_the_full_set(tmp_path: Path) -> None:
    """The same readings as an uninterrupted run, none twice."""
    path = tmp_path / "night.db"
    subprocess.run([sys.executable, "-c", WRITE_AND_DIE, str(path), "before the commit"], check=False)
    readings = {"supply_current_a": 0.2, "supply_voltage_v": 5.0}
    with open_store(str(path)) as store:
        run = store.find_run("latest")
        writer = store.reopen_run(run)
        for planned in store.planned_conditions(run):
            if planned.completed is None:
                writer.complete_condition(planned.number, store.run(run).began, readings)
        writer.finish("done", store.run(run).began)

        line = store.run(run)
        assert (line.state, line.done, line.total) == ("done", 3, 3)
        assert store.run_texts(run).part == FileText("x.toml", "", "0" * 64)
    database = sqlite3.connect(path)
    counted = database.execute("SELECT count(*), count(DISTINCT condition_id) FROM reading").fetchone()
    database.close()
    assert counted == (6, 3)
