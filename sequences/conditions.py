"""Conditions: every combination of the swept values that no exclusion takes out.

Order here is that of the sequence file; ``order`` arranges for speed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import astuple, dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from sequences.bench_file import Bench
from sequences.errors import FileFault, FileFaults
from sequences.part_file import Part
from sequences.sequence_file import Exclusion, Sequence
from sequences.values import SAME_WITHIN

#: Most combinations of the axes before exclusions. Ours: two hundred long nights, and still only megabytes of masks.
MOST_COMBINATIONS = 20_000_000
#: Most conditions of one run. Ours: at a second each more than a week without a pause.
MOST_CONDITIONS = 1_000_000


@dataclass(frozen=True, slots=True)
class Condition:
    """One combination of swept values. Units ride on the names; ``tone_level_dbm`` is that of the lower tone."""

    channel: str
    gain_code: int
    temperature_c: float
    supply_mode: str
    load_ohm: float
    tone_level_dbm: float
    frequency_hz: float

    def as_dict(self) -> dict[str, str | int | float]:
        """Values by axis name, in the order of the axes."""
        return dict(zip(AXIS_NAMES, astuple(self), strict=True))


AXIS_NAMES: tuple[str, ...] = tuple(field.name for field in fields(Condition))

#: Axes whose values are names, not numbers.
NAMED_AXES = ("channel", "supply_mode")

#: Values of one axis.
AxisValues = tuple[str, ...] | tuple[int, ...] | tuple[float, ...]


def axis_values(sequence: Sequence, part: Part) -> dict[str, AxisValues]:
    """Values of each axis as the sequence lists them, ``all`` filled in from the part, each once."""
    axes = sequence.axes
    every: dict[str, AxisValues] = {
        "channel": part.part.channels,
        "gain_code": tuple(part.gain_codes.gain_of),
        "supply_mode": tuple(part.modes),
        "load_ohm": part.part.loads_ohm,
    }
    found: dict[str, AxisValues] = {}
    for name in AXIS_NAMES:
        listed = getattr(axes, name)
        values: AxisValues = every[name] if listed == "all" else listed
        found[name] = _distinct(values) if name not in NAMED_AXES else tuple(map(str, dict.fromkeys(values)))
    found["gain_code"] = tuple(int(code) for code in found["gain_code"])
    return found


def expand(sequence: Sequence, part: Part, bench: Bench) -> tuple[Condition, ...]:
    """All conditions of a sequence, channel changing slowest and frequency fastest, each once.

    An axis ``all`` takes what the part has and the bench reaches: a load or channel without a route at this bench is
    left to ``cross_checks`` to name, not silently dropped. Raises FileFaults when nothing is left, or far too much.
    """
    values = axis_values(sequence, part)
    shape = tuple(len(values[name]) for name in AXIS_NAMES)
    if math.prod(shape) > MOST_COMBINATIONS:
        raise _fault(sequence, "[axes]", f"{math.prod(shape)} combinations", f"{MOST_COMBINATIONS} or fewer")
    kept = np.ones(shape, dtype=np.bool_)
    for exclusion in sequence.exclude:
        kept &= ~_excluded(exclusion, values)
    count = int(np.count_nonzero(kept))
    if count == 0:
        raise _fault(sequence, "[[exclude]]", "no condition that is left", "at least one")
    if count > MOST_CONDITIONS:
        raise _fault(sequence, "[axes]", f"{count} conditions", f"{MOST_CONDITIONS} or fewer")
    combinations: Iterable[tuple[Any, ...]] = itertools.product(*(values[name] for name in AXIS_NAMES))
    return tuple(Condition(*chosen) for chosen in itertools.compress(combinations, kept.ravel().tolist()))


def _excluded(exclusion: Exclusion, values: dict[str, AxisValues]) -> npt.NDArray[np.bool_]:
    """Mask over the grid of combinations: matches all of ``when`` and not all of ``unless``."""
    shape = tuple(len(values[name]) for name in AXIS_NAMES)
    masks = []
    for table in (exclusion.when, exclusion.unless):
        mask = np.ones(shape, dtype=np.bool_)
        for name, matcher in table.items():
            along = np.array([matcher.matches(value) for value in values[name]], dtype=np.bool_)
            place = AXIS_NAMES.index(name)
            mask &= along.reshape(tuple(-1 if axis == place else 1 for axis in range(len(shape))))
        masks.append(mask)
    when, unless = masks
    return when & ~unless if exclusion.unless else when


def _distinct(values: Iterable[Any]) -> tuple[Any, ...]:
    """Numbers in their order, without those that equal an earlier one within ``SAME_WITHIN``."""
    listed = list(dict.fromkeys(values))
    by_size = sorted(range(len(listed)), key=lambda index: (listed[index], index))
    dropped: set[int] = set()
    for before, after in itertools.pairwise(by_size):
        if listed[after] - listed[before] <= SAME_WITHIN * max(1.0, abs(listed[after])):
            dropped.add(max(before, after))
    return tuple(value for index, value in enumerate(listed) if index not in dropped)


def _fault(sequence: Sequence, table: str, found: str, allowed: str) -> FileFaults:
    return FileFaults([FileFault("not allowed", f"sequence {sequence.sequence.name}", table, "", found, allowed)])
