"""The cascades of a part, predicted from what each channel does alone, and compared with what was measured.

Rule: stages come from one run, so what they owe to the same draw of the bench is common to them: an analyzer that
reads 0.2 dB high makes two stages 0.4 dB high, not 0.28.

Stages count where their load is the part's input resistance, which is what they drive in the cascade; each must be
measured at equal temperature, supply mode, tone level and frequency. Their intercepts are those at that tone level.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports import cascade
from reports.derive import Characteristic
from reports.partners import Rows
from reports.uncertainty import Cause, Uncertain, choose

if TYPE_CHECKING:
    from sequences.part_file import Cascade, CascadeMeasured, Part

#: Characteristics of a channel that a cascade is made of.
STAGE_FIGURES = ("gain", "noise_figure", "oip3")

#: Quantity of a cascade → unit, in the order of the table. Levels at the outputs of the stages are ``level_1`` … .
QUANTITIES = {
    "gain": "dB",
    "gain_range": "dB",
    "noise_figure": "dB",
    "oip3": "dBm",
    "oip3_non_coherent": "dBm",
}

#: What all stages of a cascade have in common.
POINT = ("temperature_c", "supply_mode", "tone_level_dbm", "frequency_hz")

#: From this many combinations of gain codes on, per point, all stages are taken at the same code. Ours: the square of
#: 64 codes; three stages would have a quarter of a million.
MOST_COMBINATIONS = 4096

ZERO_C_K = 273.15

_COLUMNS = (
    "value", "standard_uncertainty", "expanded_uncertainty", "dof", "bound",
    "measured", "measured_expanded_uncertainty", "difference", "difference_expanded_uncertainty",
)  # fmt: skip

Stages = dict[str, Characteristic]


def of_stages(one: Characteristic, part: Part, conditions: pd.DataFrame) -> Characteristic:
    """The rows of a characteristic that cascades are made of or compared with: those at the input resistance."""
    channels = {channel for each in part.cascade for channel in (each.name, *each.stages)}
    load = conditions["load_ohm"].to_numpy(dtype=np.float64)[one.rows]
    matched = np.isclose(load, part.part.input_resistance_ohm, rtol=1e-9)
    concerned = conditions["channel"].iloc[one.rows].isin(channels).to_numpy(dtype=np.bool_)
    kept = np.flatnonzero(matched & concerned)
    return Characteristic(one.rows[kept], one.result.take(kept))


def cascade_table(part: Part, conditions: pd.DataFrame, figures: Mapping[str, Characteristic]) -> pd.DataFrame:
    """One row per cascade, combination of gain codes, point and quantity.

    Args:
        part: With its cascades.
        conditions: Of the run.
        figures: ``STAGE_FIGURES`` as far as the run has them, through ``of_stages``.

    Returns:
        Columns ``cascade``, ``quantity`` (of ``QUANTITIES``, or ``level_1`` … , the level in dBm at the output of each
        stage but the last when the last puts out the point's tone level), ``gain_code_1`` … (Int64, missing beyond a
        cascade's stages), the axes of ``POINT``, ``unit``, the prediction as ``value``, ``standard_uncertainty``,
        ``expanded_uncertainty``, ``dof`` and ``bound``; where the cascade was measured, ``measured`` with its U and
        ``difference``, measured less predicted, with the U of that; NaN elsewhere. ``gain_range`` is stated at the
        lowest codes. No rows without cascades, or without gains of all their stages.
    """
    parts = [
        frame
        for number, each in enumerate(part.cascade)
        if "gain" in figures
        for frame in _frames(_Run(part, conditions, figures), each, number)
    ]
    if not parts:
        return no_cascades()
    found = pd.concat(parts, ignore_index=True)
    codes = sorted(name for name in map(str, found.columns) if name.startswith("gain_code_"))
    return found[["cascade", "quantity", *codes, *POINT, "unit", *_COLUMNS]].astype(dict.fromkeys(codes, "Int64"))


def no_cascades() -> pd.DataFrame:
    """The table of a part without cascades: the columns, and no row."""
    return pd.DataFrame(columns=["cascade", "quantity", *POINT, "unit", *_COLUMNS])


@dataclass(frozen=True, slots=True, eq=False)
class _Run:
    part: Part
    conditions: pd.DataFrame
    figures: Mapping[str, Characteristic]

    def rows_of(self, channel: str) -> pd.DataFrame:
        """Conditions at which a channel's gain is known: ``POINT``, ``gain_code``, ``row`` (of the conditions)."""
        rows = self.figures["gain"].rows
        frame = self.conditions.iloc[rows][[*POINT, "gain_code", "channel"]].assign(row=rows)
        return frame[frame["channel"] == channel].drop(columns="channel").astype({"supply_mode": "str"})

    def at(self, word: str, rows: Rows) -> tuple[NDArray[np.bool_], Uncertain]:
        """Where a figure is known at ``rows``, and its values there, one for each row; NaN where it is not known."""
        one = self.figures.get(word)
        if one is None or not len(one.rows):
            return np.zeros(len(rows), dtype=np.bool_), Uncertain.of(np.full(len(rows), np.nan))
        place = np.full(len(self.conditions), -1, dtype=np.intp)
        place[one.rows] = np.arange(len(one.rows))
        found = place[rows]
        known = found >= 0
        result = one.result.take(np.where(known, found, 0))
        return known, Uncertain(np.where(known, result.value, np.nan), result.causes, result.bound)


@dataclass(frozen=True, slots=True, eq=False)
class _Combinations:
    """Combinations of gain codes at all points, n rows; ``frame`` holds ``POINT``, ``gain_code_i`` and ``row_i``."""

    run: _Run
    spec: Cascade
    number: int
    frame: pd.DataFrame

    def rows(self, stage: int) -> Rows:
        """Row of each combination's condition of one stage."""
        return self.frame[f"row_{stage + 1}"].to_numpy(dtype=np.intp)

    def where(self, word: str) -> NDArray[np.bool_]:
        """Where every stage has a figure."""
        known = [self.run.at(word, self.rows(stage))[0] for stage in range(len(self.spec.stages))]
        result: NDArray[np.bool_] = np.logical_and.reduce(known)
        return result

    def take(self, kept: NDArray[np.bool_]) -> _Combinations:
        return _Combinations(self.run, self.spec, self.number, self.frame[kept])

    def stages(self, *words: str) -> list[cascade.Stage]:
        """Stages and the losses between them, with the figures asked for beside the gain."""
        result: list[cascade.Stage] = []
        for place in range(len(self.spec.stages)):
            if place:
                result.append(self._gap(place - 1))
            result.append(self._stage(place, words))
        return result

    def _stage(self, place: int, words: Sequence[str]) -> cascade.Stage:
        rows = self.rows(place)
        noise = self._noise(place) if "noise_figure" in words else None
        oip3 = self.run.at("oip3", rows)[1] if "oip3" in words else None
        return cascade.Stage(self.run.at("gain", rows)[1], noise, oip3)

    def _noise(self, place: int) -> Uncertain:
        """The measured noise figure of a stage; where there is none, what the part file states, taken as exact."""
        known, measured = self.run.at("noise_figure", self.rows(place))
        stated = self.spec.noise_figure_db
        if stated is None:
            return measured
        return choose(known, measured, Uncertain.of(np.full(len(known), _one_of(stated, place))))

    def _gap(self, place: int) -> cascade.Stage:
        """Loss behind stage ``place``: one draw for each gap of each cascade, at the temperature of the run."""
        rows, known = len(self.frame), self.spec.uncertainty_db / 2
        name = self.spec.name
        cause = Cause.of(
            known,
            self.number * 1000 + place,
            rows=rows,
            distribution="normal, k = 2",
            standard=known,
            unit="dB",
            name_of=lambda draw: f"cascade {name}: loss behind stage {draw % 1000 + 1}",
        )
        loss = Uncertain.of(np.full(rows, _one_of(self.spec.loss_db, place)), {"interstage loss": cause})
        return cascade.passive(loss, self.frame["temperature_c"].to_numpy(dtype=np.float64) + ZERO_C_K)


def _one_of(values: Sequence[float], place: int) -> float:
    return values[0] if len(values) == 1 else values[place]


def _frames(run: _Run, each: Cascade, number: int) -> Iterator[pd.DataFrame]:
    """One frame per quantity that can be predicted."""
    every = _combinations(run, each, number)
    if not len(every.frame):
        return
    yield _frame(every, "gain", cascade.gain(every.stages()))
    yield from _range_frames(every)
    with_noise = every if each.noise_figure_db is not None else every.take(every.where("noise_figure"))
    if len(with_noise.frame):
        yield _frame(with_noise, "noise_figure", cascade.noise_figure(with_noise.stages("noise_figure")))
    with_oip3 = every.take(every.where("oip3"))
    if len(with_oip3.frame):
        stages = with_oip3.stages("oip3")
        yield _frame(with_oip3, "oip3", cascade.oip3(stages))
        yield _frame(with_oip3, "oip3_non_coherent", cascade.oip3(stages, coherent=False))
    output = Uncertain.of(every.frame["tone_level_dbm"].to_numpy(dtype=np.float64))
    # Stages and gaps take turns; the level behind a gap is that at the next stage's input and is not listed.
    for place, level in enumerate(cascade.level_plan(every.stages(), output)[:-1:2]):
        yield _frame(every, f"level_{place + 1}", level)


def _combinations(run: _Run, each: Cascade, number: int) -> _Combinations:
    single = [run.rows_of(channel) for channel in each.stages]
    many = math.prod(max(frame["gain_code"].nunique(), 1) for frame in single) > MOST_COMBINATIONS
    joined = single[0].rename(columns={"gain_code": "gain_code_1", "row": "row_1"})
    for place, frame in enumerate(single[1:], start=2):
        right = frame.rename(columns={"gain_code": f"gain_code_{place}", "row": f"row_{place}"})
        keys = list(POINT)
        if many:
            joined = joined.merge(right, left_on=[*keys, "gain_code_1"], right_on=[*keys, f"gain_code_{place}"])
        else:
            joined = joined.merge(right, on=keys)
    return _Combinations(run, each, number, joined.reset_index(drop=True))


def _range_frames(every: _Combinations) -> Iterator[pd.DataFrame]:
    """Gain with all stages at their highest less that with all at their lowest, for points that have both."""
    nominal = every.run.part.gain_codes.gain_of
    highest, lowest = max(nominal, key=nominal.__getitem__), min(nominal, key=nominal.__getitem__)
    codes = every.frame[[f"gain_code_{stage + 1}" for stage in range(len(every.spec.stages))]]
    top, bottom = (every.take((codes == code).all(axis=1).to_numpy()) for code in (highest, lowest))
    both = bottom.frame[list(POINT)].reset_index().merge(top.frame[list(POINT)].reset_index(), on=list(POINT))
    if highest == lowest or both.empty:
        return
    ends = [
        _Combinations(every.run, every.spec, every.number, every.frame.loc[both[side]])
        for side in ("index_y", "index_x")
    ]
    yield _frame(ends[1], "gain_range", cascade.gain(ends[0].stages()) - cascade.gain(ends[1].stages()))


def _frame(every: _Combinations, quantity: str, predicted: Uncertain) -> pd.DataFrame:
    settled = predicted.settled()
    codes = [f"gain_code_{stage + 1}" for stage in range(len(every.spec.stages))]
    frame = every.frame[[*codes, *POINT]].reset_index(drop=True)
    frame = frame.assign(
        cascade=every.spec.name,
        quantity=quantity,
        unit=QUANTITIES.get(quantity, "dBm"),
        value=settled.value,
        standard_uncertainty=settled.standard,
        expanded_uncertainty=settled.expanded,
        dof=settled.dof,
        bound=settled.bound,
        measured=np.nan,
        measured_expanded_uncertainty=np.nan,
        difference=np.nan,
        difference_expanded_uncertainty=np.nan,
    )
    for rows, measured in _measurements(every, quantity, frame):
        # Two bounds leave nothing that their difference is bounded by.
        kept = np.flatnonzero((measured.bound == 0) | (predicted.bound[rows] == 0))
        rows, measured = rows[kept], measured.take(kept)
        known, difference = measured.settled(), (measured - predicted.take(rows)).settled()
        columns = (known.value, known.expanded, difference.value, difference.expanded)
        for name, column in zip(_COLUMNS[-4:], columns, strict=True):
            frame.loc[rows, name] = column
    return frame


def _measurements(every: _Combinations, quantity: str, frame: pd.DataFrame) -> Iterator[tuple[Rows, Uncertain]]:
    """Rows of ``frame`` at which the cascade itself was measured, and what was: in this run, then given numbers."""
    if quantity in every.run.figures:
        yield _in_this_run(every, quantity, frame)
    for number, given in enumerate(every.spec.measured):
        value = {"gain": given.gain_db, "noise_figure": given.noise_figure_db, "oip3": given.oip3_dbm}.get(quantity)
        if value is not None:
            rows = np.flatnonzero(_meant(given, frame))
            known = given.uncertainty_db / 2
            cause = Cause.of(known, number, rows=len(rows), distribution="normal, k = 2", standard=known, unit="dB")
            yield rows, Uncertain.of(np.full(len(rows), value), {f"{every.spec.name} as measured": cause})


def _in_this_run(every: _Combinations, quantity: str, frame: pd.DataFrame) -> tuple[Rows, Uncertain]:
    """A channel of the cascade's name, all stages at its gain code."""
    own = every.run.rows_of(every.spec.name)
    codes = [f"gain_code_{stage + 1}" for stage in range(len(every.spec.stages))]
    keys = [*POINT, *codes]
    same = own.assign(**dict.fromkeys(codes, own["gain_code"]))[[*keys, "row"]]
    pairs = frame[keys].reset_index().merge(same, on=keys)
    there, measured = every.run.at(quantity, pairs["row"].to_numpy(dtype=np.intp))
    return pairs["index"].to_numpy(dtype=np.intp)[there], measured.take(np.flatnonzero(there))


def _meant(given: CascadeMeasured, frame: pd.DataFrame) -> NDArray[np.bool_]:
    meant = np.ones(len(frame), dtype=np.bool_)
    for place, code in enumerate(given.gain_codes, start=1):
        meant &= frame[f"gain_code_{place}"].to_numpy() == int(code)
    for axis, matcher in given.where.items():
        codes, values = frame[axis].factorize()
        meant &= np.array([matcher.matches(value) for value in values], dtype=np.bool_)[codes]
    return meant
