"""Combinations of gain codes of a part's cascades: which there are, and what is known of their stages.

Stages count where their load is the part's input resistance, which is what they drive in the cascade; each must be
measured at equal temperature, supply mode, tone level and frequency. Their intercepts are those at that tone level.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports import cascade
from reports.cascade_spread import Drawn, first_numbers
from reports.derive import Characteristic
from reports.uncertainty import Cause, FloatArray, IntArray, Rows, Uncertain, choose

if TYPE_CHECKING:
    from sequences.part_file import Cascade, Part

#: Characteristics of a channel that a cascade is made of.
STAGE_FIGURES = ("gain", "noise_figure", "oip3")

#: What all stages of a cascade have in common.
POINT = ("temperature_c", "supply_mode", "tone_level_dbm", "frequency_hz")

#: From this many combinations of gain codes on, per point, all stages are taken at the same code. Ours: the square of
#: 64 codes; three stages would have a quarter of a million.
MOST_COMBINATIONS = 4096

ZERO_C_K = 273.15


def of_stages(one: Characteristic, part: Part, conditions: pd.DataFrame) -> Characteristic:
    """The rows of a characteristic that cascades are made of or compared with: those at the input resistance."""
    channels = {channel for each in part.cascade for channel in (each.name, *each.stages)}
    load = conditions["load_ohm"].to_numpy(dtype=np.float64)[one.rows]
    matched = np.isclose(load, part.part.input_resistance_ohm, rtol=1e-9)
    concerned = conditions["channel"].iloc[one.rows].isin(channels).to_numpy(dtype=np.bool_)
    kept = np.flatnonzero(matched & concerned)
    return Characteristic(one.rows[kept], one.result.take(kept))


@dataclass(frozen=True, eq=False)
class Run:
    """A run's conditions, numbered for joining, and its figures as ``of_stages`` leaves them."""

    part: Part
    conditions: pd.DataFrame
    figures: Mapping[str, Characteristic]

    @cached_property
    def point(self) -> IntArray:
        """Number of the point of each condition, −1 where no gain is known."""
        rows = self.figures["gain"].rows
        numbers = np.full(len(self.conditions), -1, dtype=np.int64)
        points = self.conditions[list(POINT)].iloc[rows]
        numbers[rows] = points.groupby(list(POINT), observed=True, sort=False).ngroup()
        return numbers

    @cached_property
    def code(self) -> IntArray:
        """Gain code of each condition."""
        return self.conditions["gain_code"].to_numpy(dtype=np.int64)

    @cached_property
    def code_number(self) -> IntArray:
        """Gain codes counted from 0."""
        result: IntArray = np.unique(self.code, return_inverse=True)[1].astype(np.int64)
        return result

    def rows_of(self, channel: str) -> Rows:
        """Conditions at which a channel's gain is known."""
        rows = self.figures["gain"].rows
        return rows[(self.conditions["channel"].iloc[rows] == channel).to_numpy(dtype=np.bool_)]

    def place(self, word: str) -> Rows:
        """Where the value of a figure at each condition is; −1 for nowhere."""
        if word not in self._places:
            place = np.full(len(self.conditions), -1, dtype=np.intp)
            if word in self.figures:
                rows = self.figures[word].rows
                place[rows] = np.arange(len(rows))
            self._places[word] = place
        return self._places[word]

    @cached_property
    def _places(self) -> dict[str, Rows]:
        return {}

    def at(self, word: str, rows: Rows, *, bare: bool = False) -> tuple[NDArray[np.bool_], Uncertain]:
        """Where a figure is known at ``rows``, and its values there, one for each row; NaN where it is not known.

        ``bare`` leaves out the causes, which are many times the values.
        """
        one = self.figures.get(word)
        if one is None or not len(one.rows):
            return np.zeros(len(rows), dtype=np.bool_), Uncertain.of(np.full(len(rows), np.nan))
        found = self.place(word)[rows]
        known = found >= 0
        place = np.where(known, found, 0)
        # What stands where nothing is known is NaN, of no cause and bounded by nothing.
        causes = {} if bare else one.result.take(place).scaled(known.astype(np.float64)).causes
        value = np.where(known, one.result.value[place], np.nan)
        return known, Uncertain(value, causes, np.where(known, one.result.bound[place], 0).astype(np.int8))

    @cached_property
    def first(self) -> dict[str, int]:
        """Number of the first draw of each cause."""
        return first_numbers([one.result for one in self.figures.values()])

    def drawn(self, channel: str) -> tuple[Drawn, Rows]:
        """A channel's figures by point, and the conditions that its rows are of."""
        rows = self.rows_of(channel)
        rows = rows[np.argsort(self.point[rows], kind="stable")]
        figures: dict[str, Uncertain] = {word: self.at(word, rows)[1] for word in STAGE_FIGURES if word in self.figures}
        return Drawn(self.point[rows], figures, self.first), rows


