"""Stores that older versions of the tool have made, kept to be opened, read and replayed for ever.

``kept_stores/schema-0005.db.gz`` holds a run of the quick demo sequence at 25 °C with codes 0 and 17, ``recheck = 1``,
on unit VG2-0007 of the simulated bench, stopped after the second of four conditions and resumed to its end. Versions of
schema 0005 recorded exchanges as JSON lines and neither waits nor sessions.
"""

from __future__ import annotations

import gzip
from pathlib import Path

FOLDER = Path(__file__).parent / "kept_stores"

RUN_0005 = "9dc7aca7-c065-4195-ae11-2bc76d45f4f9"


def kept_store(schema: str, to: Path) -> Path:
    """A copy of the store of a schema, in a folder of the test's own: opening it migrates it."""
    copy = to / f"schema-{schema}.db"
    copy.write_bytes(gzip.decompress((FOLDER / f"schema-{schema}.db.gz").read_bytes()))
    return copy
