"""Number lists and matchers as people write them in the three files.

A number list is ``[1, 2, 3]`` or ``{ from = 0, to = 30, step = 0.75 }`` (both ends included; ``step`` is 1 if left out).
A matcher is one value, a list of values or ``{ min = …, max = … }``.
"""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BeforeValidator

#: Longest list a range may expand to. Ours: a thousand times a long axis, far below what fills the memory.
LONGEST_RANGE = 100_000

#: Largest difference at which two numbers of a file are the same value: far above float noise of a range's arithmetic,
#: far below any step that a bench can make.
SAME_WITHIN = 1e-9


def expand_range(start: float, stop: float, step: float) -> tuple[float, ...]:
    """Values from ``start`` to ``stop``, both included, ``step`` apart (its sign is taken from the direction).

    Each value is computed from its index, so float noise does not add up. Raises ValueError if the span is not a
    whole number of steps, the step is zero or the list would be longer than ``LONGEST_RANGE``.
    """
    if step == 0 or not all(map(math.isfinite, (start, stop, step))):
        raise ValueError("a range needs finite ends and a step other than 0")
    count = abs(stop - start) / abs(step)
    if count > LONGEST_RANGE:
        raise ValueError(f"a range of more than {LONGEST_RANGE} values")
    steps = round(count)
    if abs(count - steps) > 1e-6:
        raise ValueError(f"from {start:g} to {stop:g} is not a whole number of steps of {abs(step):g}")
    signed = math.copysign(step, stop - start)
    return tuple(round(start + index * signed, 12) for index in range(steps + 1))


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"found {value!r}, a number is wanted")
    if not math.isfinite(value):
        raise ValueError("not a finite number")
    return float(value)


def _number_list(value: Any) -> tuple[float, ...]:
    if isinstance(value, dict):
        unknown = set(value) - {"from", "to", "step"}
        if unknown or not {"from", "to"} <= set(value):
            raise ValueError("a range is { from = …, to = …, step = … }")
        return expand_range(_number(value["from"]), _number(value["to"]), _number(value.get("step", 1)))
    if isinstance(value, list | tuple):
        if not value:
            raise ValueError("the list is empty")
        return tuple(_number(item) for item in value)
    return (_number(value),)


NumberList = Annotated[tuple[float, ...], BeforeValidator(_number_list)]


class Matcher:
    """What a limit's or an exclusion's table says about one axis."""

    __slots__ = ("_values", "highest", "lowest")

    def __init__(
        self,
        values: tuple[float | str, ...] | None,
        lowest: float = -math.inf,
        highest: float = math.inf,
    ) -> None:
        self._values = values
        self.lowest = lowest
        self.highest = highest

    @property
    def values(self) -> tuple[float | str, ...] | None:
        """The listed values, or None for an interval."""
        return self._values

    @classmethod
    def parse(cls, value: Any) -> Matcher:
        """Read one matcher from TOML data; raises ValueError for anything else."""
        if isinstance(value, Matcher):
            return value
        if isinstance(value, dict):
            if "from" in value:
                return cls(_number_list(value))
            if not value or set(value) - {"min", "max"}:
                raise ValueError("an interval is { min = …, max = … }")
            low, high = _number(value.get("min", -1e300)), _number(value.get("max", 1e300))
            if low > high:
                raise ValueError(f"min {low:g} is above max {high:g}")
            return cls(None, low, high)
        items = value if isinstance(value, list | tuple) else [value]
        if not items:
            raise ValueError("the list is empty")
        return cls(tuple(item if isinstance(item, str) else _number(item) for item in items))

    def matches(self, value: float | str) -> bool:
        """Whether ``value`` is meant. Numbers match within ``SAME_WITHIN`` (relative to the larger of 1 and value)."""
        if self._values is None:
            return not isinstance(value, str) and self.lowest - SAME_WITHIN <= value <= self.highest + SAME_WITHIN
        if isinstance(value, str):
            return value in self._values
        tolerance = SAME_WITHIN * max(1.0, abs(value))
        return any(not isinstance(item, str) and abs(item - value) <= tolerance for item in self._values)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Matcher) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def _key(self) -> tuple[object, ...]:
        return self._values, self.lowest, self.highest

    def __repr__(self) -> str:
        return f"Matcher({self})"

    def __str__(self) -> str:
        if self._values is None:
            return f"{self.lowest:g} … {self.highest:g}"
        texts = [item if isinstance(item, str) else f"{item:g}" for item in self._values]
        if len(texts) > 4:
            return f"{texts[0]}, {texts[1]} … {texts[-1]}"
        return ", ".join(texts)

    @classmethod
    def __get_pydantic_core_schema__(cls, _source: Any, _handler: Any) -> Any:
        from pydantic_core import core_schema

        return core_schema.no_info_plain_validator_function(cls.parse)
