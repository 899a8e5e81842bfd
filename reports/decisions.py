"""Characteristic and limit → one of four outcomes, by a stated decision rule.

Rule: a value exactly at a limit conforms, and a value exactly at the edge of a guard band has the better outcome.

Outcomes are those of the non-binary rule of ILAC-G8:09/2019, 4.2.3, with the guard band w = U (k = 2):

    pass               margin ≥ w
    conditional pass   0 ≤ margin < w
    conditional fail   −w ≤ margin < 0
    fail               margin < −w

where margin is the distance to the nearer limit, negative beyond it. A limit may ask for another width, w = r·U, by its
``guard_band_factor`` r (ILAC-G8, Table 1, lists bands of that kind; from memory, not seen). The "simple" rule (4.2.1)
has w = 0, so it knows pass and fail only. ILAC-G8 does not say on which side equality falls; that is our choice, as is
what a bound decides: a value only known to be at least (or at most) something passes, perhaps conditionally, if the
worst value it allows conforms; it fails, perhaps conditionally, if the best value that it allows does not; otherwise it
does not decide.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from reports.errors import ShapeFault

if TYPE_CHECKING:
    from sequences.part_file import DecisionRule

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int8]

Outcome = Literal["pass", "conditional pass", "conditional fail", "fail"]
Decision = Literal["pass", "conditional pass", "conditional fail", "fail", "not tested"]

#: Best first; the index is the code in the arrays of ``decide``.
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)

#: Code of a bounded value that does not suffice to decide.
UNDECIDED = -1

#: Differences below this part of the limit's size are float noise: 4.999999999999999 conforms to 5, and 5 to it.
FLOAT_NOISE = 1e-12


def margin(value: FloatArray, limit_min: float | None, limit_max: float | None) -> FloatArray:
    """Distance to the nearer limit, negative beyond it, in the value's unit; shape (n,) to (n,).

    Raises:
        ShapeFault: Neither limit is given.
    """
    if limit_min is None and limit_max is None:
        raise ShapeFault("a margin needs a min, a max or both")
    below = value - limit_min if limit_min is not None else np.full(value.shape, np.inf)
    above = limit_max - value if limit_max is not None else np.full(value.shape, np.inf)
    nearest: FloatArray = np.minimum(below, above)
    scale = max(abs(limit) for limit in (limit_min, limit_max) if limit is not None)
    return np.where(np.abs(nearest) <= FLOAT_NOISE * scale, 0.0, nearest)


def decide(
    value: FloatArray,
    expanded: FloatArray,
    limit_min: float | None,
    limit_max: float | None,
    rule: DecisionRule = "guard band",
    bound: NDArray[np.int8] | None = None,
    guard_band_factor: float = 1.0,
) -> IntArray:
    """Outcome of each value, as index into ``OUTCOMES`` or ``UNDECIDED``.

    Args:
        value: Shape (n,), in the limit's unit.
        expanded: Expanded uncertainty U (k = 2), shape (n,), same unit.
        limit_min, limit_max: The limit; None where it has no such side.
        rule: "guard band" has w = ``guard_band_factor`` · U, "simple" w = 0.
        bound: Shape (n,): 0 measured, +1 the true value is at least ``value``, −1 at most. None: all measured.

    Raises:
        ShapeFault: Shapes differ, a value or an uncertainty is not a number, or no limit is given.
    """
    if value.shape != expanded.shape or (bound is not None and bound.shape != value.shape):
        raise ShapeFault(f"{value.shape} values, {expanded.shape} uncertainties")
    if not (np.all(np.isfinite(value)) and np.all(expanded >= 0)):
        raise ShapeFault("values must be finite and uncertainties not negative")
    guard = guard_band_factor * expanded if rule == "guard band" else np.zeros_like(expanded)
    outcome = _outcome(margin(value, limit_min, limit_max), guard)
    if bound is None:
        return outcome
    # "At least" speaks for the min and against the max; it can never show that a max is kept or a min broken.
    against_min, against_max = _side(value, guard, limit_min, 1), _side(value, guard, limit_max, -1)
    kept_side = np.where(bound > 0, against_min, against_max)
    broken_side = np.where(bound > 0, against_max, against_min)
    other_side_open = np.where(bound > 0, limit_max is not None, limit_min is not None)
    kept = np.where((kept_side <= 1) & ~other_side_open, kept_side, UNDECIDED)
    return np.where(bound == 0, outcome, np.where(broken_side >= 2, broken_side, kept)).astype(np.int8)


def _side(value: FloatArray, guard: FloatArray, limit: float | None, sign: int) -> IntArray:
    """Outcome against one side alone; pass where there is no such side."""
    if limit is None:
        return np.zeros(value.shape, dtype=np.int8)
    nearest = margin(value, limit, None) if sign > 0 else margin(value, None, limit)
    return _outcome(nearest, guard)


def _outcome(nearest: FloatArray, guard: FloatArray) -> IntArray:
    slack = FLOAT_NOISE * np.maximum(np.abs(nearest), guard)
    code = np.where(nearest >= guard - slack, 0, np.where(nearest >= 0, 1, np.where(nearest >= -guard - slack, 2, 3)))
    return code.astype(np.int8)


def worst(codes: IntArray) -> Decision:
    """Decision of a limit from the outcomes at its conditions.

    The worst outcome counts. With some conditions undecided a pass is at best conditional; with nothing decided, or no
    condition at all, the limit is "not tested".
    """
    decided = codes[codes != UNDECIDED]
    if not decided.size:
        return "not tested"
    code = int(decided.max())
    if code == 0 and decided.size < codes.size:
        code = 1
    return OUTCOMES[code]


def overall(decisions: tuple[Decision, ...]) -> Decision:
    """Decision of a run: the worst of its limits.

    A limit that was not tested says nothing about the unit, so it does not count here; it stays listed by name. Only a
    run that tested no limit at all is "not tested".
    """
    codes = [OUTCOMES.index(decision) for decision in decisions if decision != "not tested"]
    return OUTCOMES[max(codes)] if codes else "not tested"
