"""From a stored run to its report: the bridge between the store and ``reports``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError
from bench.setups import setup_of

if TYPE_CHECKING:
    from bench.store.store import Store
    from reports.frames import RunFrames
    from reports.summary import Report


def frames_of(
    store: Store, run: str, part: Path | None = None, bench: Path | None = None, residual: str | None = None
) -> RunFrames:
    """Frames of a run, with another part file (limits) or bench file (path losses, accuracies) where given.

    ``residual`` is the id of a run with a through, whose readings then say what the bench contributes by itself. Raises
    NoSuchRun, StoreFault, BenchError if ``residual`` has no through, or FileFaults for a given file that does not fit.
    """
    frames = store.frames(run)
    if residual is not None:
        frames = replace(frames, residual=_residual(store, residual))
    if part is None and bench is None:
        return frames
    setup = setup_of(store, run, part, bench)
    return replace(
        frames,
        part=setup.part.model,
        bench=setup.bench.model,
        path_losses=setup.path_losses,
        de_embedding=setup.de_embedding,
    )


def _residual(store: Store, run: str) -> RunFrames:
    frames = store.frames(run)
    if frames.facts.kind != "through":
        raise BenchError(f"run {run[:8]} was made with unit {frames.facts.unit}; --residual needs one with a through")
    return frames


def report_of(
    store: Store, run: str, part: Path | None = None, bench: Path | None = None, residual: str | None = None
) -> Report:
    """Derive and decide a run; see ``frames_of``."""
    from reports.summary import summarise

    return summarise(frames_of(store, run, part, bench, residual))
