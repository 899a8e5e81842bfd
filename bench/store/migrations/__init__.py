"""Forward steps from one schema to the next, run by Alembic when an older store is opened.

Rule: a revision in ``versions`` is never edited once released, and imports nothing of ``bench.store``: it describes the
schema of its own day. Revisions are numbered "0001", "0002", …
"""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.util import CommandError
from sqlalchemy import Connection

#: Folder of the Alembic environment.
SCRIPTS = Path(__file__).parent


class UnknownRevision(ValueError):
    """The store says that it is at a revision which was never released."""


def migrate(connection: Connection, target: str = "head", scripts: Path = SCRIPTS) -> None:
    """Bring the store behind ``connection`` forward to revision ``target``, inside the connection's transaction.

    Raises UnknownRevision if there is no way from where the store says it is.
    """
    config = Config()
    config.set_main_option("script_location", str(scripts).replace("%", "%%"))  # % starts an interpolation there
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    try:
        command.upgrade(config, target)
    except CommandError as error:
        raise UnknownRevision(str(error)) from error
