"""Which one error of a bench would explain the differences of two runs best.

The differences d have the covariance V that the files declare (``draw_matrix``). If one draw is further off than it
should be, d is shifted along g, what that draw adds to each value. Least squares with V as weight (Aitken 1935; from
memory, not seen) estimate the shift,

    e = gᵀV⁻¹d / gᵀV⁻¹g,   u(e) = 1 / √(gᵀV⁻¹g),   t = e / u(e),

and t is standard normal if all is as declared. u(e) holds the draw's own declared uncertainty: t says whether the error
is beyond that. A thousand conditions behind one cable are one look at that cable, for V knows what they share; t does
not grow with their number. The draw with the largest |t| is named first; its shift is taken out, and the rest looked at
again, until what is left is within chance.

Draws that shift the same conditions alike cannot be told apart by any statistics; they are named together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reports.draw_matrix import Draw, DrawMatrix

FloatArray = NDArray[np.float64]

#: What the declared errors do not describe of a value, as part of its standard uncertainty: sensitivities are those of
#: first order. Ours: without it, values that owe all to shared draws would be expected to fit to the last digit.
BEYOND_MODEL = 0.1

#: Draws that are told apart from a value's own, those in most values. Ours: a bench has some hundred; beyond are noise
#: and the like, which few values share, and their matrix takes longer than the derivation.
MOST_DRAWS = 800

#: Draws whose directions agree better than this shift the same conditions alike. Ours.
ALIKE = 0.9

#: Draws in whose direction the differences are shifted nearly as far, as part of the largest |t|, and that point the
#: same way rather than not: chance alone decides between them. Named is the one that would have to be off by the
#: smallest multiple of its declared uncertainty: a path's loss rather than its mismatch at one frequency. Ours.
NEARLY, SAME_WAY = 0.9, 0.5

#: Multiples of the declared uncertainty that differ by less make no error likelier than another. Ours.
AS_LIKELY = 1.5

#: Suspicions that are looked for at once. Ours: after so many a person looks at the bench itself.
MOST_SUSPECTS = 4


@dataclass(frozen=True, slots=True)
class Effect:
    """What a suspect adds to the differences of one characteristic.

    Attributes:
        characteristic: Its word.
        shift: Root mean square over the conditions that it is in with the sign of the mean, in the characteristic's
            unit; the same everywhere for a path's loss.
        expanded: U of ``shift``, k = 2.
        conditions: How many it is in.
    """

    characteristic: str
    shift: float
    expanded: float
    conditions: int


@dataclass(frozen=True, slots=True)
class Suspect:
    """One error that is further off than declared, or the largest there is.

    Attributes:
        draw: Cause and instance.
        alike: Draws that would shift the same conditions alike.
        effects: What it does to each characteristic that it is in, in the order in which they were given.
        score: |t| / 2: |E_n| of the shift where two benches measured one unit.
    """

    draw: Draw
    alike: tuple[Draw, ...]
    effects: tuple[Effect, ...]
    score: float


@dataclass(frozen=True, eq=False)
class Differences:
    """Known differences of one characteristic, shape (values,), and their draws."""

    characteristic: str
    value: FloatArray
    drawn: DrawMatrix


def suspects(parts: Sequence[Differences], may_be: Callable[[Draw], bool], least: float) -> tuple[Suspect, ...]:
    """The worst suspect of several characteristics together, and further ones as long as they are beyond ``least``.

    Args:
        parts: Characteristics that rest on the same readings; what is derived from them adds nothing.
        may_be: Whether a draw is an error that a bench may have.
        least: |t| from which a suspicion is beyond chance.
    """
    drawn = DrawMatrix.stacked([part.drawn for part in parts])
    columns = _told_apart(drawn)
    if not len(columns):
        return ()
    scores, information = _scores(np.concatenate([part.value for part in parts]), drawn, columns)
    open_ = np.array([may_be(drawn.draws[column]) for column in columns], dtype=np.bool_)
    smallest = 1e-9 * information.diagonal().max(initial=0.0)
    found: list[Suspect] = []
    while len(found) < MOST_SUSPECTS:
        known = np.maximum(information.diagonal(), 0.0)
        open_ = open_ & (known > smallest)
        t = np.divide(scores, np.sqrt(known), out=np.zeros(len(columns)), where=open_)
        best = int(np.argmax(np.abs(t)))
        if not open_.any() or (found and abs(t[best]) < least):
            break
        rivals = open_ & (_agreement(information, best, open_) > SAME_WAY) & (np.abs(t) >= NEARLY * abs(t[best]))
        shift = np.divide(scores, known, out=np.full(len(columns), np.inf), where=rivals)
        likely = rivals & (np.abs(shift) <= AS_LIKELY * np.abs(shift).min())
        best = int(np.argmax(np.where(likely, np.abs(t), -1.0)))
        alike = np.flatnonzero(rivals | (_agreement(information, best, open_) > ALIKE))
        sigmas, uncertain = scores[best] / known[best], 2.0 / np.sqrt(known[best])
        suspect = Suspect(
            drawn.draws[columns[best]],
            tuple(drawn.draws[columns[one]] for one in alike.tolist() if one != best),
            tuple(_effects(parts, drawn.draws[columns[best]], float(sigmas), float(uncertain))),
            abs(float(t[best])) / 2.0,
        )
        found.append(suspect)
        open_[alike] = False
        scores = scores - information[best] * scores[best] / known[best]
        information = information - np.outer(information[best], information[best]) / known[best]
    return tuple(found)


def _agreement(information: FloatArray, best: int, open_: NDArray[np.bool_]) -> FloatArray:
    """|Correlation| of each draw's shift with that of ``best``, shape (draws,); 0 for those not ``open_``."""
    known = information.diagonal()
    size = np.sqrt(known[best] * np.where(open_, known, np.inf))
    result: FloatArray = np.abs(information[best]) / size
    return result


