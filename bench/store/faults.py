"""From a database's error to one line that says what is wrong with the store and what to do.

Rule: no error of SQLAlchemy or of a database driver leaves the store package; the original stays attached as cause.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import SQLAlchemyError

from bench.errors import StoreFault

#: Result codes of SQLite (https://www.sqlite.org/rescode.html) and what they mean for a person. Extended codes
#: (``SQLITE_IOERR_WRITE``) begin with the primary one.
_SQLITE: dict[str, str] = {
    "SQLITE_BUSY": "another program holds it locked; close that program and try again",
    "SQLITE_LOCKED": "another program holds it locked; close that program and try again",
    "SQLITE_FULL": "the disk is full; make room, then resume the run",
    "SQLITE_READONLY": "it cannot be written; check the permissions of the file and of its folder",
    "SQLITE_CANTOPEN": "it cannot be opened; check that the folder exists and may be written",
    "SQLITE_NOTADB": "the file is not a database; name another file",
    "SQLITE_CORRUPT": "the file is damaged; go back to a copy of it",
    "SQLITE_IOERR": "the disk does not read or write; check it before the next run",
}


@contextmanager
def store_faults(where: str) -> Iterator[None]:
    """Turn any database error inside the block into a StoreFault about the store called ``where``."""
    try:
        yield
    except SQLAlchemyError as error:
        raise StoreFault(f"{where}: {explain(error)}") from error


def explain(error: SQLAlchemyError) -> str:
    """One line about a database error, without statement and parameters."""
    original: BaseException = getattr(error, "orig", None) or error
    name = getattr(original, "sqlite_errorname", "")
    for code, meaning in _SQLITE.items():
        if name.startswith(code):
            return meaning
    lines = str(original).strip().splitlines()
    return lines[0] if lines else type(original).__name__
