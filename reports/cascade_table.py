"""The cascades of a part, predicted from what each channel does alone, and compared with what was measured.

Rule: stages come from one run, so what they owe to the same draw of the bench is common to them: an analyzer that
reads 0.2 dB high makes two stages 0.4 dB high, not 0.28.

A long run has millions of rows, so they are worked out block by block without their causes (``cascade_spread``); the
few that are compared, and the gain range, are worked out draw by draw.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reports import cascade
from reports.cascade_combinations import (
    MOST_COMBINATIONS,
    POINT,
    STAGE_FIGURES,
    Combinations,
    Run,
    combinations,
    matches,
    of_stages,
)  # fmt: skip
from reports.cascade_spread import Drawn, blocks
from reports.derive import Characteristic
from reports.memory import give_back
from reports.uncertainty import Cause, FloatArray, Rows, Settled, Uncertain

if TYPE_CHECKING:
    from sequences.part_file import CascadeMeasured, Part

__all__ = [
    "MEASURED",
    "MOST_COMBINATIONS",
    "POINT",
    "QUANTITIES",
    "STAGE_FIGURES",
    "cascade_table",
    "no_cascades",
    "of_stages",
]

#: Quantity of a cascade → unit, in the order of the table. Levels at the outputs of the stages are ``level_1`` … .
QUANTITIES = {
    "gain": "dB",
    "gain_range": "dB",
    "noise_figure": "dB",
    "oip3": "dBm",
    "oip3_non_coherent": "dBm",
}

_SETTLED = ("value", "standard", "dof", "expanded", "bound")

#: Columns that hold something where a cascade was measured.
MEASURED = ("measured", "measured_expanded_uncertainty", "difference", "difference_expanded_uncertainty")
_COLUMNS = ("value", "standard_uncertainty", "expanded_uncertainty", "dof", "bound", *MEASURED)


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
        lowest codes. Names are categories. No rows without cascades, or without gains of all their stages.
    """
    if "gain" not in figures:
        return no_cascades()
    run = Run(part, conditions, figures)
    found = [one for number, each in enumerate(part.cascade) for one in _predictions(combinations(run, each, number))]
    return _assembled(run, found) if found else no_cascades()


def no_cascades() -> pd.DataFrame:
    """The table of a part without cascades: the columns, and no row."""
    return pd.DataFrame(columns=["cascade", "quantity", *POINT, "unit", *_COLUMNS])


@dataclass(frozen=True, slots=True, eq=False)
class _Prediction:
    """One quantity of one cascade.

    Attributes:
        name: Of the cascade.
        quantity: Which.
        rows: Condition of each stage; each of shape (n,).
        settled: What is predicted.
        compared: Places with a measurement, and there the columns measured, its U, the difference, and the U of that.
    """

    name: str
    quantity: str
    rows: tuple[Rows, ...]
    settled: Settled
    compared: tuple[tuple[Rows, tuple[FloatArray, ...]], ...] = ()


def _predictions(every: Combinations) -> Iterator[_Prediction]:
    """One for each quantity that can be predicted."""
    if not len(every):
        return
    name, count = every.spec.name, len(every)
    kept = {"gain": np.ones(count, dtype=np.bool_)}
    kept["noise_figure"] = kept["gain"] if every.spec.noise_figure_db is not None else every.where("noise_figure")
    kept["oip3"] = kept["oip3_non_coherent"] = every.where("oip3")
    words = tuple(word for word in STAGE_FIGURES if kept[word].any())
    wanted = [word for word in QUANTITIES if word in kept and kept[word].any()]
    wanted += [f"level_{place}" for place in range(1, len(every.rows))]
    empty = {word: _empty(count) for word in wanted}
    for some, joint in blocks(*_drawn(every)):
        part = every.take(some)
        stages = part.stages(*words, bare=True)
        for word in wanted:
            _fill(empty[word], some, joint.settled(_form(word, stages, part), stages))
    for word in wanted:
        filled, rows = empty.pop(word), every
        if not kept.get(word, kept["gain"]).all():
            some = np.flatnonzero(kept[word])
            filled, rows = _taken(filled, some), every.take(some)
        yield _Prediction(name, word, rows.rows, filled, tuple(_compared(rows, word, filled)))
        if word == "gain":
            yield from _range(every)


