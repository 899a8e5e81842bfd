"""From what a person names as the store to an engine whose schema is the current one.

Rule: whatever only SQLite needs is here. A store is a file path or any SQLAlchemy URL. A new store gets its tables at
once, an older one is migrated in a single transaction, a newer one is refused.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, select
from sqlalchemy.exc import ArgumentError

from bench.errors import StoreFault
from bench.store.faults import store_faults
from bench.store.tables import METADATA, SCHEMA_VERSION, schema_version

#: How long a write waits for another program's write. Ours: far above any transaction of this tool, short enough to
#: be noticed by someone who waits for a command.
BUSY_TIMEOUT_MS = 5000

#: Execution option of a transaction that locks SQLite from its beginning.
_LOCK_AT_ONCE = "nightbench_lock_at_once"


def store_url(url_or_path: str) -> URL:
    """SQLAlchemy URL for a URL or a file path (``~`` is expanded). Raises StoreFault if it is neither."""
    if not url_or_path.strip():
        raise StoreFault("the store has no name; give a file or an SQLAlchemy URL")
    if "://" not in url_or_path:
        return URL.create("sqlite", database=str(Path(url_or_path).expanduser()))
    try:
        return make_url(url_or_path)
    except ArgumentError as error:
        raise StoreFault(f"{url_or_path!r} is not an SQLAlchemy URL such as sqlite:///nightbench.db") from error


def store_name(url: URL) -> str:
    """What messages call the store: the file for SQLite, the URL without its password for others."""
    if url.get_backend_name() == "sqlite":
        return f"store {url.database or '(in memory)'}"
    return f"store {url.render_as_string(hide_password=True)}"


def connect(url: URL, *, must_exist: bool) -> Engine:
    """Engine on the store at ``url`` with the current schema.

    Args:
        url: Where the store is.
        must_exist: Refuse to make a new store.

    Raises:
        StoreFault: missing folder or file, no permission, not a database, another program's database, locked, full,
            newer schema, database driver not installed.
    """
    where = store_name(url)
    if url.get_backend_name() == "sqlite" and url.database and not url.database.startswith("file:"):
        _check_file(Path(url.database), where, must_exist=must_exist)
    engine = _engine(url, where)
    try:
        with store_faults(where):
            _bring_to_current(engine, where, must_exist=must_exist)
    except BaseException:
        engine.dispose()
        raise
    return engine


def connect_read_only(url: URL) -> Engine:
    """Engine on the store at ``url`` that changes nothing, not even its schema.

    Raises:
        StoreFault: as ``connect``; also for an older schema, which only a command that may write brings forward.
    """
    where = store_name(url)
    if url.get_backend_name() == "sqlite" and url.database and not url.database.startswith("file:"):
        path = Path(url.database)
        _check_file(path, where, must_exist=True)
        url = _untouched(path) if _cannot_be_touched(path) else url
    engine = _engine(url, where).execution_options(postgresql_readonly=True)
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _only_query)
    try:
        with store_faults(where), engine.connect() as connection:
            version = _version(connection, where)
    except BaseException:
        engine.dispose()
        raise
    if version == SCHEMA_VERSION:
        return engine
    engine.dispose()
    if version is None:
        raise StoreFault(f"{where}: it is empty; name the store that a run was kept in")
    raise StoreFault(
        f"{where}: its schema {version} is older than the {SCHEMA_VERSION} of this nightbench, and reading must not "
        f"change it. Any command brings it forward, such as: nightbench runs --store {where.removeprefix('store ')}"
    )


def _cannot_be_touched(path: Path) -> bool:
    """Whether a reader cannot even have the files beside the store that readers and a writer share."""
    return not os.access(path.parent, os.W_OK) and not Path(f"{path}-wal").exists()


def _untouched(path: Path) -> URL:
    """The file as it lies on a medium that nobody writes (https://www.sqlite.org/uri.html, "immutable")."""
    return URL.create("sqlite", database=path.absolute().as_uri(), query={"uri": "true", "immutable": "1"})


def _only_query(driver_connection: Any, _record: Any) -> None:
    """Have SQLite refuse every change. Opened as read-only it would do so too, but leave files of its own behind."""
    cursor = driver_connection.cursor()
    cursor.execute("PRAGMA query_only = ON")
    cursor.close()


def locking(engine: Engine) -> Engine:
    """Engine on the same store for transactions that read before they write.

    SQLite refuses to turn a reader into a writer when another program has written in between; with the lock taken at
    the beginning it waits instead. A transaction that begins with a write needs no such thing.
    """
    return engine.execution_options(**{_LOCK_AT_ONCE: True})


def snapshot(engine: Engine) -> Engine:
    """Engine on the same store whose transactions see it as it was at their first query."""
    if engine.dialect.name == "sqlite":
        return engine  # in WAL every transaction does (https://www.sqlite.org/isolation.html)
    return engine.execution_options(isolation_level="REPEATABLE READ")


def _check_file(path: Path, where: str, *, must_exist: bool) -> None:
    try:
        is_folder, in_folder, exists = path.is_dir(), path.parent.is_dir(), path.exists()
    except OSError as error:
        raise StoreFault(f"{where}: {error.strerror}") from error
    if is_folder:
        raise StoreFault(f"{where}: that is a folder; name a file in it, such as {path / 'nightbench.db'}")
    if not in_folder:
        raise StoreFault(f"{where}: the folder {path.parent} does not exist; make it or name another one")
    if must_exist and not exists:
        raise StoreFault(f"{where}: no such file; name the store that a run was kept in")


def _engine(url: URL, where: str) -> Engine:
    try:
        # A link to a database server may have been cut since the last condition: ask before use.
        engine = create_engine(url, pool_pre_ping=url.get_backend_name() != "sqlite")
    except ModuleNotFoundError as error:
        raise StoreFault(f"{where}: the Python package {error.name!r} for this database is not installed") from error
    except ArgumentError as error:
        raise StoreFault(f"{where}: {error}") from error
    if engine.dialect.name == "sqlite":
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(driver_connection: Any, _record: Any) -> None:
    """What each connection needs; FULL makes each commit survive a power cut."""
    # By itself the driver begins a transaction only before INSERT, UPDATE and DELETE, so a migration's CREATE and
    # ALTER would escape it; with None it leaves beginning to _begin_sqlite.
    driver_connection.isolation_level = None
    cursor = driver_connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_MS}")
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _use_wal(engine: Engine) -> None:
    """Readers and a writer side by side. Kept in the file's head, so only once the file is known to be ours."""
    if engine.dialect.name != "sqlite":
        return
    connection = engine.raw_connection()
    try:
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode = WAL")
        cursor.close()
    finally:
        connection.close()


