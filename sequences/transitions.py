"""What it costs to go from one condition to the next, in seconds, and what a whole run will take.

A change of temperature costs the ramp and the soak; any other change costs the settling of what moved. The soak is
foretold from the ideal case: air that ramps at the chamber's rate and stops, and a board that follows it as a
first-order lag. The run itself waits for evidence, so this is an estimate and nothing depends on it but plans.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Literal

from sequences.bench_file import Bench
from sequences.conditions import AXIS_NAMES, Condition
from sequences.sequence_file import Sequence, Soak

#: Writing one setting and reading it back. Ours: two messages over a local network, a few milliseconds each.
WRITE_S = 0.01

#: Axes other than temperature.
SETTLING_AXES = tuple(name for name in AXIS_NAMES if name != "temperature_c")

Cause = Literal["soak", "settle", "measure", "return"]


@dataclass(frozen=True, slots=True)
class SoakModel:
    """Air on a ramp of ``ramp_k_per_s`` and a board behind it with the time constant ``lag_s``."""

    ramp_k_per_s: float
    lag_s: float
    rule: Soak

    def soak_s(self, from_c: float, to_c: float) -> float:
        """Seconds from the command until the soak rule is met, air and board both at ``from_c`` before.

        With r the ramp rate, τ the lag and T = |to − from|/r the end of the ramp, the board lags air by
        e(t) = r·τ·(1 − exp(−t/τ)) during the ramp (the response of a first-order system to a ramp) and by
        e(T)·exp(−(t − T)/τ) after it, drifting at e/τ. Never shorter than the rule's shortest, nor longer than its
        longest soak; whole polls, since the rule is judged at polls.
        """
        rule = self.rule
        ramp_s = abs(to_c - from_c) / self.ramp_k_per_s
        air_ready_s = max(0.0, ramp_s - rule.air_within_k / self.ramp_k_per_s)
        lag_k = self.ramp_k_per_s * self.lag_s * -math.expm1(-ramp_s / self.lag_s)
        steady_k = min(rule.board_within_k, rule.drift_k_per_min / 60 * self.lag_s)
        if lag_k > steady_k:
            board_ready_s = ramp_s + self.lag_s * math.log(lag_k / steady_k)
        else:
            # Never drifting too fast, so the board is ready as soon as what is left of the ramp, and its lag, fit in.
            board_ready_s = ramp_s - (rule.board_within_k - lag_k) / self.ramp_k_per_s
        done_s = max(air_ready_s, board_ready_s) + rule.hold_s
        polled_s = math.ceil(max(done_s, rule.shortest_s) / rule.poll_s) * rule.poll_s
        return min(polled_s, rule.longest_s)


@dataclass(frozen=True)
class TransitionCosts:
    """What each change costs.

    Attributes:
        settle_s: For each axis but temperature, how long its change needs before a reading.
        soak: How the unit follows the chamber; None on a bench without one.
        room_c: Temperature at which everything begins.
        idle_c: Temperature at which the chamber is left.
    """

    settle_s: dict[str, float]
    soak: SoakModel | None
    room_c: float
    idle_c: float
    _soaks_s: dict[tuple[float, float], float] = field(default_factory=dict, repr=False, compare=False)

    @classmethod
    def of(cls, bench: Bench, sequence: Sequence) -> TransitionCosts:
        """Costs at a bench, with the settle times and the soak rule of a sequence."""
        chamber = bench.instrument.chamber
        room_c = bench.fixture.room_c
        if chamber is None:
            return cls(_settle_times_s(bench, sequence), None, room_c, room_c)
        soak = SoakModel(chamber.ramp_k_per_min / 60, bench.fixture.time_constant_s, sequence.soak)
        return cls(_settle_times_s(bench, sequence), soak, room_c, chamber.idle_c)

    def cost_s(self, previous: Condition | None, condition: Condition) -> float:
        """Seconds from one condition to the next; ``None`` is a bench at room temperature with nothing set."""
        return self.soak_cost_s(previous, condition) + self.settle_cost_s(previous, condition)

    def soak_cost_s(self, previous: Condition | None, condition: Condition) -> float:
        """Seconds of ramp and soak; 0 at the same temperature. The first condition is always soaked."""
        if self.soak is None or (previous is not None and previous.temperature_c == condition.temperature_c):
            return 0.0
        return self._known_soak_s(self.room_c if previous is None else previous.temperature_c, condition.temperature_c)

    def return_cost_s(self, last: Condition) -> float:
        """Seconds until the unit is back at the chamber's idle temperature after the last condition.

        Part of an order's cost, not of a run's estimate: a night that ends warm is over sooner, and its board is dry.
        """
        return self._known_soak_s(last.temperature_c, self.idle_c)

    def _known_soak_s(self, from_c: float, to_c: float) -> float:
        if self.soak is None:
            return 0.0
        change = (from_c, to_c)
        if change not in self._soaks_s:
            self._soaks_s[change] = self.soak.soak_s(*change)
        return self._soaks_s[change]

    def settle_cost_s(self, previous: Condition | None, condition: Condition) -> float:
        """Seconds of settling: the longest of what changed, as all settle together, and the time to write each."""
        changed = [
            axis for axis in SETTLING_AXES if previous is None or getattr(previous, axis) != getattr(condition, axis)
        ]
        return max((self.settle_s[axis] for axis in changed), default=0.0) + WRITE_S * len(changed)


@dataclass(frozen=True, slots=True)
class Estimate:
    """How long a run will take.

    Attributes:
        finish_s: For each condition in order, seconds from the start until it is complete.
        by_cause_s: Seconds of soaking, settling and measuring in all, and of the return to room temperature after it.
    """

    finish_s: tuple[float, ...]
    by_cause_s: dict[Cause, float]

    @property
    def total_s(self) -> float:
        """Seconds until the run is over."""
        return (self.finish_s[-1] if self.finish_s else 0.0) + self.by_cause_s["return"]

    @property
    def shares(self) -> dict[Cause, float]:
        """Part of the whole that each cause takes, from 0 to 1."""
        whole = math.fsum(self.by_cause_s.values())
        return {cause: seconds / whole if whole else 0.0 for cause, seconds in self.by_cause_s.items()}


def estimate(ordered: Iterable[Condition], costs: TransitionCosts, measure_s: Callable[[Condition], float]) -> Estimate:
    """Estimate of a run over ``ordered`` when measuring one condition takes ``measure_s`` of it; without the return."""
    finish_s: list[float] = []
    by_cause: dict[Cause, float] = {"soak": 0.0, "settle": 0.0, "measure": 0.0, "return": 0.0}
    elapsed_s = 0.0
    previous: Condition | None = None
    for condition in ordered:
        spent: dict[Cause, float] = {
            "soak": costs.soak_cost_s(previous, condition),
            "settle": costs.settle_cost_s(previous, condition),
            "measure": measure_s(condition),
        }
        for cause, seconds in spent.items():
            by_cause[cause] += seconds
            elapsed_s += seconds
        finish_s.append(elapsed_s)
        previous = condition
    return Estimate(tuple(finish_s), by_cause)


def total_cost_s(ordered: Iterable[Condition], costs: TransitionCosts) -> float:
    """Seconds that all changes of an order cost together, from a bench at room temperature back to its idle one."""
    total_s = 0.0
    previous: Condition | None = None
    for condition in ordered:
        total_s += costs.cost_s(previous, condition)
        previous = condition
    return total_s if previous is None else total_s + costs.return_cost_s(previous)


def _settle_times_s(bench: Bench, sequence: Sequence) -> dict[str, float]:
    """What a change of one axis needs: the instrument that moves, then the unit.

    Another load, channel, frequency or gain code also asks for other source levels, unless the levels are meant at the
    unit's input, where neither load nor gain code matters; so each takes at least as long as a change of level.
    """
    settle, instrument = sequence.settle, bench.instrument
    source_s = max((entry.settle_s for entry in (instrument.tone_1, instrument.tone_2) if entry is not None), default=0)
    supply_s = instrument.supply.settle_s if instrument.supply is not None else 0.0
    load_s = instrument.load_switch.settle_s if instrument.load_switch is not None else 0.0
    channel_s = instrument.channel_switch.settle_s if instrument.channel_switch is not None else 0.0
    code_s = instrument.code_port.settle_s if instrument.code_port is not None else 0.0
    level_s = settle.tone_level_s + source_s
    levels_follow_s = level_s if sequence.tones.level_at == "output" else 0.0
    return {
        "channel": max(settle.channel_s + channel_s, level_s),
        "gain_code": max(settle.gain_code_s + code_s, levels_follow_s),
        "supply_mode": settle.supply_mode_s + supply_s,
        "load_ohm": max(settle.load_s + load_s, levels_follow_s),
        "tone_level_dbm": level_s,
        "frequency_hz": max(settle.frequency_s + source_s, level_s),
    }