@dataclass(frozen=True, slots=True, eq=False)
class Combinations:
    """Combinations of gain codes of one cascade at all points, n of them: the condition of each stage."""

    run: Run
    spec: Cascade
    number: int
    rows: tuple[Rows, ...]

    def __len__(self) -> int:
        return len(self.rows[0])

    def where(self, word: str) -> NDArray[np.bool_]:
        """Where every stage has a figure."""
        result: NDArray[np.bool_] = np.logical_and.reduce([self.run.place(word)[rows] >= 0 for rows in self.rows])
        return result

    def take(self, some: Rows) -> Combinations:
        """Those asked for, in that order."""
        return Combinations(self.run, self.spec, self.number, tuple(rows[some] for rows in self.rows))

    def stages(self, *words: str, bare: bool = False) -> list[cascade.Stage]:
        """Stages and the losses between them, with the figures asked for beside the gain; ``bare`` as in ``Run``."""
        result: list[cascade.Stage] = []
        for place, rows in enumerate(self.rows):
            if place:
                result.append(self._gap(place - 1))
            noise = self._noise(place, bare=bare) if "noise_figure" in words else None
            oip3 = self.run.at("oip3", rows, bare=bare)[1] if "oip3" in words else None
            result.append(cascade.Stage(self.run.at("gain", rows, bare=bare)[1], noise, oip3))
        return result

    def _noise(self, place: int, *, bare: bool) -> Uncertain:
        """The measured noise figure of a stage; where there is none, what the part file states, taken as exact."""
        known, measured = self.run.at("noise_figure", self.rows[place], bare=bare)
        stated = self.spec.noise_figure_db
        if stated is None:
            return measured
        return choose(known, measured, Uncertain.of(np.full(len(known), _one_of(stated, place))))

    def _gap(self, place: int) -> cascade.Stage:
        """Loss behind stage ``place``: one draw for each gap of each cascade, at the temperature of the run."""
        known, name = self.spec.uncertainty_db / 2, self.spec.name
        cause = Cause.of(
            known,
            self.number * 1000 + place,
            rows=len(self),
            distribution="normal, k = 2",
            standard=known,
            unit="dB",
            name_of=lambda draw: f"cascade {name}: loss behind stage {draw % 1000 + 1}",
        )
        loss = Uncertain.of(np.full(len(self), _one_of(self.spec.loss_db, place)), {"interstage loss": cause})
        return cascade.passive(loss, self.axis("temperature_c") + ZERO_C_K)

    def axis(self, axis: str) -> FloatArray:
        """A swept value of each combination, or its gain code where all stages have the same."""
        return self.run.conditions[axis].to_numpy(dtype=np.float64)[self.rows[0]]


def _one_of(values: Sequence[float], place: int) -> float:
    return values[0] if len(values) == 1 else values[place]


def combinations(run: Run, each: Cascade, number: int) -> Combinations:
    """All combinations of the codes of a cascade, or those of equal codes, point by point of the first stage's rows.

    Args:
        run: With the gains of its stages.
        each: The cascade.
        number: Which of the part's cascades it is.
    """
    single = [run.rows_of(channel) for channel in each.stages]
    many = math.prod(max(len(np.unique(run.code[rows])), 1) for rows in single) > MOST_COMBINATIONS
    key = run.point * (run.code_number.max() + 1) + run.code_number if many else run.point
    joined: tuple[Rows, ...] = (single[0],)
    for rows in single[1:]:
        left, right = matches(key[joined[0]], key[rows])
        joined = (*(each[left] for each in joined), rows[right])
    return Combinations(run, each, number, joined)


def matches(left: IntArray, right: IntArray) -> tuple[Rows, Rows]:
    """All places of equal numbers, in the order of the left ones and then of the right ones."""
    order = np.argsort(right, kind="stable")
    first, behind = (np.searchsorted(right[order], left, side=side) for side in ("left", "right"))
    count = behind - first
    place = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.repeat(np.arange(len(left)), count), order[np.repeat(first, count) + place]