def _told_apart(drawn: DrawMatrix) -> NDArray[np.intp]:
    """Columns of the draws that are not just a value's own."""
    columns = np.flatnonzero(drawn.shared)
    if len(columns) <= MOST_DRAWS:
        return columns
    count = np.diff(drawn.matrix.indptr)[columns]
    return np.sort(columns[np.argsort(-count, kind="stable")[:MOST_DRAWS]])


def _effects(parts: Sequence[Differences], draw: Draw, sigmas: float, uncertain: float) -> Iterator[Effect]:
    for part in parts:
        if draw not in part.drawn.draws:
            continue
        added = part.drawn.matrix[:, part.drawn.draws.index(draw)].data
        size = float(np.sqrt(np.mean(added**2)))
        sign = -1.0 if added.sum() < 0 else 1.0
        yield Effect(part.characteristic, sign * size * sigmas, size * uncertain, len(added))


def _scores(difference: FloatArray, drawn: DrawMatrix, columns: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
    """gᵀV⁻¹d of each draw of ``columns``, shape (draws,), and gᵀV⁻¹g of all pairs, shape (draws, draws).

    V = D + B·Bᵀ with D diagonal, so that V⁻¹ needs no matrix of all values (Woodbury's identity).
    """
    from scipy.sparse import csc_matrix

    shared = np.zeros(len(drawn.draws), dtype=np.bool_)
    shared[columns] = True
    total = np.asarray(drawn.matrix.multiply(drawn.matrix).sum(axis=1)).reshape(-1)
    weight = 1.0 / np.sqrt(drawn.own_variance(shared) + BEYOND_MODEL**2 * total)
    weighted = csc_matrix(drawn.matrix[:, columns].multiply(weight[:, None]))
    products = np.asarray((weighted.T @ weighted).todense())
    along = np.asarray(weighted.T @ (difference * weight)).reshape(-1)
    inverse = np.linalg.solve(np.eye(len(products)) + products, np.column_stack([along, products]))
    scores: FloatArray = along - products @ inverse[:, 0]
    information: FloatArray = products - products @ inverse[:, 1:]
    return scores, information
