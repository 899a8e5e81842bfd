"""From a stored run to its report: the bridge between the store and ``reports``."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from bench.clocks import RealClock
from bench.errors import BenchError
from bench.inputs import Inputs, check_same_readings
from bench.setups import setup_of
from bench.version import tool_version

if TYPE_CHECKING:
    from bench.store.records import Derivation
    from bench.store.store import Store
    from reports.frames import RunFrames
    from reports.summary import Report
    from sequences.bench_file import Bench
    from sequences.part_file import Part
    from sequences.read_files import Loaded


def frames_of(
    store: Store,
    run: str,
    part: Path | Loaded[Part] | None = None,
    bench: Path | Loaded[Bench] | None = None,
    residual: str | None = None,
) -> RunFrames:
    """Frames of a run, with another part file (limits) or bench file (path losses, accuracies) where given.

    ``residual`` is the id of a run with a through, whose readings then say what the bench contributes by itself. Raises
    NoSuchRun, StoreFault, BenchError if ``residual`` has no through or a file would make other readings of the run's
    own, or FileFaults for a given file that does not fit.
    """
    frames = store.frames(run)
    if residual is not None:
        frames = replace(frames, residual=_residual(store, residual))
    if part is None and bench is None:
        return frames
    setup = setup_of(store, run, part, bench)
    check_same_readings(frames, setup.part.model, setup.bench.model)
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
    return derived_with(store, run, Inputs.read(part, bench, residual))


def derived_with(store: Store, run: str, inputs: Inputs) -> Report:
    """Derive and decide a run with other inputs; the report names all files that it rests on. As ``frames_of``."""
    from reports.summary import summarise

    texts = store.run_texts(run)
    report = summarise(frames_of(store, run, inputs.part, inputs.bench, inputs.residual))
    return replace(report, inputs=inputs.files(texts))


def digest_of(report: Report) -> str:
    """SHA-256 of the report's summary.json: equal for equal results."""
    from reports.summary_json import summary_json

    return hashlib.sha256(summary_json(report).encode("utf-8")).hexdigest()


def note_derivation(store: Store, report: Report, inputs: Inputs, operator: str) -> Derivation | None:
    """Keep which inputs gave this result; None where they, and the tool's version, are the run's own.

    Raises StoreFault if the store cannot be written.
    """
    run = report.facts.run
    other = inputs.other_than(store.run_texts(run))
    if other.is_empty and tool_version() == report.facts.tool_version:
        return None
    return store.add_derivation(
        run,
        at=RealClock().now(),
        tool_version=tool_version(),
        operator=operator,
        inputs=other.facts(),
        decision=report.decision,
        digest=digest_of(report),
    )
