"""When a unit has reached temperature: decided on evidence, not on a fixed wait.

Pure: a history of temperatures and the rule give ``Waiting``, ``Steady`` or ``GaveUp``, each with the evidence. A
sensor that says nothing, or does not move while the air does, is no evidence, whatever it reads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass, field
from typing import Literal

from bench.trends import Stillness
from sequences.sequence_file import Soak

#: The drift is judged over this long. Ours: long against the thermometer's noise, short against a board's lag.
DRIFT_WINDOW_S = 60.0

#: Air may move so far before a sensor's reading that has not changed at all is called stuck. Ours: a board lags by
#: minutes, a ramp of 4 K/min takes just over one for it.
STUCK_K = 5.0

#: A chamber may take this many times as long as its ramp rate says, and ``Soak.arrival_s`` besides. Ours: a compressor
#: slows down towards its lowest temperatures, with a load of some mass more so.
SLOWER_FACTOR = 1.5


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at the temperatures; ``board_c`` is None on a bench without a board thermometer.

    ``sensor_c`` is the chamber's second sensor, near the unit; None if it has none.
    """

    elapsed_s: float
    air_c: float
    board_c: float | None
    sensor_c: float | None = None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the evidence says, the evidence in one sentence and in numbers, and what it lacks (empty if nothing)."""

    state: Literal["waiting", "steady", "gave up"]
    evidence: str
    lacks: str = ""
    facts: dict[str, float] = field(default_factory=dict, compare=False)


def arrival_limit_s(rule: Soak, distance_k: float, ramp_k_per_min: float) -> float:
    """Longest that the air may take to its target; beyond it the chamber does not get there. Never above the soak's."""
    ramp_s = distance_k / ramp_k_per_min * 60
    return min(rule.longest_s, SLOWER_FACTOR * ramp_s + rule.arrival_s)


class Sensors:
    """Which sensor is no evidence: it reads no temperature, or has not moved while the air has."""

    def __init__(self) -> None:
        self._stillness = {"board": Stillness(), "second sensor": Stillness()}

    def dead(self, sample: Sample) -> str:
        """Take one more sample and say which sensor is dead, and how; empty if none is.

        A stuck one stays so until it moves.
        """
        sensors = {"board": sample.board_c, "second sensor": sample.sensor_c}
        known = {name: value for name, value in sensors.items() if value is not None}
        moved_k = {name: self._stillness[name].air_moved_k(value, sample.air_c) for name, value in known.items()}
        for name, value in {"air": sample.air_c, **known}.items():
            if not math.isfinite(value):
                return f"the sensor of {name} is open or lost: it reads no temperature"
        for name, value in known.items():
            if moved_k[name] > STUCK_K:
                return (
                    f"the sensor of {name} is stuck: it has read {value:z.2f} °C while the air moved "
                    f"{moved_k[name]:.1f} K"
                )
        return ""


