"""Covariances of the stages against propagation draw by draw, for cascades of all kinds and figures with odd draws."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import pytest
from numpy.typing import NDArray

from reports import cascade, cascade_spread
from reports.cascade_combinations import STAGE_FIGURES, Combinations, Run, combinations, of_stages
from reports.cascade_table import cascade_table
from reports.derive import Characteristic, derive
from reports.frames import RunFrames
from reports.uncertainty import Cause, Uncertain
from sequences.part_file import Cascade, Part

FloatArray = NDArray[np.float64]
Truth = dict[str, FloatArray]


class MakeNight(Protocol):
    def __call__(self, seed: int = 0, *, size: float = 1.0, **axes: Any) -> tuple[RunFrames, Truth]: ...


def _spec(name: str, *stages: str, **others: object) -> dict[str, Any]:
    return {"name": name, "stages": stages, "uncertainty_db": 0.2, **others}


SPECS = {
    "pair": _spec("pair", "A", "B", loss_db=(1.5,), noise_figure_db=(9.0, 12.0)),
    "twice the same": _spec("twice the same", "A", "A", loss_db=(2.0,), noise_figure_db=(5.0,)),
    "three, no loss": _spec("three", "A", "B", "A", uncertainty_db=0.0),
    "five at one code": _spec("five", "A", "B", "A", "B", "A", loss_db=(1.0,)),
}


def _odd(figures: dict[str, Characteristic]) -> dict[str, Characteristic]:
    """Noise figures at half of the rows, with draws that stages share at finite degrees of freedom; lost and bounded
    intercepts."""
    rng = np.random.default_rng(3)
    gain, oip3 = figures["gain"], figures["oip3"]
    half = np.arange(0, len(gain.rows), 2)
    rows, common = len(half), gain.result.take(half).causes
    shared = rng.integers(0, 5, rows)
    dof = shared.astype(np.float64) + 3.0
    causes = {
        "analyzer level": common["analyzer level"].scaled(-0.5),
        "noise in the reading": common["noise in the reading"].scaled(rng.uniform(0.5, 2.0, rows)),
        "reference": Cause.of(rng.uniform(0.01, 0.05, rows), rng.integers(0, 4, rows), rows=rows, kind="A", dof=7.0),
        "own": Cause.of(rng.uniform(0.01, 0.05, rows), shared, rows=rows, kind="A", dof=dof),
    }
    bound = (rng.uniform(size=rows) < 0.3).astype(np.int8)
    noise = Uncertain(rng.uniform(8.0, 12.0, rows), causes, bound)
    kept = np.flatnonzero(rng.uniform(size=len(oip3.rows)) < 0.9)
    left = oip3.result.take(kept)
    left = Uncertain(left.value, left.causes, (rng.uniform(size=len(kept)) < 0.3).astype(np.int8))
    return {
        "gain": gain,
        "noise_figure": Characteristic(gain.rows[half], noise),
        "oip3": Characteristic(oip3.rows[kept], left),
    }


def _draw_by_draw(every: Combinations) -> dict[str, Uncertain]:
    """Every quantity with all its causes."""
    found = {"gain": cascade.gain(every.stages())}
    with_noise = every
    if every.spec.noise_figure_db is None:
        with_noise = every.take(np.flatnonzero(every.where("noise_figure")))
    if len(with_noise):
        found["noise_figure"] = cascade.noise_figure(with_noise.stages("noise_figure"))
    stages = every.take(np.flatnonzero(every.where("oip3"))).stages("oip3")
    found["oip3"], found["oip3_non_coherent"] = (cascade.oip3(stages, coherent=coherent) for coherent in (True, False))
    level = Uncertain.of(every.axis("tone_level_dbm"))
    plan = cascade.level_plan(every.stages(), level)[:-1:2]
    return found | {f"level_{place}": one for place, one in enumerate(plan, start=1)}


@pytest.mark.parametrize("block", [cascade_spread.BLOCK, 200])
@pytest.mark.parametrize("odd", [False, True])
@pytest.mark.parametrize("name", SPECS)
def test_the_table_says_what_propagation_draw_by_draw_says(
    make_night: MakeNight, monkeypatch: pytest.MonkeyPatch, name: str, odd: bool, block: int
) -> None:
    """Values, uncertainties and degrees of freedom to 1e-12, in the same order, in one block or in many.

    A combination at whose stages a figure is not known has no row; a bound of a stage is one of the cascade.
    """
    monkeypatch.setattr(cascade_spread, "BLOCK", block)
    frames, _ = make_night()
    spec = Cascade.model_validate(SPECS[name])
    part = Part.model_validate(frames.part.model_copy(update={"cascade": (spec,)}))
    frames = replace(frames, part=part)
    derived = {word: one for word, one in derive(frames).items() if word in STAGE_FIGURES}
    derived = {word: of_stages(one, part, frames.conditions) for word, one in derived.items()}
    figures = _odd(derived) if odd else derived
    table = cascade_table(part, frames.conditions, figures)
    expected = _draw_by_draw(combinations(Run(part, frames.conditions, figures), spec, 0))

    assert set(table["quantity"]) - {"gain_range"} == set(expected)
    for quantity, one in expected.items():
        found, known = table[table["quantity"] == quantity], one.settled()
        columns = {
            "value": known.value,
            "standard_uncertainty": known.standard,
            "expanded_uncertainty": known.expanded,
            "dof": known.dof,
        }
        for column, values in columns.items():
            np.testing.assert_allclose(found[column], values, rtol=1e-12, err_msg=f"{quantity} {column}")
        np.testing.assert_array_equal(found["bound"], known.bound)
