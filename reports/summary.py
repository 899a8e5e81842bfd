"""What a report says: the frozen Report that every writer renders.

Rule: writers do no arithmetic; every number that is shown is here, in the unit that it is shown in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.uncertainty import BudgetLine

if TYPE_CHECKING:
    import pandas as pd

    from reports.decisions import Decision
    from reports.frames import HazardNote, RunFacts
    from sequences.bench_file import Bench
    from sequences.part_file import DecisionRule, Part
    from sequences.sequence_file import Sequence


@dataclass(frozen=True, slots=True)
class LimitResult:
    """One datasheet limit against the run. Values are in ``unit``, the limit's own.

    Attributes:
        characteristic: A word of ``CHARACTERISTICS``.
        unit: The unit in which the part file states the limit.
        where: The conditions that it holds for, as text; empty means all.
        min, max, typical: As the part file says; ``typical`` decides nothing.
        worst_value: Value at the condition with the smallest margin less uncertainty; None if not tested.
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
    """

    characteristic: str
    unit: str
    where: str
    min: float | None
    max: float | None
    typical: float | None
    worst_value: float | None
    expanded_uncertainty: float | None
    margin: float | None
    decision: Decision
    worst_condition: dict[str, object]
    worst_number: int
    conditions: int
    bounded: int
    undecided: int
    rule: DecisionRule


@dataclass(frozen=True, slots=True)
class Budget:
    """One worked uncertainty budget, at the condition of the characteristic's largest expanded uncertainty.

    ``lines`` are in ``unit``, largest first; their root sum of squares is ``standard_uncertainty``.
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


@dataclass(frozen=True, eq=False)
class Report:
    """One run, derived and decided.

    Attributes:
        facts, part, bench, sequence, instruments, events, hazards: As handed over in ``RunFrames``.
        decision: Worst of all limits that were tested; "not tested" if none was.
        limits: One per limit of the part file, in its order.
        characteristics: Long table: ``characteristic``, ``condition`` (number), the axes, ``value``,
            ``standard_uncertainty``, ``expanded_uncertainty``, ``dof``, ``bound`` (0 measured, 1 at least, −1 at
            most), ``unit`` (of ``CHARACTERISTICS``, not of the limit).
        readings, conditions: As handed over.
        budgets: One per characteristic that the run holds.
        coverage_statement: One sentence on what U means.
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
