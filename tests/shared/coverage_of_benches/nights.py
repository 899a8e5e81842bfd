"""A night on a simulated bench of which the truth is known at each condition."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from numpy.typing import NDArray

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.events import Event
from bench.job import StopSwitch
from bench.night import start_run, start_through
from bench.plan import make_plan
from bench.reporting import frames_of
from bench.store.store import open_store
from edited_demo import WITHOUT_COMPANY, edited_demo
from reports.frames import RunFrames
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

FloatArray = NDArray[np.float64]

#: True values of one condition, by name.
Point = dict[str, float]


@dataclass(frozen=True)
class Night:
    """What one bench has read, with and without a run with a through beside it, and the truth of each condition."""

    frames: RunFrames
    with_through: RunFrames | None
    truth: list[Point]

    def true(self, name: str) -> FloatArray:
        """Truth by condition; NaN where it is not known."""
        return np.array([point.get(name, np.nan) for point in self.truth])


def drawn(edits: Mapping[str, str], name: str, seed: int) -> Setup:
    """An edited demo on the bench that ``seed`` draws."""
    return edited_demo({**WITHOUT_COMPANY, **edits, "seed = 20261102": f"seed = {seed}"}, name)


def unit_of(seed: int) -> str:
    """A unit of its own for each bench: its figures are drawn with the serial."""
    return f"VG2-{seed:04d}"


def run_night(setup: Setup, unit: str, truth_of: Callable[[Rig, Condition], Point], *, through: bool = False) -> Night:
    """Drivers and runner on the simulated clock; ``truth_of`` is asked as each condition is done."""
    rigs: list[Rig] = []
    truth: list[Point] = []
    planned = make_plan(setup).conditions

    @contextlib.contextmanager
    def watched(*given: Any, **named: Any) -> Iterator[OpenBench]:
        with open_bench(*given, **named) as opened:
            assert opened.rig is not None
            rigs.append(opened.rig)
            yield opened

    def hear(event: Event) -> None:
        if event.kind == "condition done":
            truth.append(truth_of(rigs[0], planned[len(truth)]))

    with pytest.MonkeyPatch.context() as patch, open_store("sqlite://") as store:
        patch.setattr(bench.night, "open_bench", watched)
        run = start_run(setup, unit, "Ada", store, hear, StopSwitch(), lambda run, plan: None).run
        frames, beside = frames_of(store, run), None
        if through:
            other = start_through(setup, "Ada", store, lambda event: None, StopSwitch(), lambda run, plan: None).run
            beside = frames_of(store, run, residual=other)
    assert rigs[0].exceeded == {}
    return Night(frames, beside, truth)


@contextlib.contextmanager
def board_at(rig: Rig, temperature_c: float) -> Iterator[None]:
    """The rig with its board exactly at a temperature, for questions that take no time."""
    rig.advance()
    was_c, rig.thermal.board_c = rig.thermal.board_c, temperature_c
    yield
    rig.thermal.board_c = was_c
