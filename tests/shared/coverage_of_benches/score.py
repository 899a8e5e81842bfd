"""The one way in which coverage is counted, printed and judged."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from reports.uncertainty import Uncertain

FloatArray = NDArray[np.float64]

#: Word of a characteristic (with what it was derived from, where that matters), what was found, and what is true.
Scored = Iterator[tuple[str, Uncertain, FloatArray]]

#: What must not be exceeded by a distribution's own half-width, so that more than 95 % may lie within U.
BOUNDED = ("rectangular", "U-shaped")

LEAST, MOST = 0.93, 0.98

#: A standard uncertainty below this part of the largest value is what float arithmetic left of x − x.
NOTHING = 1e-9

HEAD = (
    f"{'characteristic':34} {'values':>6} {'within U':>9} {'error/u':>8} {'hard ends':>10} {'bounds':>7} {'hold':>8}  "
    "largest contribution"
)


@dataclass
class Score:
    """Of one characteristic over all benches.

    Attributes:
        ratios: Error over U of each measured value.
        bounds: Whether each bound held: the true value is not beyond it by more than U.
        variance: Share of the variance by distribution, summed over the values.
        causes: The same by cause.
        distribution_of: Of each cause.
    """

    ratios: list[FloatArray] = field(default_factory=list)
    bounds: list[bool] = field(default_factory=list)
    variance: Counter[str] = field(default_factory=Counter)
    causes: Counter[str] = field(default_factory=Counter)
    distribution_of: dict[str, str] = field(default_factory=dict)

    def add(self, result: Uncertain, true: FloatArray) -> None:
        """Values of one bench; those whose truth is NaN do not count."""
        if not len(result):
            return
        expanded, known = result.expanded(), np.isfinite(true) & np.isfinite(result.value)
        error = result.value - true
        doubted = result.standard > NOTHING * np.abs(result.value).max()
        measured = np.flatnonzero(known & doubted & (result.bound == 0))
        self.ratios.append(error[measured] / expanded[measured])
        self.bounds += (error * result.bound <= expanded)[known & (result.bound != 0)].tolist()
        for name, cause in result.causes.items():
            share = float(np.sum(cause.variance[measured] / result.standard[measured] ** 2))
            self.variance[cause.distribution] += share  # type: ignore[assignment]  # a counter of shares, not of things
            self.causes[name] += share  # type: ignore[assignment]  # as above
            self.distribution_of[name] = cause.distribution

    def merge(self, other: Score) -> None:
        """Take another's values too."""
        self.ratios += other.ratios
        self.bounds += other.bounds
        self.variance += other.variance
        self.causes += other.causes
        self.distribution_of |= other.distribution_of

    @property
    def off_in_u(self) -> FloatArray:
        """Error of each measured value in units of its U."""
        return np.concatenate(self.ratios) if self.ratios else np.zeros(0)

    @property
    def covered(self) -> float:
        """Share of the measured values that are within U of the truth."""
        return float(np.mean(np.abs(self.off_in_u) <= 1.0))

    @property
    def error_per_u(self) -> float:
        """Root mean square of error over standard uncertainty, if k were 2 throughout."""
        return 2.0 * float(np.sqrt(np.mean(self.off_in_u**2)))

    @property
    def bounded_share(self) -> float:
        """Share of the variance from distributions with hard ends."""
        return sum(self.variance[one] for one in BOUNDED) / max(sum(self.variance.values()), 1e-300)

    @property
    def held(self) -> float:
        """Share of the bounds that held."""
        return float(np.mean(self.bounds))

    def line(self, word: str) -> str:
        """The line of the table; see ``HEAD``."""
        bounds = f"{len(self.bounds):7d} {100 * self.held:6.1f} %" if self.bounds else f"{'–':>7} {'–':>8}"
        if not len(self.off_in_u):
            return f"{word:34} {0:6d} {'–':>9} {'–':>8} {'–':>10} {bounds}"
        name, share = self.causes.most_common(1)[0]
        return (
            f"{word:34} {len(self.off_in_u):6d} {100 * self.covered:7.1f} % {self.error_per_u:8.2f} "
            f"{100 * self.bounded_share:8.0f} % {bounds}  {name} ({self.distribution_of[name]}), "
            f"{100 * share / sum(self.causes.values()):.0f} %"
        )

    def faults(self, word: str) -> list[str]:
        """What the rule says against it: 93 to 98 %, and more only where a bounded contribution dominates."""
        found = []
        if not len(self.off_in_u):
            found.append(f"{word}: nothing was measured")
        elif self.covered < LEAST:
            found.append(f"{word}: {self.covered:.1%} within U")
        elif self.covered > MOST and not (self.bounded_share > 0.5 and self._largest_is_bounded):
            found.append(f"{word}: {self.covered:.1%} within U, and no bounded contribution dominates")
        if self.bounds and self.held < LEAST:
            found.append(f"{word}: {self.held:.1%} of the bounds hold")
        return found

    @property
    def _largest_is_bounded(self) -> bool:
        return self.distribution_of[self.causes.most_common(1)[0][0]] in BOUNDED


Scores = dict[str, Score]


def scores_of(found: Iterable[Scored]) -> Scores:
    """Scores over benches."""
    scores: Scores = {}
    for one in found:
        for word, result, true in one:
            scores.setdefault(word, Score()).add(result, true)
    return scores


def merged(parts: Iterable[Mapping[str, Score]]) -> Scores:
    """Scores of several lots of benches together."""
    scores: Scores = {}
    for part in parts:
        for word, score in part.items():
            scores.setdefault(word, Score()).merge(score)
    return scores


def table(scores: Mapping[str, Score]) -> str:
    """One line for each characteristic."""
    return "\n".join([HEAD, *(score.line(word) for word, score in scores.items())])
