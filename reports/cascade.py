"""Two and more stages in a row: gain, noise figure, intercept and level plan from those of the stages.

Rule: powers throughout. Each stage is stated into the input resistance of the next, where the voltage gain of a stage
in dB is its power gain; what lies between two stages is a stage of its own, with its loss as gain.

Noise: F = F1 + (F2 − 1)/G1 + (F3 − 1)/(G1·G2) + … (H. T. Friis, Noise Figures of Radio Receivers, Proc. IRE 32, 1944;
from memory, not seen). Third order: the products of all stages meet at the output, each carried there by the gain
behind it, relative to the tone t_i = 1/(oip3_i · gain behind). In phase they add as voltages, 1/oip3 = Σ t_i: the
coherent sum, the worst case and what cascade budgets usually print. At random phases they add as powers,
1/oip3 = √(Σ t_i²).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio, power_ratio
from reports.errors import NotPositive, ShapeFault
from reports.uncertainty import Uncertain, linear

FloatArray = NDArray[np.float64]
FigureName = Literal["gain", "noise_figure", "oip3"]

#: Temperature to which noise figures refer, K (IEEE Std 100, from memory, not seen).
REFERENCE_K = 290.0

_DB_PER_RATIO = 10.0 / np.log(10.0)


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """One stage; all columns of equal length.

    Attributes:
        gain: Power gain in dB; negative for a loss.
        noise_figure: dB; None where it is not known.
        oip3: Output third-order intercept in dBm; None for a stage that makes no products.
    """

    gain: Uncertain
    noise_figure: Uncertain | None = None
    oip3: Uncertain | None = None


class Term(NamedTuple):
    """What a figure of a cascade changes by, per unit that one figure of one stage changes by.

    Attributes:
        figure: Name of the attribute of ``Stage``.
        place: Which stage, from 0.
        sensitivity: A number, or one for each row.
    """

    figure: FigureName
    place: int
    sensitivity: FloatArray | float


@dataclass(frozen=True, slots=True, eq=False)
class Form:
    """Values of a figure of a cascade and its derivatives by the figures of the stages (JCGM 100:2008, 5.1.3)."""

    value: FloatArray
    terms: tuple[Term, ...]

    def of(self, stages: Sequence[Stage]) -> Uncertain:
        """The figure with the causes of its uncertainty, from those of the stages."""
        quantities = [
            (term.sensitivity, _known(getattr(stages[term.place], term.figure), term.figure)) for term in self.terms
        ]
        return linear(quantities, value=self.value) if quantities else Uncertain.of(self.value)


def passive(loss: Uncertain, temperature_k: FloatArray | float = REFERENCE_K) -> Stage:
    """A matched loss in dB at a temperature: F = 1 + (L − 1)·T/290 K, and no products.

    At 290 K the noise figure is the loss (D. M. Pozar, Microwave Engineering, chapter on noise; from memory, not seen).
    Raises NotPositive for a negative loss or a temperature that is not above 0.
    """
    if np.any(loss.value < 0):
        raise NotPositive("loss in dB", float(np.min(loss.value)))
    if np.any(np.asarray(temperature_k) <= 0):
        raise NotPositive("temperature in K", float(np.min(temperature_k)))
    ratio = power_ratio(loss.value)
    factor = 1.0 + (ratio - 1.0) * temperature_k / REFERENCE_K
    noise = linear([(ratio * temperature_k / REFERENCE_K / factor, loss)], value=db_of_power_ratio(factor))
    return Stage(loss.scaled(-1.0), noise)


def gain(stages: Sequence[Stage]) -> Uncertain:
    """Gain of all stages in dB: the sum; what two stages owe to the same draw of the bench adds up with its sign."""
    return gain_form(stages).of(stages)


def noise_figure(stages: Sequence[Stage]) -> Uncertain:
    """Noise figure of all stages in dB, by Friis's formula.

    Each noise figure must hold for the source that its stage sees. Raises ShapeFault if a stage has none.
    """
    return noise_figure_form(stages).of(stages)


def oip3(stages: Sequence[Stage], *, coherent: bool = True) -> Uncertain:
    """Output third-order intercept of all stages in dBm; ``coherent`` is the sum of products in phase.

    Raises ShapeFault if no stage makes products.
    """
    return oip3_form(stages, coherent=coherent).of(stages)


def level_plan(stages: Sequence[Stage], output: Uncertain) -> tuple[Uncertain, ...]:
    """Level in dBm at the output of each stage when the last one puts out ``output``: that less the gain behind."""
    return tuple(output + level_form(stages, place).of(stages) for place in range(len(stages)))


def gain_form(stages: Sequence[Stage]) -> Form:
    """``gain``, with what it depends on."""
    terms = tuple(Term("gain", place, 1.0) for place in range(len(stages)))
    return Form(_sum([stage.gain.value for stage in stages]), terms)


def noise_figure_form(stages: Sequence[Stage]) -> Form:
    """``noise_figure``, with what it depends on."""
    factors = [power_ratio(_known(stage.noise_figure, "noise figure").value) for stage in stages]
    gains = [stage.gain.value for stage in stages]
    ahead = [power_ratio(_sum(gains[:place])) if place else 1.0 for place in range(len(stages))]
    parts = [(factor - 1.0) / power for factor, power in zip(factors, ahead, strict=True)]
    total = 1.0 + _sum(parts)
    terms = []
    for place in range(len(stages)):
        terms.append(Term("noise_figure", place, factors[place] / ahead[place] / total))
        if parts[place + 1 :]:
            terms.append(Term("gain", place, -_sum(parts[place + 1 :]) / total))
    return Form(db_of_power_ratio(total), tuple(terms))


def oip3_form(stages: Sequence[Stage], *, coherent: bool = True) -> Form:
    """``oip3``, with what it depends on."""
    making = [place for place, stage in enumerate(stages) if stage.oip3 is not None]
    if not making:
        raise ShapeFault("no stage of the cascade has an intercept")
    gains = [stage.gain.value for stage in stages]
    parts: dict[int, FloatArray] = {}
    for place in making:
        carried = _sum([_known(stages[place].oip3, "intercept").value, *gains[place + 1 :]])
        parts[place] = power_ratio(-carried if coherent else -2.0 * carried)
    total = _sum(list(parts.values()))
    # d(10·log10 Σt)/d(10·log10 t) is the share t/Σt; of √Σt² it is t²/Σt².
    shares = {place: part / total for place, part in parts.items()}
    terms = [Term("oip3", place, share) for place, share in shares.items()]
    terms += [
        Term("gain", place, _sum([share for maker, share in shares.items() if maker < place]))
        for place in range(making[0] + 1, len(stages))
    ]
    return Form(-db_of_power_ratio(total if coherent else np.sqrt(total)), tuple(terms))


def level_form(stages: Sequence[Stage], place: int) -> Form:
    """Level at the output of one stage less that of the last, dB, with what it depends on."""
    behind = range(place + 1, len(stages))
    value = -_sum([stages[after].gain.value for after in behind]) if behind else np.zeros(len(stages[0].gain))
    return Form(value, tuple(Term("gain", after, -1.0) for after in behind))


def _sum(columns: Sequence[FloatArray]) -> FloatArray:
    total = columns[0]
    for column in columns[1:]:
        total = total + column
    return total


def _known(quantity: Uncertain | None, name: str) -> Uncertain:
    if quantity is None:
        raise ShapeFault(f"a stage of the cascade has no {name}")
    return quantity
