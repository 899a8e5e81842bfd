"""A store, a run that begins in it, and what is put into both.

Tests that ask for ``store`` or ``location`` run on SQLite, and on PostgreSQL too when NIGHTBENCH_TEST_POSTGRESQL holds
the URL of a database in which schemas may be made and dropped.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import create_engine, make_url
from sqlalchemy.schema import CreateSchema, DropSchema

from bench.store.records import FileText, RunRecord, RunTexts
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from sequences.conditions import Condition

BEGAN = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)


POSTGRESQL = os.environ.get("NIGHTBENCH_TEST_POSTGRESQL", "")


@pytest.fixture(scope="module", autouse=True)
def waits_for_the_disk() -> None:
    """The store commits here as it does on a bench."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where a SQLite store is, or will be."""
    return tmp_path / "night.db"


@pytest.fixture(params=["sqlite", *(["postgresql"] if POSTGRESQL else [])])
def location(request: pytest.FixtureRequest, path: Path) -> Iterator[str]:
    """What opens a store of this test's own."""
    if request.param == "sqlite":
        yield str(path)
        return
    # Tests may run side by side; each process has a schema of its own.
    schema = f"a_night_{os.environ.get('PYTEST_XDIST_WORKER', 'alone')}"
    server = create_engine(POSTGRESQL)
    with server.begin() as connection:
        connection.execute(DropSchema(schema, cascade=True, if_exists=True))
        connection.execute(CreateSchema(schema))
    url = make_url(POSTGRESQL).update_query_dict({"options": f"-csearch_path={schema}"})
    yield url.render_as_string(hide_password=False)
    with server.begin() as connection:
        connection.execute(DropSchema(schema, cascade=True))
    server.dispose()


@pytest.fixture
def store(location: str) -> Iterator[Store]:
    """An open, fresh store."""
    with open_store(location) as opened:
        yield opened


@pytest.fixture
def make_record() -> Callable[..., RunRecord]:
    """A run about to begin; any field can be given."""

    def make(**fields: object) -> RunRecord:
        texts = RunTexts(
            part=FileText("virga-2.part.toml", "[part] # Ω", "a" * 64),
            bench=FileText("nimbus.bench.toml", "[bench]", "b" * 64),
            sequence=FileText("quick.sequence.toml", "[sequence]", "c" * 64),
            attachments={"cable.s2p": "# MHz S DB R 50\n"},
        )
        given: dict[str, object] = {
            "unit": "VG2-0013",
            "part": "VIRGA-2",
            "bench": "Nimbus",
            "sequence": "quick",
            "operator": "Ada",
            "began": BEGAN,
            "tool_version": "0.1.0",
            "texts": texts,
        }
        return RunRecord(**(given | fields))  # type: ignore[arg-type]  # fields of many types, checked by the tests

    return make


@pytest.fixture
def plan() -> tuple[Condition, ...]:
    """Four conditions in run order."""
    return tuple(
        Condition("A" if code % 2 == 0 else "B", code, -40.0 + code, "low power", 150.0, 3.0, 60e6) for code in range(4)
    )


@pytest.fixture
def writer(store: Store, make_record: Callable[..., RunRecord], plan: tuple[Condition, ...]) -> RunWriter:
    """A run that has begun and has its plan."""
    writer = store.begin_run(make_record())
    writer.conditions(plan)
    return writer
