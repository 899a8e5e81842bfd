"""Modules from a folder of a user's own: importable while a bench is open, and gone from Python's way afterwards."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def importable_from(folder: Path | None) -> Iterator[None]:
    """Let modules be imported from ``folder`` inside the block; None changes nothing.

    Afterwards what came from there is forgotten, so that another bench may have modules of the same names. Classes
    that were taken out go on working. Inside another block of the same folder nothing changes.
    """
    place = "" if folder is None else str(folder.resolve())
    if folder is None or place in sys.path:
        yield
        return
    known = set(sys.modules)
    sys.path.insert(0, place)
    importlib.invalidate_caches()  # the folder may have changed since it was last looked at
    try:
        yield
    finally:
        sys.path.remove(place)
        for name in set(sys.modules) - known:
            if _is_within(name, place):
                del sys.modules[name]


def _is_within(name: str, place: str) -> bool:
    module = sys.modules[name]
    found = [getattr(module, "__file__", None) or "", *getattr(module, "__path__", ())]
    return any(path and Path(path).resolve().is_relative_to(place) for path in found)