def _drawn(every: Combinations) -> tuple[tuple[Drawn, ...], tuple[Rows, ...]]:
    """Channel of each stage, and for each combination the row of that channel."""
    channels = {name: every.run.drawn(name) for name in dict.fromkeys(every.spec.stages)}
    place = np.zeros(len(every.run.conditions), dtype=np.intp)
    for _, rows in channels.values():
        place[rows] = np.arange(len(rows))
    return tuple(channels[name][0] for name in every.spec.stages), tuple(place[rows] for rows in every.rows)


def _form(word: str, stages: list[cascade.Stage], part: Combinations) -> cascade.Form:
    if word == "gain":
        return cascade.gain_form(stages)
    if word == "noise_figure":
        return cascade.noise_figure_form(stages)
    if word in ("oip3", "oip3_non_coherent"):
        return cascade.oip3_form(stages, coherent=word == "oip3")
    # Stages and losses take turns; the level behind a loss is that at the next stage's input and is not listed.
    level = cascade.level_form(stages, 2 * (int(word.removeprefix("level_")) - 1))
    return cascade.Form(part.axis("tone_level_dbm") + level.value, level.terms)


def _empty(count: int) -> Settled:
    value, standard, dof, expanded = (np.empty(count) for _ in range(4))
    return Settled(value, standard, dof, expanded, np.zeros(count, dtype=np.int8))


def _fill(whole: Settled, some: Rows, part: Settled) -> None:
    for name in _SETTLED:
        getattr(whole, name)[some] = getattr(part, name)


def _taken(whole: Settled, some: Rows) -> Settled:
    return Settled(**{name: getattr(whole, name)[some] for name in _SETTLED})


def _range(every: Combinations) -> Iterator[_Prediction]:
    """Gain with all stages at their highest less that with all at their lowest, for points that have both."""
    nominal = every.run.part.gain_codes.gain_of
    highest, lowest = max(nominal, key=nominal.__getitem__), min(nominal, key=nominal.__getitem__)
    codes = [every.run.code[rows] for rows in every.rows]
    top, bottom = (
        every.take(np.flatnonzero(np.logical_and.reduce([each == code for each in codes])))
        for code in (highest, lowest)
    )
    below, above = matches(every.run.point[bottom.rows[0]], every.run.point[top.rows[0]])
    if highest == lowest or not len(below):
        return
    bottom, top = bottom.take(below), top.take(above)
    spread = cascade.gain(top.stages()) - cascade.gain(bottom.stages())
    yield _Prediction(every.spec.name, "gain_range", bottom.rows, spread.settled())


def _compared(every: Combinations, word: str, predicted: Settled) -> Iterator[tuple[Rows, tuple[FloatArray, ...]]]:
    for rows, measured in _measurements(every, word):
        # Two bounds leave nothing that their difference is bounded by.
        kept = np.flatnonzero((measured.bound == 0) | (predicted.bound[rows] == 0))
        if not len(kept):
            continue
        rows, measured = rows[kept], measured.take(kept)
        part = every.take(rows)
        stages = part.stages(word)
        known, difference = measured.settled(), (measured - _form(word, stages, part).of(stages)).settled()
        yield rows, (known.value, known.expanded, difference.value, difference.expanded)


def _measurements(every: Combinations, word: str) -> Iterator[tuple[Rows, Uncertain]]:
    """Combinations at which the cascade itself was measured, and what was: in this run, then given numbers."""
    if word in every.run.figures:
        yield _in_this_run(every, word)
    for number, given in enumerate(every.spec.measured):
        value = {"gain": given.gain_db, "noise_figure": given.noise_figure_db, "oip3": given.oip3_dbm}.get(word)
        if value is not None:
            rows = _meant(given, every)
            known = given.uncertainty_db / 2
            cause = Cause.of(known, number, rows=len(rows), distribution="normal, k = 2", standard=known, unit="dB")
            yield rows, Uncertain.of(np.full(len(rows), value), {f"{every.spec.name} as measured": cause})


