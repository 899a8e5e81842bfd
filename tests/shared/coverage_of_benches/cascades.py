"""Cascades of a run's channels, through the table that a report shows, against stages whose truth the rig tells.

The loss between two stages is drawn as the part file states it. What the table says of each figure is made once more
from the run's figures here, for the table no longer holds the causes; both must agree.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from coverage_of_benches.score import FloatArray, Scored
from coverage_of_benches.two_tone import true_figures
from reports import cascade
from reports.cascade_table import STAGE_FIGURES, cascade_table, of_stages
from reports.partners import Rows
from reports.uncertainty import Cause, Uncertain
from sequences.part_file import Cascade

if TYPE_CHECKING:
    import pandas as pd

    from coverage_of_benches.nights import Night
    from reports.derive import Characteristic, Derived
    from reports.frames import RunFrames

LOSS_DB, LOSS_U_DB = 1.5, 0.1

A_INTO_B = Cascade(name="A into B", stages=("A", "B"), loss_db=(LOSS_DB,), uncertainty_db=LOSS_U_DB)

NOISE_REFERENCE_K = 290.0

ZERO_C_K = 273.15


def scored(seed: int, frames: RunFrames, derived: Derived, night: Night) -> Scored:
    """Every quantity of the cascade of both channels, under ``cascade`` and its name."""
    figures: dict[str, Characteristic] = {
        word: of_stages(derived[word], frames.part, frames.conditions) for word in STAGE_FIGURES
    }
    part = frames.part.model_copy(update={"cascade": (A_INTO_B,)})
    table = cascade_table(part, frames.conditions, figures)
    loss_db = LOSS_DB + float(np.random.default_rng(seed).normal(0, LOSS_U_DB / 2))
    true = {word: one.result.value for word, one in true_figures(replace(night, frames=frames)).items()}
    truth = {"gain": true["gain"], "oip3": true["oip3"], "noise_figure": night.true("noise_figure")}
    for word in sorted(set(table["quantity"])):
        told = table[table["quantity"] == word].reset_index(drop=True)
        stages = [_rows(frames, told, place, channel) for place, channel in enumerate("AB", start=1)]
        if word == "gain_range":
            tops = [_rows(frames, told.assign(**{f"gain_code_{n}": 0}), n, "AB"[n - 1]) for n in (1, 2)]
            found = _gain(derived, tops) - _gain(derived, stages)
            value = np.zeros(len(told))
            for top, rows in zip(tops, stages, strict=True):
                value = value + truth["gain"][top] - truth["gain"][rows]
        else:
            found = _predicted(word, derived, stages, told)
            value = _true(word, truth, stages, told, loss_db)
        np.testing.assert_allclose(found.value, told["value"], rtol=1e-9)
        np.testing.assert_allclose(found.standard, told["standard_uncertainty"], rtol=1e-9)
        yield f"cascade {word}", found, value


def _rows(frames: RunFrames, told: pd.DataFrame, place: int, channel: str) -> Rows:
    """Row of the conditions at which one stage of each combination was measured."""
    keys = zip(*(frames.conditions[axis].tolist() for axis in ("channel", "gain_code", "temperature_c")), strict=True)
    row_of = {key: row for row, key in enumerate(keys)}
    codes, temperatures = told[f"gain_code_{place}"].tolist(), told["temperature_c"].tolist()
    return np.array([row_of[channel, int(code), at] for code, at in zip(codes, temperatures, strict=True)])


def _figure(derived: Derived, word: str, rows: Rows) -> Uncertain:
    place = {row: at for at, row in enumerate(derived[word].rows.tolist())}
    return derived[word].result.take(np.array([place[row] for row in rows.tolist()]))


def _gain(derived: Derived, stages: list[Rows]) -> Uncertain:
    return _figure(derived, "gain", stages[0]) + _figure(derived, "gain", stages[1])


def _predicted(word: str, derived: Derived, stages: list[Rows], told: pd.DataFrame) -> Uncertain:
    known = LOSS_U_DB / 2
    cause = Cause.of(known, rows=len(told), distribution="normal, k = 2", standard=known, unit="dB")
    loss = Uncertain.of(np.full(len(told), LOSS_DB), {"interstage loss": cause})
    gap = cascade.passive(loss, told["temperature_c"].to_numpy(dtype=np.float64) + ZERO_C_K)
    both = [
        cascade.Stage(
            _figure(derived, "gain", rows),
            _figure(derived, "noise_figure", rows) if word == "noise_figure" else None,
            _figure(derived, "oip3", rows) if word.startswith("oip3") else None,
        )
        for rows in stages
    ]
    chain = [both[0], gap, both[1]]
    if word == "gain":
        return cascade.gain(chain)
    if word == "noise_figure":
        return cascade.noise_figure(chain)
    if word.startswith("oip3"):
        return cascade.oip3(chain, coherent=word == "oip3")
    assert word == "level_1"
    return Uncertain.of(told["tone_level_dbm"].to_numpy(dtype=np.float64)) - both[1].gain + loss


def _true(
    word: str, truth: dict[str, FloatArray], stages: list[Rows], told: pd.DataFrame, loss_db: float
) -> FloatArray:
    """By the textbook formulas for two stages with a loss between: powers, with ratios written out."""
    first, second = stages
    gains = truth["gain"][first] - loss_db, truth["gain"][second]
    if word == "gain":
        gain: FloatArray = gains[0] + gains[1]
        return gain
    if word == "level_1":
        level: FloatArray = told["tone_level_dbm"].to_numpy(dtype=np.float64) - gains[1] + loss_db
        return level
    if word == "noise_figure":
        factors = [10 ** (truth["noise_figure"][rows] / 10) for rows in stages]
        loss_factor = 1 + (10 ** (loss_db / 10) - 1) * (told["temperature_c"].to_numpy() + ZERO_C_K) / NOISE_REFERENCE_K
        behind_first = 10 ** (truth["gain"][first] / 10)
        factor = factors[0] + (loss_factor - 1) / behind_first + (factors[1] - 1) / 10 ** (gains[0] / 10)
        figure: FloatArray = 10 * np.log10(factor)
        return figure
    parts = [10 ** (-(truth["oip3"][first] - loss_db + gains[1]) / 10), 10 ** (-truth["oip3"][second] / 10)]
    together = parts[0] + parts[1] if word == "oip3" else np.hypot(*parts)
    intercept: FloatArray = -10 * np.log10(together)
    return intercept
