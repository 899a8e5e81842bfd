"""Chamber air and board temperature, exact at any instant, so that a jump of hours costs microseconds.

The chamber's controller moves a profile towards the target at the ramp rate; the air follows the profile as a damped
second-order system (a small overshoot after each ramp); the board follows the air with a first-order lag. With
conditioning off the air drifts to the room. In each piece (ramp, hold, drift) the solution has the one form

    air(t)   = c + r·t + Re(K·e^{λt})
    board(t) = c + r·(t − τ) + Re(K/(1 + λτ)·e^{λt}) + E·e^{−t/τ}

with complex λ for the controlled air and a real one for the drift, so nothing is integrated step by step.
"""

from __future__ import annotations

import cmath
import math

#: Natural frequency and damping of the controlled air: a ramp of 4 K/min overshoots by about 0.1 K (ours: a good
#: chamber).
_OMEGA_PER_S = 0.05
_DAMPING = 0.6
_CONTROLLED = complex(-_DAMPING * _OMEGA_PER_S, _OMEGA_PER_S * math.sqrt(1 - _DAMPING**2))

#: Time constant with which an idle chamber drifts to the room: at least an hour, and never the board's own.
_SHORTEST_DRIFT_S = 3600.0


class Thermal:
    """Air and board of one chamber; time is handed in.

    Args:
        room_c: Temperature of the room and of everything at the start.
        board_time_constant_s: Lag τ of the board behind the air.
        control_error_k: What the chamber's own sensor reads above the true air: it controls to ``target − error``.
        fastest_k_per_s: Ramp rate at the start.
    """

    def __init__(
        self, room_c: float, board_time_constant_s: float, control_error_k: float, fastest_k_per_s: float
    ) -> None:
        self._room_c = room_c
        self._board_s = board_time_constant_s
        self._drift_s = max(_SHORTEST_DRIFT_S, 2 * board_time_constant_s)
        self._error_k = control_error_k
        self._rate_k_per_s = fastest_k_per_s
        self._conditioning = False
        self._uncontrolled_k_per_s: float | None = None
        self._target_c = room_c
        self._profile_c = room_c
        self.air_c = room_c
        self.board_c = room_c
        self._air_slope_k_per_s = 0.0

    @property
    def is_conditioning(self) -> bool:
        """Whether the chamber heats and cools."""
        return self._conditioning

    @property
    def indicated_air_c(self) -> float:
        """What the chamber's own sensor reads."""
        return self.air_c + self._error_k

    def set_target_c(self, target_c: float) -> None:
        """Set what the chamber's own sensor shall read."""
        self._target_c = target_c

    def set_ramp_k_per_s(self, rate_k_per_s: float) -> None:
        """Set the ramp rate."""
        self._rate_k_per_s = rate_k_per_s

    def switch_conditioning(self, *, on: bool) -> None:
        """Start or stop heating and cooling; the profile starts where the air is."""
        if on and not self._conditioning:
            self._profile_c = self.air_c
        self._conditioning = on

    def lose_control(self, rate_k_per_s: float) -> None:
        """A fault: while it conditions, the air changes at this rate whatever the target; 0 for a stuck chamber."""
        self._profile_c = self.air_c
        self._uncontrolled_k_per_s = rate_k_per_s

    def regain_control(self) -> None:
        """The fault is over; the profile goes on from where the air is."""
        self._profile_c = self.air_c
        self._uncontrolled_k_per_s = None

    def advance(self, duration_s: float) -> None:
        """Let ``duration_s`` pass."""
        if not self._conditioning:
            self._drift(duration_s)
            return
        if self._uncontrolled_k_per_s is not None:
            self._follow(self._uncontrolled_k_per_s, duration_s)
            return
        goal_c = self._target_c - self._error_k
        to_go_k = goal_c - self._profile_c
        ramp_s = abs(to_go_k) / self._rate_k_per_s
        if ramp_s > duration_s:
            self._follow(math.copysign(self._rate_k_per_s, to_go_k), duration_s)
            return
        if ramp_s > 0:
            self._follow(math.copysign(self._rate_k_per_s, to_go_k), ramp_s)
            self._profile_c = goal_c
        self._follow(0.0, duration_s - ramp_s)

    def _follow(self, rate_k_per_s: float, duration_s: float) -> None:
        """One piece of controlled air behind a profile of constant slope."""
        offset_c = self._profile_c - 2 * _DAMPING / _OMEGA_PER_S * rate_k_per_s
        # Re(K) and Re(K·λ) are the distance from the steady solution and its slope.
        distance = self.air_c - offset_c
        slope = self._air_slope_k_per_s - rate_k_per_s
        weight = complex(distance, (_CONTROLLED.real * distance - slope) / _CONTROLLED.imag)
        self._piece(offset_c, rate_k_per_s, weight, _CONTROLLED, duration_s)
        self._profile_c += rate_k_per_s * duration_s

    def _drift(self, duration_s: float) -> None:
        rate = complex(-1 / self._drift_s, 0.0)
        self._piece(self._room_c, 0.0, complex(self.air_c - self._room_c, 0.0), rate, duration_s)

    def _piece(
        self, offset_c: float, rate_k_per_s: float, weight: complex, exponent: complex, duration_s: float
    ) -> None:
        lag_s = self._board_s
        board_weight = weight / (1 + exponent * lag_s)
        remainder = self.board_c - (offset_c - rate_k_per_s * lag_s + board_weight.real)
        decay = cmath.exp(exponent * duration_s)
        ramp_k = rate_k_per_s * duration_s
        self.air_c = offset_c + ramp_k + (weight * decay).real
        self._air_slope_k_per_s = rate_k_per_s + (weight * exponent * decay).real
        self.board_c = (
            offset_c
            + ramp_k
            - rate_k_per_s * lag_s
            + (board_weight * decay).real
            + remainder * math.exp(-duration_s / lag_s)
        )