def _in_this_run(every: Combinations, word: str) -> tuple[Rows, Uncertain]:
    """A channel of the cascade's name, all stages at its gain code."""
    run = every.run
    own = run.rows_of(every.spec.name)
    first = run.code[every.rows[0]]
    same = np.flatnonzero(np.logical_and.reduce([run.code[rows] == first for rows in every.rows]))
    key = run.point * (run.code_number.max() + 1) + run.code_number
    left, right = matches(key[every.rows[0][same]], key[own])
    there, measured = run.at(word, own[right])
    return same[left][there], measured.take(np.flatnonzero(there))


def _meant(given: CascadeMeasured, every: Combinations) -> Rows:
    """Combinations that given numbers are of."""
    meant = [every.run.code[rows] == int(code) for rows, code in zip(every.rows, given.gain_codes, strict=True)]
    found = np.flatnonzero(np.logical_and.reduce(meant))
    for axis, matcher in given.where.items():
        codes, values = every.run.conditions[axis].iloc[every.rows[0][found]].factorize()
        found = found[np.array([matcher.matches(value) for value in values], dtype=np.bool_)[codes]]
    return found


def _assembled(run: Run, found: list[_Prediction]) -> pd.DataFrame:
    """The table; ``found`` is emptied, so that a long one is never there twice."""
    lengths = [len(one.rows[0]) for one in found]
    columns: dict[str, object] = {
        "cascade": _category([one.name for one in found], lengths),
        "quantity": _category([one.quantity for one in found], lengths),
    }
    for stage in range(max(len(one.rows) for one in found)):
        codes = [
            run.code[one.rows[stage]] if stage < len(one.rows) else np.zeros(n, np.int64)
            for one, n in zip(found, lengths, strict=True)
        ]
        missing = np.repeat([stage >= len(one.rows) for one in found], lengths)
        columns[f"gain_code_{stage + 1}"] = pd.arrays.IntegerArray(np.concatenate(codes), missing)
    rows = np.concatenate([one.rows[0] for one in found])
    for axis in POINT:
        column = run.conditions[axis]
        is_name = axis == "supply_mode"
        columns[axis] = column.astype("category").array.take(rows) if is_name else column.to_numpy()[rows]
    columns["unit"] = _category([QUANTITIES.get(one.quantity, "dBm") for one in found], lengths)
    columns |= dict(zip(MEASURED, _measured_columns(found, lengths), strict=True))
    values = {name: [getattr(one.settled, name) for one in found] for name in _SETTLED}
    found.clear()
    for name, word in zip(
        _SETTLED, ("value", "standard_uncertainty", "dof", "expanded_uncertainty", "bound"), strict=True
    ):
        columns[word] = np.concatenate(values.pop(name))
        give_back()
    order = [*(name for name in columns if name not in _COLUMNS), *_COLUMNS]
    # All columns were made here, so nobody else can change them; copying them would double the peak of a long run.
    return pd.DataFrame({name: columns[name] for name in order}, copy=False)


def _category(words: list[str], lengths: list[int]) -> pd.Categorical:
    different = list(dict.fromkeys(words))
    codes = np.repeat(np.array([different.index(word) for word in words], dtype=np.int8), lengths)
    return pd.Categorical.from_codes(codes, categories=pd.Index(different, dtype=object))


def _measured_columns(found: list[_Prediction], lengths: list[int]) -> list[FloatArray]:
    if not any(one.compared for one in found):
        # A long run seldom has any of them: one number that stands for all rows.
        return [np.broadcast_to(np.nan, sum(lengths))] * len(MEASURED)
    columns = [np.full(sum(lengths), np.nan) for _ in MEASURED]
    for one, end in zip(found, np.cumsum(lengths), strict=True):
        for rows, values in one.compared:
            for column, value in zip(columns, values, strict=True):
                column[end - len(one.rows[0]) + rows] = value
    return columns
