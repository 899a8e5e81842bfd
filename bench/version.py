"""The version that is written into every run."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def tool_version() -> str:
    """Version of the installed distribution, or ``not installed`` when run from a bare checkout."""
    try:
        return version("nightbench")
    except PackageNotFoundError:
        return "not installed"
