"""Number lists and matchers as people write them in the three files.

A number list is ``[1, 2, 3]`` or ``{ from = 0, to = 30, step = 0.75 }`` (both ends included; ``step`` is 1 if left
out), or one number. A matcher is one value, a list of values, such a range, or ``{ min = …, max = … }``.

Rule: the texts of the errors say what is wanted; whoever reports them adds what was found, as the file spells it.
"""

from __future__ import annotations

import math
import sys
from decimal import Decimal
from typing import Annotated, Any

from pydantic import BeforeValidator

#: Longest list a range may expand to. Ours: a thousand times a long axis, far below what fills the memory.
LONGEST_RANGE = 100_000

#: Largest difference at which two numbers of a file are the same value: far above float noise of a range's arithmetic,
#: far below any step that a bench can make.
SAME_WITHIN = 1e-9


def expand_range(start: float, stop: float, step: float) -> tuple[float, ...]:
    """Values from ``start`` to ``stop``, both included, ``step`` apart (its sign is taken from the direction).

    Each value is the float of its decimal text: 1 down to −0.05 in steps of 0.35 ends at −0.05. Raises ValueError if
    the span is not a whole number of steps, the step is zero or the list would be longer than ``LONGEST_RANGE``.
    """
    if step == 0 or not all(map(math.isfinite, (start, stop, step))):
        raise ValueError("a range needs finite ends and a step other than 0")
    count = abs(stop - start) / abs(step)
    if count > LONGEST_RANGE:
        raise ValueError(f"a range may hold {LONGEST_RANGE} values at most")
    steps = round(count)
    if abs(count - steps) > 1e-6:
        raise ValueError("from … to must be a whole number of steps")
    first, signed = Decimal(repr(start)), Decimal(repr(math.copysign(step, stop - start)))
    return tuple(float(first + index * signed) for index in range(steps + 1))


def number(value: Any) -> float:
    """``value`` as a float. Raises ValueError for text, truth values, infinities and what is no number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("a number is wanted")  # noqa: TRY004 - pydantic turns only ValueError into a fault
    # An integer of a TOML file may be larger than any float; this comparison is exact for it.
    if not abs(value) <= sys.float_info.max:
        raise ValueError("a finite number is wanted")
    return float(value)


def number_list(value: Any) -> tuple[float, ...]:
    """Read one number list from TOML data; raises ValueError for anything else."""
    if isinstance(value, dict):
        unknown = set(value) - {"from", "to", "step"}
        if unknown or not {"from", "to"} <= set(value):
            raise ValueError("a range is { from = …, to = …, step = … }")
        return expand_range(number(value["from"]), number(value["to"]), number(value.get("step", 1)))
    if isinstance(value, list | tuple):
        if not value:
            raise ValueError("the list is empty")
        return tuple(number(item) for item in value)
    return (number(value),)


NumberList = Annotated[tuple[float, ...], BeforeValidator(number_list)]


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
            return cls._parse_table(value)
        items = value if isinstance(value, list | tuple) else [value]
        if not items:
            raise ValueError("the list is empty")
        return cls(tuple(item if isinstance(item, str) else number(item) for item in items))

    @classmethod
    def _parse_table(cls, table: dict[str, Any]) -> Matcher:
        if "from" in table:
            return cls(number_list(table))
        if not table or set(table) - {"min", "max"}:
            raise ValueError("an interval is { min = …, max = … }")
        low = number(table["min"]) if "min" in table else -math.inf
        high = number(table["max"]) if "max" in table else math.inf
        if low > high:
            raise ValueError("min is above max")
        return cls(None, low, high)

    def matches(self, value: float | str) -> bool:
        """Whether ``value`` is meant. Numbers match within ``SAME_WITHIN`` (relative to the larger of 1 and value)."""
        if isinstance(value, str):
            return self._values is not None and value in self._values
        tolerance = SAME_WITHIN * max(1.0, abs(value))
        if self._values is None:
            return self.lowest - tolerance <= value <= self.highest + tolerance
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