def _begin_sqlite(connection: Connection) -> None:
    at_once = connection.get_execution_options().get(_LOCK_AT_ONCE, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if at_once else "BEGIN")


def _bring_to_current(engine: Engine, where: str, *, must_exist: bool) -> None:
    with engine.connect() as connection:
        version = _version(connection, where)
    if version is None and must_exist:
        raise StoreFault(f"{where}: it is empty; name the store that a run was kept in")
    _use_wal(engine)
    if version == SCHEMA_VERSION:
        return
    with locking(engine).begin() as connection:
        version = _version(connection, where)  # asked again under the lock: another program may have been faster
        if version is None:
            METADATA.create_all(connection)
            connection.execute(schema_version.insert().values(version_num=SCHEMA_VERSION))
        elif version != SCHEMA_VERSION:
            from bench.store.migrations import (  # loads Alembic, which only an older store needs
                UnknownRevision,
                migrate,
            )

            try:
                migrate(connection)
            except UnknownRevision as error:
                raise StoreFault(f"{where}: its schema {version!r} is unknown; go back to a copy of it") from error


def _version(connection: Connection, where: str) -> str | None:
    """Schema version, None for a database with nothing in it; StoreFault for a newer one or another program's."""
    tables = inspect(connection).get_table_names()
    if not tables:
        return None
    if schema_version.name not in tables:
        raise StoreFault(f"{where}: this database belongs to another program (it has a table {tables[0]!r})")
    version = connection.execute(select(schema_version.c.version_num)).scalar_one_or_none()
    if version is None:
        raise StoreFault(f"{where}: its schema version is missing; go back to a copy of it")
    if version > SCHEMA_VERSION:  # revisions are numbers of four digits, so text order is their order
        raise StoreFault(
            f"{where}: its schema {version} is newer than the {SCHEMA_VERSION} of this nightbench; update nightbench"
        )
    return str(version)
