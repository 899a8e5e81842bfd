"""``[[interlock]]`` of a bench file: a rule of the watch over a run, made stricter than it is by itself.

What each rule watches, and how strict it is by itself, is in ``bench.interlocks``; here is only how a rule is written.
"""

from __future__ import annotations

from typing import Final, Literal, Self

from pydantic import Field, model_validator

from sequences.part_file import FileModel
from sequences.path_entries import NonNegative

InterlockName = Literal[
    "supply current",
    "supply voltage",
    "mode current",
    "mode voltage",
    "current limit",
    "bias off",
    "supply protection",
    "board temperature",
    "air temperature",
    "sensor temperature",
    "air stray",
    "board stray",
    "board to air",
    "air rate",
    "board rate",
    "air stuck",
    "board stuck",
    "chamber alarm",
    "source off",
    "source unlevelled",
    "analyzer overload",
    "link silence",
    "disk space",
    "run duration",
    "current drift",
]

#: What happens when a rule is broken, mildest first.
Action = Literal["warn", "pause", "trip"]

_BOTH_ENDS: Final = ("board temperature", "air temperature", "sensor temperature")
_MOST: Final = {
    "supply current": "max_current_a",
    "supply voltage": "max_voltage_v",
    "air stray": "max_difference_k",
    "board stray": "max_difference_k",
    "board to air": "max_difference_k",
    "air rate": "max_rate_k_per_min",
    "board rate": "max_rate_k_per_min",
    "air stuck": "max_duration_s",
    "board stuck": "max_difference_k",
    "link silence": "max_duration_s",
    "run duration": "max_duration_s",
    "current drift": "max_change_percent",
}

#: Keys of its limit by rule; a rule that is not listed has none that a file could set: it follows from the part, or
#: something is so or is not.
LIMIT_KEYS: Final[dict[str, tuple[str, ...]]] = {
    **dict.fromkeys(_BOTH_ENDS, ("min_temperature_c", "max_temperature_c")),
    **{name: (key,) for name, key in _MOST.items()},
    "disk space": ("min_free_mb",),
}


class InterlockEntry(FileModel):
    """One rule: its limit, how long it must be broken before anything happens, and what then happens.

    A rule is broken for long enough when ``polls`` looks in a row have found it so, and ``persistence_s`` lie between
    the first of them and the last. What is left out stays as it is by itself.
    """

    name: InterlockName
    min_temperature_c: float | None = None
    max_temperature_c: float | None = None
    max_current_a: float | None = Field(default=None, gt=0)
    max_voltage_v: float | None = Field(default=None, gt=0)
    max_difference_k: float | None = Field(default=None, gt=0)
    max_rate_k_per_min: float | None = Field(default=None, gt=0)
    max_duration_s: float | None = Field(default=None, gt=0)
    max_change_percent: float | None = Field(default=None, gt=0)
    min_free_mb: float | None = Field(default=None, ge=0)
    polls: int | None = Field(default=None, ge=1)
    persistence_s: NonNegative | None = None
    action: Action | None = None

    @property
    def lowest(self) -> float | None:
        """The lower limit, in the rule's unit."""
        return self.min_temperature_c if self.min_free_mb is None else self.min_free_mb

    @property
    def highest(self) -> float | None:
        """The upper limit, in the rule's unit."""
        return next((getattr(self, key) for key in self._given() if key.startswith("max_")), None)

    def _given(self) -> tuple[str, ...]:
        """Keys of limits that the file has."""
        keys = [key for key in type(self).model_fields if key.startswith(("min_", "max_"))]
        return tuple(key for key in keys if getattr(self, key) is not None)

    @model_validator(mode="after")
    def _limit_fits(self) -> Self:
        allowed = LIMIT_KEYS.get(self.name, ())
        wrong = [key for key in self._given() if key not in allowed]
        if wrong:
            own = f"takes {' and '.join(allowed)}" if allowed else "has no limit to be set"
            raise ValueError(f'the interlock "{self.name}" {own}, not {", ".join(wrong)}')
        return self
