"""The schema: tables, keys and column types, on any database that SQLAlchemy speaks to.

Rule: a change here is a new revision in ``migrations/versions`` and a new ``SCHEMA_VERSION``; a test compares both.

A run's key is its UUID, so that stores can be merged. Readings point at their condition by a small integer instead of
run and number: they are by far the longest table, and a UUID in every row would triple it. Readings and exchanges are
only ever inserted.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    JSON,
    Column,
    Date,
    DateTime,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    PrimaryKeyConstraint,
    SmallInteger,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

#: Newest revision in ``migrations/versions``: what a store has that this version of the tool made.
SCHEMA_VERSION = "0008"

#: Table in which the migrations note the revision.
VERSION_TABLE = "schema_version"

#: Columns of ``condition`` that hold the swept values: the fields of ``sequences.conditions.Condition`` in their order.
AXES = ("channel", "gain_code", "temperature_c", "supply_mode", "load_ohm", "tone_level_dbm", "frequency_hz")


class UtcTime(TypeDecorator[datetime]):
    """A timezone-aware UTC time. SQLite keeps no zone, so it is put back on reading; a naive time is refused."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        """To the database, in UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"{value!r} has no time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        """From the database, in UTC whatever the session's zone is."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


METADATA = MetaData(
    # Names of constraints must be the same on every database, or a migration cannot address them.
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _run_key() -> Column[str]:
    return Column("run", String(36), ForeignKey("run.id"), nullable=False)


schema_version = Table(
    VERSION_TABLE,
    METADATA,
    # The column and its constraint are what Alembic makes of a version table.
    Column("version_num", String(32), nullable=False),
    PrimaryKeyConstraint("version_num", name=f"{VERSION_TABLE}_pkc"),
)

run = Table(
    "run",
    METADATA,
    Column("id", String(36), primary_key=True),
    Column("unit", Text, nullable=False),
    Column("part", Text, nullable=False),
    Column("bench", Text, nullable=False),
    Column("sequence", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("state", String(16), nullable=False),
    Column("began", UtcTime, nullable=False),
    Column("ended", UtcTime),
    Column("tool_version", Text, nullable=False),
    Column("part_file", Text, nullable=False),
    Column("part_text", Text, nullable=False),
    Column("part_fingerprint", String(64), nullable=False),
    Column("bench_file", Text, nullable=False),
    Column("bench_text", Text, nullable=False),
    Column("bench_fingerprint", String(64), nullable=False),
    Column("sequence_file", Text, nullable=False),
    Column("sequence_text", Text, nullable=False),
    Column("sequence_fingerprint", String(64), nullable=False),
    Column("attachments", JSON, nullable=False),
    Column("kind", String(16), nullable=False, server_default="unit"),
    *(Column(f"{file}_folder", Text, nullable=False, server_default="") for file in ("part", "bench", "sequence")),
)

instrument = Table(
    "instrument",
    METADATA,
    _run_key(),
    Column("number", Integer, nullable=False),
    Column("place", Text, nullable=False),
    Column("resource", Text, nullable=False),
    Column("driver", Text, nullable=False),
    Column("maker", Text, nullable=False),
    Column("model", Text, nullable=False),
    Column("serial", Text, nullable=False),
    Column("firmware", Text, nullable=False),
    Column("calibration_due", Date),
    PrimaryKeyConstraint("run", "number"),
)

condition = Table(
    "condition",
    METADATA,
    Column("id", Integer, primary_key=True),
    _run_key(),
    Column("number", Integer, nullable=False),
    Column("channel", Text, nullable=False),
    Column("gain_code", Integer, nullable=False),
    Column("temperature_c", Double, nullable=False),
    Column("supply_mode", Text, nullable=False),
    Column("load_ohm", Double, nullable=False),
    Column("tone_level_dbm", Double, nullable=False),
    Column("frequency_hz", Double, nullable=False),
    Column("completed", UtcTime),
    Column("flag", Text, nullable=False, default=""),
    # Why it was left out after all attempts; empty as soon as it is complete.
    Column("skipped", Text, nullable=False, server_default=""),
    UniqueConstraint("run", "number"),
)

quantity = Table(
    "quantity",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("name", String(64), nullable=False),
    UniqueConstraint("name"),
)

reading = Table(
    "reading",
    METADATA,
    Column("condition_id", Integer, ForeignKey("condition.id"), nullable=False),
    Column("repeat", SmallInteger, nullable=False),
    Column("quantity_id", Integer, ForeignKey("quantity.id"), nullable=False),
    Column("value", Double, nullable=False),
    PrimaryKeyConstraint("condition_id", "repeat", "quantity_id"),
    sqlite_with_rowid=False,
)

curve = Table(
    "curve",
    METADATA,
    Column("condition_id", Integer, ForeignKey("condition.id"), nullable=False),
    Column("repeat", SmallInteger, nullable=False),
    Column("name", String(64), nullable=False),
    # Blobs and not rows: a sweep of a hundred points would be four hundred readings; see ``curves``.
    Column("x", LargeBinary, nullable=False),
    Column("y", LargeBinary, nullable=False),
    PrimaryKeyConstraint("condition_id", "repeat", "name"),
)

#: A run's start and each of its resumes.
session = Table(
    "session",
    METADATA,
    _run_key(),
    Column("number", Integer, nullable=False),
    Column("began", UtcTime, nullable=False),
    Column("tool_version", Text, nullable=False),
    Column("kind", String(16), nullable=False),
    Column("recording", String(16), nullable=False),
    Column("options", JSON, nullable=False),
    PrimaryKeyConstraint("run", "number"),
)

exchange = Table(
    "exchange",
    METADATA,
    # The database numbers chunks and events in the order of their commits, so that no process has to know the last.
    Column("id", Integer, primary_key=True),
    _run_key(),
    Column("condition_id", Integer, ForeignKey("condition.id")),
    Column("count", Integer, nullable=False),
    Column("first_s", Double, nullable=False),
    Column("last_s", Double, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    # Number of the session; none in what was recorded before sessions were kept.
    Column("session", Integer),
)

#: Readings of a complete condition that was measured once more as the run was resumed: kept apart, never used in a
#: derivation.
recheck = Table(
    "recheck",
    METADATA,
    Column("condition_id", Integer, ForeignKey("condition.id"), nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("repeat", SmallInteger, nullable=False),
    Column("quantity_id", Integer, ForeignKey("quantity.id"), nullable=False),
    Column("value", Double, nullable=False),
    PrimaryKeyConstraint("condition_id", "at", "repeat", "quantity_id"),
)

#: Results that other inputs than the run's own gave, or another version of this tool.
derivation = Table(
    "derivation",
    METADATA,
    _run_key(),
    Column("number", Integer, nullable=False),
    Column("at", UtcTime, nullable=False),
    Column("tool_version", Text, nullable=False),
    Column("operator", Text, nullable=False),
    # Files by what they are, each with name, text and fingerprint, with what they name; and the options.
    Column("inputs", JSON, nullable=False),
    Column("decision", String(32), nullable=False),
    Column("digest", String(64), nullable=False),
    PrimaryKeyConstraint("run", "number"),
)

event = Table(
    "event",
    METADATA,
    Column("id", Integer, primary_key=True),
    _run_key(),
    Column("at", UtcTime, nullable=False),
    Column("kind", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("facts", JSON, nullable=False),
)

hazard = Table(
    "hazard",
    METADATA,
    _run_key(),
    Column("number", Integer, nullable=False),
    Column("severity", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("cause", Text, nullable=False),
    Column("consequence", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("source", Text, nullable=False),
    Column("name", Text, nullable=False, server_default=""),
    PrimaryKeyConstraint("run", "number"),
)

acknowledgement = Table(
    "acknowledgement",
    METADATA,
    # Whoever resumes a run acknowledges again: the same hazard may stand here more than once.
    Column("id", Integer, primary_key=True),
    _run_key(),
    Column("hazard", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Column("at", UtcTime, nullable=False),
)

Index(None, run.c.began)
Index(None, exchange.c.run)
Index(None, event.c.run)
Index(None, acknowledgement.c.run)
