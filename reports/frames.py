"""The tables that a run is handed over in: columns, units and keys, checked at the door.

Rule: whoever makes these frames (the store) does no arithmetic on readings; whoever takes them never asks for more.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Literal

import pandas as pd

from sequences.de_embedding import DeEmbedding
from sequences.products import LOOKS

if TYPE_CHECKING:
    from sequences.bench_file import Bench
    from sequences.part_file import Part
    from sequences.path_losses import PathLosses
    from sequences.sequence_file import Sequence

#: Swept values of a condition and their pandas dtype kind; also the column order of every table for people.
AXES: dict[str, str] = {
    "channel": "str",
    "gain_code": "int64",
    "temperature_c": "float64",
    "supply_mode": "str",
    "load_ohm": "float64",
    "tone_level_dbm": "float64",
    "frequency_hz": "float64",
}

_PER_LINE = {"level_dbm": "dBm", "scatter_db": "dB", "attenuation_db": "dB", "bandwidth_hz": "Hz", "points": ""}

#: Every reading that a run can hold, with its unit. Line levels are at the analyzer's connector, source levels are
#: the sources' settings as read back. What is measured of a source is the power meter's reading with that source alone.
#: The sensor is the chamber's second one, near the unit.
READINGS: dict[str, str] = {
    "source_1_level_dbm": "dBm",
    "source_2_level_dbm": "dBm",
    "source_1_measured_dbm": "dBm",
    "source_2_measured_dbm": "dBm",
    **{f"{line}_{kind}": unit for line in LOOKS for kind, unit in _PER_LINE.items()},
    "supply_voltage_v": "V",
    "supply_current_a": "A",
    "board_temperature_c": "°C",
    "air_temperature_c": "°C",
    "sensor_temperature_c": "°C",
    "small_signal_power_dbm": "dBm",
    "small_signal_bandwidth_hz": "Hz",
}

#: The S-parameters of one sweep of the network analyzer, between its own two ports.
S_PARAMETERS = ("s11", "s21", "s12", "s22")

#: Columns of ``RunFrames.curves``.
CURVE_COLUMNS = (
    "condition",
    "repeat",
    "frequency_hz",
    *(f"{name}_{part}" for name in S_PARAMETERS for part in ("re", "im")),
)


def no_curves() -> pd.DataFrame:
    """The curves of a run without a network analyzer: the columns, and no row."""
    columns = {name: "int64" if name in ("condition", "repeat") else "float64" for name in CURVE_COLUMNS}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in columns.items()})


def no_times() -> pd.DataFrame:
    """When the conditions were complete, where nobody knows it: the column, and no row."""
    frame = pd.DataFrame({"completed": pd.Series(dtype="datetime64[us, UTC]")})
    frame.index = pd.Index((), dtype="int64", name="condition")
    return frame


def none_skipped() -> pd.DataFrame:
    """The skipped conditions of a run that left none out: the columns, and no row."""
    columns = {**AXES, "reason": "str"}
    frame = pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in columns.items()})
    frame.index = pd.Index((), dtype="int64", name="condition")
    return frame


class FrameFault(ValueError):
    """A frame does not have the columns, types or keys that this module promises."""


@dataclass(frozen=True, slots=True)
class RunFacts:
    """What a run is, apart from its numbers. Times are timezone-aware UTC; ``planned`` conditions are not all done.

    ``kind`` is "unit", or "through" for a run with a piece of line in the unit's place.
    """

    run: str
    unit: str
    operator: str
    state: str
    began: datetime
    ended: datetime | None
    tool_version: str
    planned: int
    kind: Literal["unit", "through"] = "unit"


@dataclass(frozen=True, slots=True)
class HazardNote:
    """One hazard as it was named before power-up; ``acknowledged``: by whom and when, empty if by nobody."""

    severity: str
    title: str
    cause: str
    consequence: str
    action: str
    source: str
    name: str = ""
    acknowledged: str = ""


@dataclass(frozen=True, eq=False)
class RunFrames:
    """One run, ready to be derived.

    Attributes:
        facts: Which run, whose, when.
        part, bench, sequence: The three files as they were when the run began, or those it is derived with.
        path_losses: Loss and uncertainty of each path against frequency.
        conditions: One row per complete condition; index ``condition`` (int, in run order), columns ``AXES`` and
            ``flag`` (what a reader must know, e.g. that the soak timed out; empty for nothing).
        readings: Long table, columns ``condition`` (int), ``repeat`` (int from 0), ``quantity`` (category of
            ``READINGS``), ``value`` (float).
        instruments: Columns ``place``, ``resource``, ``maker``, ``model``, ``serial``, ``firmware``,
            ``calibration_due`` (ISO date or empty).
        events: Columns ``at`` (datetime, UTC), ``kind``, ``text``, in order; ``facts`` (numbers by name) where known.
        hazards: As named before power-up.
        curves: Columns ``CURVE_COLUMNS``, one row per condition, repeat and frequency, frequencies rising: what the
            network analyzer read between its ports; no row if it was not used.
        de_embedding: What lies between the network analyzer and the unit.
        deviation_gaps: What an instrument's table of deviations leaves unchecked, in clauses, by place.
        residual: A run of the same bench with a through in the unit's place, if its readings are to say what sources,
            combiner and analyzer contribute; else the bench file's figures say it.
        times: ``completed`` (datetime, UTC) of each complete condition; index as in ``conditions``.
        skipped: Conditions that were left out as their instruments failed in every attempt; index and ``AXES`` as in
            ``conditions``, and ``reason``.
    """

    facts: RunFacts
    part: Part
    bench: Bench
    sequence: Sequence
    path_losses: PathLosses
    conditions: pd.DataFrame
    readings: pd.DataFrame
    instruments: pd.DataFrame
    events: pd.DataFrame
    hazards: tuple[HazardNote, ...]
    curves: pd.DataFrame = field(default_factory=no_curves)
    de_embedding: DeEmbedding = field(default_factory=DeEmbedding)
    deviation_gaps: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    residual: RunFrames | None = None
    skipped: pd.DataFrame = field(default_factory=none_skipped)
    times: pd.DataFrame = field(default_factory=no_times)

    def __post_init__(self) -> None:
        _check("conditions", self.conditions, (*AXES, "flag"))
        _check("readings", self.readings, ("condition", "repeat", "quantity", "value"))
        _check("curves", self.curves, CURVE_COLUMNS)
        _check("events", self.events, ("at", "kind", "text"))
        if self.conditions.index.name != "condition" or not self.conditions.index.is_unique:
            raise FrameFault("conditions: the index must be named 'condition' and hold each number once")
        unknown = set(self.readings["quantity"].unique()) - set(READINGS)
        if unknown:
            raise FrameFault(f"readings: unknown quantity {sorted(unknown)[0]!r}")


def _check(name: str, frame: pd.DataFrame, columns: tuple[str, ...]) -> None:
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise FrameFault(f"{name}: no column {missing[0]!r}; it has {', '.join(map(str, frame.columns))}")
