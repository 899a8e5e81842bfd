"""Benches of every kind, in as many processes as the machine has cores."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ProcessPoolExecutor

from coverage_of_benches import fewer_tones, sweeps, two_tone
from coverage_of_benches.score import Scored, Scores, merged, scores_of

#: Name of a kind of night → one bench of it, from a seed.
KINDS: dict[str, Callable[[int], Scored]] = {
    "partners": two_tone.partners,
    "levels": two_tone.levels,
    "measured": two_tone.measured,
    "noise": fewer_tones.noise,
    "compression": fewer_tones.compression,
    "sweeps": sweeps.sweeps,
}

#: Benches that a process takes at a time: enough to pay for its start, few enough to share the work out evenly.
LOT = 10


def scores_of_kind(kind: str, seeds: Iterable[int]) -> Scores:
    """Scores over the benches that the seeds draw."""
    return scores_of(map(KINDS[kind], seeds))


def scores_of_every_kind(benches: Mapping[str, int]) -> Scores:
    """Scores of all kinds together, each over so many benches."""
    # A fresh interpreter each: what a test has loaded or started does not come along.
    fresh = multiprocessing.get_context("spawn")
    lots = [
        (kind, range(first, min(first + LOT, count)))
        for kind, count in benches.items()
        for first in range(0, count, LOT)
    ]
    with ProcessPoolExecutor(os.cpu_count(), mp_context=fresh) as processes:
        return merged(processes.map(scores_of_kind, *zip(*lots, strict=True)))
