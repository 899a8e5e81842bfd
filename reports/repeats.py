"""What repeats show beyond the scatter within each reading, pooled over a run.

Few repeats of one condition show little: the standard deviation of two has one degree of freedom, and its factor is 14.
The same bench scatters at every condition, so that all repeats of a run speak together (pooled estimate, JCGM 100:2008,
4.2.4), and what they show is counted at each condition.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from reports.uncertainty import Cause, Naming
from reports.wide_readings import WideReadings

FloatArray = NDArray[np.float64]


def scatter_of_repeats(
    wide: WideReadings, quantity: str, number: NDArray[np.int64], unit: str, name_of: Naming, within: str | None = None
) -> Cause | None:
    """Cause for the mean over the repeats of ``quantity``, in its unit (dB for levels); None if nothing was repeated.

    Variance between repeats less that which their readings state themselves, mean over all conditions weighted with
    n − 1, is what came between them; of it the mean of n repeats keeps 1/n.

    Args:
        wide: Readings of the run.
        quantity: A word of ``READINGS``.
        number: Draw of each condition, shape (conditions,); no two share one.
        unit: For the budget.
        name_of: Words for a draw.
        within: Quantity that holds the standard deviation of each single reading; None: it states none.
    """
    rows = wide.rows
    count = wide.repeats.get(quantity, np.ones(rows))
    spread = wide.spread.get(quantity, np.zeros(rows))
    stated = np.zeros(rows) if within is None else wide.of(within)
    weight = np.where(np.isfinite(spread) & np.isfinite(stated), np.maximum(count - 1.0, 0.0), 0.0)
    dof = float(weight.sum())
    if dof == 0:
        return None
    excess = np.where(weight > 0, weight * (spread**2 * count - stated**2), 0.0)
    between = float(np.sqrt(max(0.0, excess.sum() / dof)))
    contribution = between / np.sqrt(np.maximum(count, 1.0))
    return Cause.of(
        contribution, number, rows=rows, kind="A", distribution="normal", dof=np.full(rows, dof), standard=contribution,
        unit=unit, name_of=name_of,
    )  # fmt: skip
