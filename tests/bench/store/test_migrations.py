"""From one schema to the next."""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from bench.errors import StoreFault
from bench.store import connect, migrations, tables
from bench.store.migrations import SCRIPTS, migrate
from bench.store.records import RunRecord
from bench.store.store import open_store

#: The version after that of the tables.
NEXT_VERSION = f"{int(tables.SCHEMA_VERSION) + 1:04}"

#: A revision of the future that adds a column with a value for old runs.
NEXT = f"""
import sqlalchemy as sa
from alembic import op

revision = "{NEXT_VERSION}"
down_revision = "{tables.SCHEMA_VERSION}"


def upgrade() -> None:
    op.add_column("run", sa.Column("note", sa.Text, nullable=False, server_default="none"))
"""

#: The same, but it stumbles when the column is there and the version is not yet written.
BROKEN_NEXT = NEXT + '    op.execute("INSERT INTO no_such_table VALUES (1)")\n'


def schema_of(path: Path) -> dict[str, object]:
    """What SQLite itself says of each table: columns, keys to others, indexes, whether it has row numbers."""
    database = sqlite3.connect(path)
    listed = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'table' ORDER BY name").fetchall()
    found: dict[str, object] = {}
    for name, made in listed:
        indexes = database.execute(f'SELECT name, "unique", origin FROM pragma_index_list({name!r})').fetchall()
        found[name] = (
            database.execute(f"SELECT * FROM pragma_table_info({name!r})").fetchall(),
            sorted(database.execute(f'SELECT "table", "from", "to" FROM pragma_foreign_key_list({name!r})').fetchall()),
            sorted(
                (unique, origin, tuple(database.execute(f"SELECT name FROM pragma_index_info({index!r})").fetchall()))
                for index, unique, origin in indexes
            ),
            database.execute(f"SELECT wr FROM pragma_table_list({name!r})").fetchall(),
            # Names of constraints: a later migration on another database must find them.
            sorted(re.findall(r"CONSTRAINT (\w+)", made)),
        )
    found["indexes"] = database.execute(
        "SELECT name FROM sqlite_master WHERE type = 'index' AND sql IS NOT NULL ORDER BY name"
    ).fetchall()
    database.close()
    return found


def version_of(path: Path) -> list[tuple[str]]:
    """Rows of the version table."""
    database = sqlite3.connect(path)
    rows = database.execute("SELECT version_num FROM schema_version").fetchall()
    database.close()
    return rows


def scripts_with(folder: Path, text: str) -> Path:
    """The shipped migrations and one more."""
    scripts = folder / "100% migrations"  # a per cent sign is special in Alembic's settings
    shutil.copytree(SCRIPTS, scripts, ignore=shutil.ignore_patterns("__pycache__"))
    (scripts / "versions" / "r0004_note.py").write_text(text)
    return scripts


def test_migrating_from_nothing_gives_the_schema_of_a_new_store(tmp_path: Path) -> None:
    """A new store takes the short way past Alembic; both ways end in the same tables, keys and indexes."""
    new, migrated = tmp_path / "new.db", tmp_path / "migrated.db"
    open_store(str(new)).close()
    engine = connect._engine(connect.store_url(str(migrated)), "store")
    with engine.begin() as connection:
        migrate(connection)
    engine.dispose()

    assert schema_of(migrated) == schema_of(new)
    assert version_of(migrated) == version_of(new)


def test_alembic_finds_no_difference_between_tables_and_migrations(location: str) -> None:
    """An independent look: autogeneration would write an empty revision."""
    engine = create_engine(connect.store_url(location))
    with engine.begin() as connection:
        migrate(connection)
        context = MigrationContext.configure(
            connection, opts={"version_table": tables.VERSION_TABLE, "compare_type": True}
        )
        assert compare_metadata(context, tables.METADATA) == []
    engine.dispose()


def test_the_newest_revision_is_the_version_of_the_tables() -> None:
    """A revision added without raising ``SCHEMA_VERSION``, or the other way round, fails here."""
    config = Config()
    config.set_main_option("script_location", str(SCRIPTS))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)

    assert script.get_current_head() == tables.SCHEMA_VERSION
    assert sorted(one.revision for one in script.walk_revisions()) == [
        f"{number:04}" for number in range(1, int(tables.SCHEMA_VERSION) + 1)
    ]


def test_opening_an_older_store_brings_it_forward_and_keeps_its_runs(
    tmp_path: Path, path: Path, make_record: Callable[..., RunRecord], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A store of today, opened by a version whose schema is one further."""
    with open_store(str(path)) as store:
        run = store.begin_run(make_record()).run
    scripts = scripts_with(tmp_path, NEXT)
    monkeypatch.setattr(connect, "SCHEMA_VERSION", NEXT_VERSION)
    monkeypatch.setattr(migrations, "migrate", lambda connection: migrate(connection, scripts=scripts))

    with open_store(str(path)) as store:
        assert [line.id for line in store.runs()] == [run]
    database = sqlite3.connect(path)
    assert database.execute("SELECT id, note FROM run").fetchall() == [(run, "none")]
    database.close()
    assert version_of(path) == [(NEXT_VERSION,)]


def test_a_migration_that_fails_leaves_the_store_as_it_was(
    tmp_path: Path, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The column that was already added is gone again with its transaction, and the old version opens the store."""
    open_store(str(path)).close()
    before = schema_of(path)
    scripts = scripts_with(tmp_path, BROKEN_NEXT)
    with monkeypatch.context() as patch:
        patch.setattr(connect, "SCHEMA_VERSION", NEXT_VERSION)
        patch.setattr(migrations, "migrate", lambda connection: migrate(connection, scripts=scripts))
        with pytest.raises(StoreFault, match="no_such_table"):
            open_store(str(path))

    assert schema_of(path) == before
    assert version_of(path) == [(tables.SCHEMA_VERSION,)]
    with open_store(str(path)) as store:
        assert store.runs() == ()
