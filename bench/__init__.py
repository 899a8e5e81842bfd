"""How: running a sequence on a bench, keeping what was read, and the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.notebook import open_store

__all__ = ["open_store"]


def __getattr__(name: str) -> Any:
    """Load the store only for who asks for it: SQLAlchemy takes longer than all the rest of a short command."""
    if name == "open_store":
        from bench.notebook import open_store

        return open_store
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
