"""First schema."""

from datetime import datetime

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _run_key() -> sa.Column[str]:
    return sa.Column("run", sa.String(36), nullable=False)


def _utc(name: str, *, nullable: bool = False) -> sa.Column[datetime]:
    return sa.Column(name, sa.DateTime(timezone=True), nullable=nullable)


def _to_run(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(["run"], ["run.id"], name=f"fk_{table}_run")


def _fingerprinted(kind: str) -> list[sa.Column[str]]:
    return [*_text(f"{kind}_file", f"{kind}_text"), sa.Column(f"{kind}_fingerprint", sa.String(64), nullable=False)]


def upgrade() -> None:
    """Make every table; the version table is Alembic's own."""
    _runs()
    _conditions_and_readings()
    _course()


def _runs() -> None:
    op.create_table(
        "run",
        sa.Column("id", sa.String(36), nullable=False),
        *_text("unit", "part", "bench", "sequence", "operator"),
        sa.Column("state", sa.String(16), nullable=False),
        _utc("began"),
        _utc("ended", nullable=True),
        *_text("tool_version"),
        *_fingerprinted("part"),
        *_fingerprinted("bench"),
        *_fingerprinted("sequence"),
        sa.Column("attachments", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_run"),
    )
    op.create_index("ix_run_began", "run", ["began"])
    op.create_table(
        "instrument",
        _run_key(),
        sa.Column("number", sa.Integer, nullable=False),
        *_text("place", "resource", "driver", "maker", "model", "serial", "firmware"),
        sa.Column("calibration_due", sa.Date),
        sa.PrimaryKeyConstraint("run", "number", name="pk_instrument"),
        _to_run("instrument"),
    )


def _conditions_and_readings() -> None:
    op.create_table(
        "condition",
        sa.Column("id", sa.Integer, nullable=False),
        _run_key(),
        sa.Column("number", sa.Integer, nullable=False),
        *_text("channel"),
        sa.Column("gain_code", sa.Integer, nullable=False),
        sa.Column("temperature_c", sa.Double, nullable=False),
        *_text("supply_mode"),
        *(sa.Column(name, sa.Double, nullable=False) for name in ("load_ohm", "tone_level_dbm", "frequency_hz")),
        _utc("completed", nullable=True),
        *_text("flag"),
        sa.PrimaryKeyConstraint("id", name="pk_condition"),
        _to_run("condition"),
        sa.UniqueConstraint("run", "number", name="uq_condition_run_number"),
    )
    op.create_table(
        "quantity",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_quantity"),
        sa.UniqueConstraint("name", name="uq_quantity_name"),
    )
    op.create_table(
        "reading",
        sa.Column("condition_id", sa.Integer, nullable=False),
        sa.Column("repeat", sa.SmallInteger, nullable=False),
        sa.Column("quantity_id", sa.Integer, nullable=False),
        sa.Column("value", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("condition_id", "repeat", "quantity_id", name="pk_reading"),
        sa.ForeignKeyConstraint(["condition_id"], ["condition.id"], name="fk_reading_condition_id"),
        sa.ForeignKeyConstraint(["quantity_id"], ["quantity.id"], name="fk_reading_quantity_id"),
        sqlite_with_rowid=False,
    )


def _course() -> None:
    op.create_table(
        "exchange",
        sa.Column("id", sa.Integer, nullable=False),
        _run_key(),
        sa.Column("condition_id", sa.Integer),
        sa.Column("count", sa.Integer, nullable=False),
        sa.Column("first_s", sa.Double, nullable=False),
        sa.Column("last_s", sa.Double, nullable=False),
        sa.Column("payload", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_exchange"),
        _to_run("exchange"),
        sa.ForeignKeyConstraint(["condition_id"], ["condition.id"], name="fk_exchange_condition_id"),
    )
    op.create_index("ix_exchange_run", "exchange", ["run"])
    op.create_table(
        "event",
        sa.Column("id", sa.Integer, nullable=False),
        _run_key(),
        _utc("at"),
        *_text("kind", "text"),
        sa.Column("facts", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_event"),
        _to_run("event"),
    )
    op.create_index("ix_event_run", "event", ["run"])
    op.create_table(
        "hazard",
        _run_key(),
        sa.Column("number", sa.Integer, nullable=False),
        *_text("severity", "title", "cause", "consequence", "action", "source"),
        sa.PrimaryKeyConstraint("run", "number", name="pk_hazard"),
        _to_run("hazard"),
    )
