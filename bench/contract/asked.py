"""Which bench and which places the suite was asked for on pytest's command line."""

from __future__ import annotations

import pytest

from sequences.bench_file import Bench
from sequences.errors import FileFaults
from sequences.read_files import Loaded, read_bench

_LOADED = pytest.StashKey[Loaded[Bench]]()


def bench_asked_for(config: pytest.Config) -> Loaded[Bench]:
    """The bench file, read once. Raises UsageError for one that is not right."""
    if _LOADED not in config.stash:
        try:
            config.stash[_LOADED] = read_bench(config.getoption("--bench"))
        except FileFaults as faults:
            raise pytest.UsageError(str(faults)) from None
    return config.stash[_LOADED]


def places_asked_for(config: pytest.Config) -> list[str]:
    """Places that are looked at. Raises UsageError for one that the bench does not have."""
    present = bench_asked_for(config).model.instrument.present
    wanted: list[str] = config.getoption("--place") or list(present)
    if unknown := [place for place in wanted if place not in present]:
        raise pytest.UsageError(f"--place: the bench has no {unknown[0]}; it has {', '.join(present)}")
    return wanted
