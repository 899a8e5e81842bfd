"""What several looks tell and one does not: how fast a value changes, and whether it changes at all. Pure."""

from __future__ import annotations

from dataclasses import dataclass

#: A rate is told over this long at least, so that noise of a thermometer makes none. Ours: 0.2 K are 0.4 K/min then.
RATE_OVER_S = 30.0

#: A reading must have been the same so often before it can be called stuck. Ours.
SAME_LOOKS = 10

#: An air that is so close to its target, or has moved so far, is not stuck. Ours: above a chamber's control error, and
#: above the noise and resolution of its sensor.
NEAR_K, MOVED_K = 2.0, 0.2


@dataclass(slots=True)
class Rate:
    """How fast a value changes."""

    _at_s: float = 0.0
    _value: float | None = None

    def per_min(self, now_s: float, value: float) -> float | None:
        """Its change per minute without its sign; None until ``RATE_OVER_S`` have passed since it was told last."""
        before, span_s = self._value, now_s - self._at_s
        if before is not None and span_s < RATE_OVER_S:
            return None
        self._at_s, self._value = now_s, value
        return None if before is None else abs(value - before) / span_s * 60


@dataclass(slots=True)
class Stillness:
    """A board's reading that does not change at all while the air moves."""

    _board_c: float | None = None
    _air_c: float = 0.0
    _looks: int = 0
    _moved_k: float = 0.0

    def air_moved_k(self, board_c: float, air_c: float) -> float:
        """How far the air has been since the board's reading changed; 0 before ``SAME_LOOKS`` looks."""
        if board_c != self._board_c:
            self._board_c, self._air_c, self._looks, self._moved_k = board_c, air_c, 0, 0.0
        self._looks += 1
        self._moved_k = max(self._moved_k, abs(air_c - self._air_c))
        return self._moved_k if self._looks >= SAME_LOOKS else 0.0


@dataclass(slots=True)
class Standstill:
    """An air that should go somewhere and does not."""

    _since_s: float = 0.0
    _air_c: float = 0.0
    _target_c: float | None = None

    def lasted_s(self, now_s: float, air_c: float, target_c: float) -> float:
        """How long the air has stood still, far from its target; a new target begins anew."""
        if target_c != self._target_c or abs(air_c - target_c) <= NEAR_K or abs(air_c - self._air_c) > MOVED_K:
            self._since_s, self._air_c, self._target_c = now_s, air_c, target_c
        return now_s - self._since_s


@dataclass(slots=True)
class Drift:
    """How far a value has gone from where it was first."""

    _first: float | None = None

    def percent(self, value: float) -> float:
        """Its change since the first one, in % of that, without its sign."""
        if self._first is None:
            self._first = value
        return abs(value / self._first - 1) * 100 if self._first else 0.0

    def forget(self) -> None:
        """What comes next is the first one."""
        self._first = None
