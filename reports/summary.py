"""What a report says: the frozen Report that every writer renders.

Rule: writers do no arithmetic; every number that is shown is here, in the unit that it is shown in.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from reports.bench_products import statements
from reports.cascade_table import STAGE_FIGURES, cascade_table, no_cascades, of_stages
from reports.caveats import caveats
from reports.characteristics import CHARACTERISTICS
from reports.conformity import conformity_probability
from reports.corrections import Corrections, corrections
from reports.decisions import UNDECIDED, Decision, decide, margin, overall, worst
from reports.derive import Characteristic, derive_each, settled_table
from reports.errors import CannotDerive
from reports.frames import AXES, no_times, none_skipped
from reports.memory import give_back
from reports.uncertainty import COVERAGE, BudgetLine, Settled, Uncertain, coverage_factor, truncated_dof
from reports.wide_readings import wide_readings
from sequences.units import plain_number, quantity_text, same_dimension, split_key, to_si

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

    from reports.frames import HazardNote, RunFacts, RunFrames
    from reports.inputs import InputFile
    from reports.typical_values import TypicalValue
    from sequences.bench_file import Bench
    from sequences.part_file import DecisionRule, Limit, Part
    from sequences.sequence_file import Sequence
    from sequences.values import Matcher

COVERAGE_STATEMENT = (
    f"Expanded uncertainties U are for a coverage probability of about {100 * COVERAGE:g} %: the standard uncertainty "
    "times the factor of Student's distribution for its effective degrees of freedom, 2 where these are not limited "
    "(JCGM 100:2008, 6 and G.4)."
)


@dataclass(frozen=True, slots=True)
class LimitResult:
    """One datasheet limit against the run. Values are in ``unit``, the limit's own.

    Attributes:
        characteristic: A word of ``CHARACTERISTICS``.
        unit: The unit in which the part file states the limit.
        where: The conditions that it holds for, as text; empty means all.
        min, max, typical: As the part file says; ``typical`` decides nothing.
        worst_value: Value at the worst condition: of those with the worst outcome, the one with the smallest margin
            less uncertainty. None if not tested.
        worst_bound: +1 if the true value is only known to be at least that, −1 at most, 0 if it was measured.
        expanded_uncertainty: U there, about 95.45 %.
        margin: Distance from the worst value to the nearer limit, negative beyond it.
        decision: One of the four outcomes, or "not tested".
        worst_condition: Axis name → value of the condition with the worst value; empty if not tested.
        worst_number: Number of that condition in the run; −1 if not tested.
        conditions: How many conditions the limit was held against.
        bounded: How many of them only bound the characteristic (the true value is at least, or at most, this).
        undecided: How many of the bounded ones do not suffice to decide. They keep a pass from being more than
            conditional.
        rule: Decision rule.
        guard_band_factor: r of the guard band w = r·U; 0 for the simple rule.
        conformity_probability: Smallest probability of conformity (JCGM 106:2012, 7) over the conditions that decide.
            A bounded value counts as if it were measured: where it decides, the true value is no worse. None if not
            tested.
        skipped: How many conditions that the limit holds for were left out, as their instruments failed in every
            attempt. They too keep a pass from being more than conditional.
        lowest, mean, highest: Of the measured values, over the conditions; None if all are bounds or none was tested.
    """

    characteristic: str
    unit: str
    where: str
    min: float | None
    max: float | None
    typical: float | None
    worst_value: float | None
    worst_bound: int
    expanded_uncertainty: float | None
    margin: float | None
    decision: Decision
    worst_condition: dict[str, object]
    worst_number: int
    conditions: int
    bounded: int
    undecided: int
    rule: DecisionRule
    guard_band_factor: float
    conformity_probability: float | None
    skipped: int = 0
    lowest: float | None = None
    mean: float | None = None
    highest: float | None = None


@dataclass(frozen=True, slots=True)
class Budget:
    """One worked uncertainty budget, at the worst condition of the characteristic's first tested limit.

    A characteristic without one shows the condition of its largest expanded uncertainty. ``lines`` are draws, largest
    first; the root sum of squares of their contributions, in ``unit``, is ``standard_uncertainty``.
    """

    characteristic: str
    unit: str
    condition: dict[str, object]
    number: int
    value: float
    standard_uncertainty: float
    dof: float
    expanded_uncertainty: float
    bound: int
    lines: tuple[BudgetLine, ...]

    @property
    def truncated_dof(self) -> float:
        """Next lower whole number of degrees of freedom; what the coverage factor is for."""
        return float(truncated_dof(np.array([self.dof]))[0])

    @property
    def coverage_factor(self) -> float:
        """k of U = k·u."""
        return float(coverage_factor(np.array([self.dof]))[0])


@dataclass(frozen=True, eq=False)
class Report:
    """One run, derived and decided.

    Attributes:
        facts, part, bench, sequence, instruments, events, hazards: As handed over in ``RunFrames``.
        decision: Worst of all limits that were tested; "not tested" if none was.
        limits: One per limit of the part file, in its order.
        characteristics: Long table: ``characteristic``, ``condition`` (number), the axes, ``value``,
            ``standard_uncertainty``, ``expanded_uncertainty``, ``dof``, ``bound`` (0 measured, 1 at least, −1 at
            most), ``unit`` (of ``CHARACTERISTICS``, not of the limit), ``flag`` of the condition.
        readings, conditions, skipped, times: As handed over.
        budgets: One per characteristic that the run holds.
        coverage_statement: What U means, and what of the bench itself it counts or leaves out.
        corrections: What was done to the readings, with which numbers.
        cascades: The part's cascades, predicted and, where measured, compared: see ``cascade_table``.
        typical: Typical values over this and other units, see ``typical_values``; empty for a unit by itself.
        remark: What a reader of the report must know before all else, e.g. that the run is a replay; empty for nothing.
        inputs: The files that it was derived with, if they are known.
    """

    facts: RunFacts
    part: Part
    bench: Bench
    sequence: Sequence
    decision: Decision
    limits: tuple[LimitResult, ...]
    characteristics: pd.DataFrame
    readings: pd.DataFrame
    conditions: pd.DataFrame
    instruments: pd.DataFrame
    events: pd.DataFrame
    hazards: tuple[HazardNote, ...]
    budgets: tuple[Budget, ...]
    coverage_statement: str
    caveats: tuple[str, ...]
    corrections: Corrections
    cascades: pd.DataFrame = field(default_factory=no_cascades)
    typical: tuple[TypicalValue, ...] = ()
    remark: str = ""
    inputs: tuple[InputFile, ...] = ()
    skipped: pd.DataFrame = field(default_factory=none_skipped)
    times: pd.DataFrame = field(default_factory=no_times)


def summarise(frames: RunFrames) -> Report:
    """Derive and decide one run.

    Raises:
        CannotDerive: A limit names no characteristic of ours, or a unit that does not fit it; or see ``derive``.
    """
    axes = {axis: _Axis.of(frames.conditions[axis]) for axis in AXES}
    wide = wide_readings(frames.conditions.index, frames.readings)
    for limit in frames.part.limit:
        _unit_factor(limit)
    held: dict[int, LimitResult] = {}
    settled: dict[str, tuple[NDArray[np.intp], Settled]] = {}
    budgets: dict[str, Budget] = {}
    stages: dict[str, Characteristic] = {}
    # One by one: with their causes all of them together would take gigabytes.
    for word, one in derive_each(frames, wide):
        settled[word] = known = (one.rows, one.result.settled())
        limits = {n: limit for n, limit in enumerate(frames.part.limit) if limit.characteristic == word}
        results = {n: _held_against(limit, known, frames.conditions, axes) for n, limit in limits.items()}
        budgets[word] = _budget(word, one, known[1], frames.conditions, tuple(results.values()))
        held |= results
        if frames.part.cascade and word in STAGE_FIGURES:
            stages[word] = of_stages(one, frames.part, frames.conditions)
        del one  # or it would still be there while the next one is made
    nothing = (np.zeros(0, np.intp), Uncertain.of(np.zeros(0)).settled())
    for number, limit in enumerate(frames.part.limit):
        if number not in held:
            held[number] = _held_against(limit, nothing, frames.conditions, axes)
    order = [word for word in CHARACTERISTICS if word in settled]
    results_in_order = tuple(
        _with_skipped(held[number], limit, frames.skipped) for number, limit in enumerate(frames.part.limit)
    )
    cautions, corrected = (*statements(frames), *caveats(frames, wide)), corrections(frames, wide)
    give_back()  # before the two long tables are made
    characteristics = settled_table({word: settled[word] for word in order}, frames.conditions)
    # The table holds all of it; what it was made of would stand beside the cascades, the longest table of a long run.
    del wide
    settled.clear()
    give_back()
    return Report(
        facts=frames.facts,
        part=frames.part,
        bench=frames.bench,
        sequence=frames.sequence,
        decision=overall(tuple(limit.decision for limit in results_in_order)),
        limits=results_in_order,
        characteristics=characteristics,
        readings=frames.readings,
        conditions=frames.conditions,
        instruments=frames.instruments,
        events=frames.events,
        hazards=frames.hazards,
        budgets=tuple(budgets[word] for word in order),
        coverage_statement=COVERAGE_STATEMENT,
        caveats=cautions,
        corrections=corrected,
        cascades=cascade_table(frames.part, frames.conditions, stages),
        skipped=frames.skipped,
        times=frames.times,
    )


def _with_skipped(result: LimitResult, limit: Limit, skipped: pd.DataFrame) -> LimitResult:
    """The result with what is not known: the worst condition may be one of those that were left out."""
    meant = sum(
        all(matcher.matches(row[axis]) for axis, matcher in limit.where.items())
        for row in skipped[list(AXES)].to_dict("records")
    )
    decision: Decision = "conditional pass" if meant and result.decision == "pass" else result.decision
    return replace(result, skipped=meant, decision=decision)


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """The different values of one axis, so that a matcher is asked once for each and not for every condition."""

    values: tuple[float | str, ...]
    codes: NDArray[np.int64]

    @classmethod
    def of(cls, column: pd.Series[float]) -> _Axis:
        codes, values = column.factorize()
        return cls(tuple(values), codes.astype(np.int64))

    def meant_by(self, matcher: Matcher) -> NDArray[np.bool_]:
        meant = np.array([matcher.matches(value) for value in self.values], dtype=np.bool_)
        result: NDArray[np.bool_] = meant[self.codes]
        return result


def _held_against(
    limit: Limit, known: tuple[NDArray[np.intp], Settled], conditions: pd.DataFrame, axes: Mapping[str, _Axis]
) -> LimitResult:
    factor = _unit_factor(limit)
    meant = np.ones(len(known[0]), dtype=np.bool_)
    for axis, matcher in limit.where.items():
        meant &= axes[axis].meant_by(matcher)[known[0]]
    rows, result = known[0][meant], known[1].scaled(meant, factor)
    value, expanded, measured = result.value, result.expanded, result.value[result.bound == 0]
    codes = decide(value, expanded, limit.min, limit.max, limit.rule, result.bound, limit.guard_band_factor)
    decision = worst(codes)
    shown: dict[str, object] = {}
    number, worst_bound, worst_value, worst_expanded, worst_margin, probability = -1, 0, None, None, None, None
    if decision != "not tested":
        margins = margin(value, limit.min, limit.max)
        place = int(np.argmin(np.where(codes == codes.max(), margins - expanded, np.inf)))
        number, shown = _condition(conditions, int(rows[place]))
        worst_value, worst_expanded = float(value[place]), float(expanded[place])
        worst_margin, worst_bound = float(margins[place]), int(result.bound[place])
        probabilities = conformity_probability(value, result.standard, result.dof, limit.min, limit.max)
        probability = float(probabilities[codes != UNDECIDED].min())
    return LimitResult(
        characteristic=limit.characteristic,
        unit=limit.unit,
        where=where_text(limit.where),
        min=limit.min,
        max=limit.max,
        typical=limit.typical,
        worst_value=worst_value,
        worst_bound=worst_bound,
        expanded_uncertainty=worst_expanded,
        margin=worst_margin,
        decision=decision,
        worst_condition=shown,
        worst_number=number,
        conditions=len(rows),
        bounded=int(np.count_nonzero(result.bound)),
        undecided=int(np.count_nonzero(codes == UNDECIDED)),
        rule=limit.rule,
        guard_band_factor=limit.guard_band_factor if limit.rule == "guard band" else 0.0,
        conformity_probability=probability,
        lowest=float(measured.min()) if len(measured) else None,
        mean=float(measured.mean()) if len(measured) else None,
        highest=float(measured.max()) if len(measured) else None,
    )


def _unit_factor(limit: Limit) -> float:
    """What a value in the characteristic's unit is multiplied with to be in the limit's."""
    definition = CHARACTERISTICS.get(limit.characteristic)
    if definition is None:
        raise CannotDerive(limit.characteristic, f"not a characteristic; there are {', '.join(CHARACTERISTICS)}")
    if not same_dimension(limit.unit, definition.unit):
        raise CannotDerive(limit.characteristic, f"it is in {definition.unit}, a limit in {limit.unit} does not fit")
    return to_si(1.0, definition.unit) / to_si(1.0, limit.unit)


def _condition(conditions: pd.DataFrame, row: int) -> tuple[int, dict[str, object]]:
    """Number and axes of a condition as plain Python values."""
    values = {axis: conditions[axis].iloc[row] for axis in AXES}
    plain = {axis: value.item() if isinstance(value, np.generic) else value for axis, value in values.items()}
    return int(conditions.index[row]), plain


def _budget(
    word: str, one: Characteristic, known: Settled, conditions: pd.DataFrame, limits: tuple[LimitResult, ...]
) -> Budget:
    place = int(np.argmax(known.expanded))
    numbers = conditions.index.to_numpy()[one.rows]
    tested = [limit.worst_number for limit in limits if limit.worst_number >= 0]
    if tested:
        place = int(np.flatnonzero(numbers == tested[0])[0])
    number, axes = _condition(conditions, int(one.rows[place]))
    return Budget(
        characteristic=word,
        unit=CHARACTERISTICS[word].unit,
        condition=axes,
        number=number,
        value=float(known.value[place]),
        standard_uncertainty=float(known.standard[place]),
        dof=float(known.dof[place]),
        expanded_uncertainty=float(known.expanded[place]),
        bound=int(known.bound[place]),
        lines=one.result.budget(place),
    )


def where_text(where: Mapping[str, Matcher]) -> str:
    """Conditions of a limit for people: ``supply mode nominal, load 200 Ω, gain code 0 … 20``; empty for all."""
    return ", ".join(
        f"{split_key(axis)[0].replace('_', ' ')} {_matcher_text(axis, one)}" for axis, one in where.items()
    )


def _matcher_text(axis: str, matcher: Matcher) -> str:
    unit = split_key(axis)[1]

    def text(value: float | str) -> str:
        if isinstance(value, str):
            return value
        return plain_number(value) if unit is None else quantity_text(value, unit.text)

    if matcher.values is not None:
        shown = [text(value) for value in matcher.values]
        return ", ".join(shown) if len(shown) <= 4 else f"{shown[0]}, {shown[1]} … {shown[-1]}"
    if math.isinf(matcher.lowest):
        return f"up to {text(matcher.highest)}"
    if math.isinf(matcher.highest):
        return f"from {text(matcher.lowest)}"
    return f"{text(matcher.lowest)} … {text(matcher.highest)}"
