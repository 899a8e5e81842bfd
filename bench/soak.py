"""When a unit has reached temperature: decided on evidence, not on a fixed wait.

Pure: a history of temperatures and the rule give ``Waiting``, ``Steady`` or ``GaveUp``, each with the evidence.
"""

from __future__ import annotations

from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass
from typing import Literal

from sequences.sequence_file import Soak

#: The drift is judged over this long. Ours: long against the thermometer's noise, short against a board's lag.
DRIFT_WINDOW_S = 60.0


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at the temperatures; ``board_c`` is None on a bench without a board thermometer."""

    elapsed_s: float
    air_c: float
    board_c: float | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the evidence says, and the evidence in one sentence."""

    state: Literal["waiting", "steady", "gave up"]
    evidence: str


class SoakWatch:
    """Judges one soak at one target temperature.

    Args:
        rule: Tolerances and times of the sequence file.
        target_c: Air temperature that was commanded.
        began_s: Clock's elapsed seconds when the target was commanded.
    """

    def __init__(self, rule: Soak, target_c: float, began_s: float) -> None:
        self._rule = rule
        self._target_c = target_c
        self._began_s = began_s
        self._history: list[Sample] = []
        self._good_since_s: float | None = None

    def judge(self, sample: Sample) -> Verdict:
        """Take one more sample and say whether the unit has soaked."""
        rule = self._rule
        recent = [old for old in self._history if sample.elapsed_s - old.elapsed_s <= DRIFT_WINDOW_S]
        # Polls further apart than the window are judged from the one before, or the drift would never be known.
        self._history = [*(recent or self._history[-1:]), sample]
        drift = _drift_k_per_min(self._history)
        waited_s = sample.elapsed_s - self._began_s
        evidence = self._evidence(sample, drift, waited_s)
        if self._is_good(sample, drift):
            if self._good_since_s is None:
                self._good_since_s = sample.elapsed_s
            if sample.elapsed_s - self._good_since_s >= rule.hold_s and waited_s >= rule.shortest_s:
                return Verdict("steady", evidence)
        else:
            self._good_since_s = None
        if waited_s >= rule.longest_s:
            return Verdict("gave up", evidence)
        return Verdict("waiting", evidence)

    def _is_good(self, sample: Sample, drift_k_per_min: float | None) -> bool:
        rule = self._rule
        # Each is asked whether it is within, never whether it is beyond: what is not a number is not within.
        air = abs(sample.air_c - self._target_c) <= rule.air_within_k
        calm = drift_k_per_min is not None and abs(drift_k_per_min) <= rule.drift_k_per_min
        board = sample.board_c is None or abs(sample.board_c - self._target_c) <= rule.board_within_k
        return air and calm and board

    def _evidence(self, sample: Sample, drift: float | None, waited_s: float) -> str:
        board = "no board thermometer" if sample.board_c is None else f"board {sample.board_c:z.2f} °C"
        pace = "drift not known yet" if drift is None else f"drift {drift:+z.3f} K/min"
        return f"air {sample.air_c:z.2f} °C, {board}, {pace}, after {waited_s / 60:.1f} min"


def _drift_k_per_min(history: SequenceOf[Sample]) -> float | None:
    """Change per minute between the oldest and newest sample of the window; None until it is half full.

    The board's drift where it is measured, otherwise the air's.
    """
    first, last = history[0], history[-1]
    span_s = last.elapsed_s - first.elapsed_s
    if span_s < DRIFT_WINDOW_S / 2:
        return None
    if first.board_c is None or last.board_c is None:
        return (last.air_c - first.air_c) / span_s * 60
    return (last.board_c - first.board_c) / span_s * 60