class SoakWatch:
    """Judges one soak at one target temperature.

    Args:
        rule: Tolerances and times of the sequence file.
        target_c: Air temperature that was commanded.
        began_s: Clock's elapsed seconds when the target was commanded.
        ramp_k_per_min: The chamber's rate, which limits how long its air may take; None for no other limit than the
            longest soak.
    """

    def __init__(self, rule: Soak, target_c: float, began_s: float, ramp_k_per_min: float | None = None) -> None:
        self._rule = rule
        self._target_c = target_c
        self._began_s = began_s
        self._ramp_k_per_min = ramp_k_per_min
        self._history: list[Sample] = []
        self._good_since_s: float | None = None
        self._arrives_by_s = math.inf
        self._has_arrived = False
        self._sensors = Sensors()

    def judge(self, sample: Sample) -> Verdict:
        """Take one more sample and say whether the unit has soaked."""
        rule = self._rule
        recent = [old for old in self._history if sample.elapsed_s - old.elapsed_s <= DRIFT_WINDOW_S]
        # Polls further apart than the window are judged from the one before, or the drift would never be known.
        self._history = [*(recent or self._history[-1:]), sample]
        drift = _drift_k_per_min(self._history)
        waited_s = sample.elapsed_s - self._began_s
        evidence, facts = self._evidence(sample, drift, waited_s), self._facts(sample, drift, waited_s)
        lacks = self._lacks(sample, drift)
        if not lacks:
            if self._good_since_s is None:
                self._good_since_s = sample.elapsed_s
            if sample.elapsed_s - self._good_since_s >= rule.hold_s and waited_s >= rule.shortest_s:
                return Verdict("steady", evidence, facts=facts)
        else:
            self._good_since_s = None
        late = self._is_late(sample, waited_s)
        if late or waited_s >= rule.longest_s:
            return Verdict("gave up", evidence, late or lacks or "it has not held for long enough", facts)
        return Verdict("waiting", evidence, lacks, facts)

    def _lacks(self, sample: Sample, drift_k_per_min: float | None) -> str:
        """Why the unit has not soaked at these temperatures; empty if they are as they should be."""
        rule = self._rule
        dead = self._sensors.dead(sample)
        if dead:
            return dead
        sensors = {"board": sample.board_c, "second sensor": sample.sensor_c}
        known = {name: value for name, value in sensors.items() if value is not None}
        if not abs(sample.air_c - self._target_c) <= rule.air_within_k:
            return f"air not within {rule.air_within_k:g} K of {self._target_c:g} °C"
        calm = drift_k_per_min is not None and abs(drift_k_per_min) <= rule.drift_k_per_min
        for name, value in known.items():
            if not abs(value - self._target_c) <= rule.board_within_k:
                apart = f"{name} and air disagree: {name} has come to rest {value - sample.air_c:+z.2f} K from the air"
                return apart if calm else f"{name} not within {rule.board_within_k:g} K of {self._target_c:g} °C"
        return "" if calm else f"drift not within {rule.drift_k_per_min:g} K/min"

    def _is_late(self, sample: Sample, waited_s: float) -> str:
        """What a chamber has not done in its time; empty while it may still do it. Once there it may stray."""
        off_k = abs(sample.air_c - self._target_c)
        self._has_arrived = self._has_arrived or off_k <= self._rule.air_within_k
        if self._ramp_k_per_min is None or self._has_arrived or not math.isfinite(off_k):
            return ""
        if self._arrives_by_s == math.inf:  # from where the air was at first
            self._arrives_by_s = waited_s + arrival_limit_s(self._rule, off_k, self._ramp_k_per_min)
        if waited_s < self._arrives_by_s:
            return ""
        return (
            f"the chamber has not reached {self._target_c:g} °C within {self._arrives_by_s / 60:.0f} min, "
            f"{SLOWER_FACTOR:g} times what {self._ramp_k_per_min:g} K/min take and {self._rule.arrival_s / 60:.0f} min"
        )

    def _evidence(self, sample: Sample, drift: float | None, waited_s: float) -> str:
        board = "no board thermometer" if sample.board_c is None else f"board {sample.board_c:z.2f} °C"
        sensor = "" if sample.sensor_c is None else f", second sensor {sample.sensor_c:z.2f} °C"
        pace = "drift not known yet" if drift is None else f"drift {drift:+z.3f} K/min"
        return f"air {sample.air_c:z.2f} °C, {board}{sensor}, {pace}, after {waited_s / 60:.1f} min"

    def _facts(self, sample: Sample, drift: float | None, waited_s: float) -> dict[str, float]:
        """The evidence in numbers, with what it is held against."""
        rule = self._rule
        held = None if self._good_since_s is None else sample.elapsed_s - self._good_since_s
        named = {
            "target_c": self._target_c,
            "air_temperature_c": sample.air_c,
            "board_temperature_c": sample.board_c,
            "sensor_temperature_c": sample.sensor_c,
            "drift_k_per_min": drift,
            "waited_s": waited_s,
            "held_s": held,
            "air_within_k": rule.air_within_k,
            "board_within_k": rule.board_within_k,
            "drift_within_k_per_min": rule.drift_k_per_min,
        }
        return {name: value for name, value in named.items() if value is not None and math.isfinite(value)}


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
