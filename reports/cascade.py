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

import numpy as np
from numpy.typing import NDArray

from reports.decibels import db_of_power_ratio, power_ratio
from reports.errors import NotPositive, ShapeFault
from reports.uncertainty import Uncertain, linear

FloatArray = NDArray[np.float64]

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
    return linear([(1.0, stage.gain) for stage in stages])


def noise_figure(stages: Sequence[Stage]) -> Uncertain:
    """Noise figure of all stages in dB, by Friis's formula.

    Each noise figure must hold for the source that its stage sees. Raises ShapeFault if a stage has none.
    """
    factors = [power_ratio(_known(stage.noise_figure, "noise figure").value) for stage in stages]
    ahead = [power_ratio(before.value) for before in _gains_ahead(stages)]
    parts = [(factor - 1.0) / power for factor, power in zip(factors, ahead, strict=True)]
    total = sum(parts, np.ones(len(stages[0].gain)))
    terms: list[tuple[FloatArray | float, Uncertain]] = []
    for number, stage in enumerate(stages):
        behind = sum(parts[number + 1 :], np.zeros(len(stage.gain)))
        terms.append((factors[number] / ahead[number] / total, _known(stage.noise_figure, "noise figure")))
        terms.append((-behind / total, stage.gain))
    return linear(terms, value=db_of_power_ratio(total))


def oip3(stages: Sequence[Stage], *, coherent: bool = True) -> Uncertain:
    """Output third-order intercept of all stages in dBm; ``coherent`` is the sum of products in phase.

    Raises ShapeFault if no stage makes products.
    """
    rows = len(stages[0].gain)
    gains_behind = _gains_behind(stages)
    parts = [
        np.zeros(rows) if stage.oip3 is None else power_ratio(-(stage.oip3.value + behind.value))
        for stage, behind in zip(stages, gains_behind, strict=True)
    ]
    if all(stage.oip3 is None for stage in stages):
        raise ShapeFault("no stage of the cascade has an intercept")
    total = sum(parts, np.zeros(rows)) if coherent else np.sqrt(sum((part**2 for part in parts), np.zeros(rows)))
    # d(10·log10 Σt)/d(10·log10 t) is the share t/Σt; of √Σt² it is t²/Σt².
    shares = [part / total if coherent else (part / total) ** 2 for part in parts]
    terms: list[tuple[FloatArray | float, Uncertain]] = []
    for number, stage in enumerate(stages):
        if stage.oip3 is not None:
            terms.append((shares[number], stage.oip3))
        terms.append((sum(shares[:number], np.zeros(rows)), stage.gain))
    return linear(terms, value=-db_of_power_ratio(total))


def level_plan(stages: Sequence[Stage], output: Uncertain) -> tuple[Uncertain, ...]:
    """Level in dBm at the output of each stage when the last one puts out ``output``: that less the gain behind."""
    return tuple(output - behind for behind in _gains_behind(stages))


def _gains_behind(stages: Sequence[Stage]) -> list[Uncertain]:
    """Gain from the output of each stage to that of the last, dB."""
    behind = [Uncertain.of(np.zeros(len(stages[0].gain)))]
    for stage in reversed(stages[1:]):
        behind.append(behind[-1] + stage.gain)
    return behind[::-1]


def _gains_ahead(stages: Sequence[Stage]) -> list[Uncertain]:
    """Gain from the input of the first stage to that of each, dB."""
    ahead = [Uncertain.of(np.zeros(len(stages[0].gain)))]
    for stage in stages[:-1]:
        ahead.append(ahead[-1] + stage.gain)
    return ahead


def _known(quantity: Uncertain | None, name: str) -> Uncertain:
    if quantity is None:
        raise ShapeFault(f"a stage of the cascade has no {name}")
    return quantity
