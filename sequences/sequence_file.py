"""The sequence file: what to sweep and what to measure at each condition."""

from __future__ import annotations

import itertools
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from sequences.part_file import FileModel
from sequences.values import Matcher, NumberList, number_list
from sequences.window import Window

NonNegative = Annotated[float, Field(ge=0)]


def _texts(value: Any) -> tuple[str, ...] | str:
    if isinstance(value, str):
        return value if value == "all" else (value,)
    if not isinstance(value, list | tuple) or not value or not all(isinstance(item, str) for item in value):
        raise ValueError('a name, a list of names or "all" is wanted')
    return tuple(value)


def _numbers_or_all(value: Any) -> tuple[float, ...] | str:
    if isinstance(value, str):
        if value != "all":
            raise ValueError('a number, a list, a range { from = …, to = …, step = … } or "all" is wanted')
        return value
    return number_list(value)


All = Literal["all"]
Names = Annotated[tuple[str, ...] | All, BeforeValidator(_texts)]
NumbersOrAll = Annotated[tuple[float, ...] | All, BeforeValidator(_numbers_or_all)]


class SequenceFacts(FileModel):
    """``[sequence]``: name, the files it goes with, and what holds for the whole run.

    With ``on_fault = "retry"`` a run whose instrument fails makes the bench safe, waits, and goes on with the condition
    in progress, up to ``retries`` times for each condition: a night may have many faults that pass, and an instrument
    that is gone lets no condition be completed. With ``on_failing_condition = "skip"`` a condition that has failed in
    all its attempts is marked and left out, unless ``most_skipped_in_a_row`` have been. ``recheck`` says how many
    conditions are measured once more whenever a run is resumed, to see what has drifted across the break.

    A run that is held has RF off, and bias as ``while_paused`` says; after ``longest_pause_s`` it stops. One that an
    interlock has paused goes on when somebody says so or, with ``after_interlock = "go on"``, as soon as the interlock
    holds again. ``window`` is when it may run.

    ``recording`` is how much of what the run hears is kept: all of it, which can be replayed; with "failures" not what
    was said at a condition that went well; or nothing.
    """

    name: str = Field(min_length=1)
    description: str = ""
    part: str = Field(min_length=1)
    bench: str | None = None
    reference_temperature_c: float = 25.0
    repeats: int = Field(default=1, ge=1, le=1000)
    on_soak_timeout: Literal["trip", "flag"] = "trip"
    on_fault: Literal["trip", "retry"] = "trip"
    retries: int = Field(default=2, ge=1, le=100)
    retry_after_s: NonNegative = 10.0
    recheck: int = Field(default=0, ge=0, le=100)
    recording: Literal["whole", "failures", "none"] = "whole"
    on_failing_condition: Literal["trip", "skip"] = "trip"
    most_skipped_in_a_row: int = Field(default=3, ge=1, le=1000)
    while_paused: Literal["bias off", "bias on"] = "bias off"
    longest_pause_s: float = Field(default=4 * 3600.0, gt=0)
    after_interlock: Literal["wait", "go on"] = "wait"
    window: Window | None = None

    @model_validator(mode="after")
    def _skips_after_retries(self) -> Self:
        if self.on_failing_condition == "skip" and self.on_fault != "retry":
            raise ValueError('on_failing_condition = "skip" needs on_fault = "retry": once is not again and again')
        return self


class Axes(FileModel):
    """``[axes]``: every combination of these is a condition, unless excluded.

    ``all`` means what the part file lists. ``tone_level_dbm`` is the level per tone at the place ``[tones]`` names.
    """

    channel: Names = "all"
    gain_code: NumbersOrAll = "all"
    temperature_c: NumberList = (25.0,)
    supply_mode: Names = "all"
    load_ohm: NumbersOrAll = "all"
    tone_level_dbm: NumberList
    frequency_hz: NumberList

    @field_validator("gain_code")
    @classmethod
    def _whole(cls, value: tuple[float, ...] | All) -> tuple[float, ...] | All:
        if value != "all" and any(code != int(code) or code < 0 for code in value):
            raise ValueError("codes must be whole numbers from 0")
        return value


class Exclusion(FileModel):
    """``[[exclude]]``: leave out conditions that match all of ``when``, save those that match all of ``unless``."""

    reason: str = ""
    when: dict[str, Matcher] = Field(min_length=1)
    unless: dict[str, Matcher] = Field(default_factory=dict)


class Tones(FileModel):
    """``[tones]``: the two tones stand half the spacing below and above the condition's frequency.

    The upper one is ``upper_minus_lower_db`` stronger. ``level_at`` says where ``tone_level_dbm`` is meant: at the
    unit's output into the load (the sources follow the nominal gain) or at its input.
    """

    spacing_hz: float = Field(gt=0)
    upper_minus_lower_db: float = Field(default=0.0, ge=-20, le=20)
    level_at: Literal["output", "input"] = "output"


class SmallSignal(FileModel):
    """What the network analyzer sweeps: its frequencies, source power and bandwidth."""

    frequency_hz: NumberList
    power_dbm: float = Field(le=0)
    bandwidth_hz: float = Field(gt=0)

    @field_validator("frequency_hz")
    @classmethod
    def _rising(cls, value: tuple[float, ...]) -> tuple[float, ...]:
        if len(value) < 2 or any(later <= earlier for earlier, later in itertools.pairwise(value)) or value[0] <= 0:
            raise ValueError("a sweep needs two or more rising frequencies above 0")
        return value


class Measure(FileModel):
    """``[measure]``: what to read at each condition, and how well.

    ``tone_scatter_db`` and ``product_scatter_db`` are the largest standard uncertainties that noise alone may leave
    in a reading; the acquisition looks for the fastest analyzer setting that reaches them. ``compression`` reads the
    lower tone alone, with the upper one off; ``noise`` reads the noise at the condition's frequency with both off, as
    long as ``noise_scatter_db`` asks for. ``small_signal`` is a sweep of the network analyzer at the first condition of
    each channel, code, temperature, mode and load.
    """

    two_tone: bool = True
    harmonics: bool = True
    supply: bool = True
    tone_scatter_db: float = Field(default=0.02, gt=0)
    product_scatter_db: float = Field(default=0.2, gt=0)
    compression: bool = False
    noise: bool = False
    noise_scatter_db: float = Field(default=0.1, gt=0)
    small_signal: SmallSignal | None = None

    @model_validator(mode="after")
    def _something(self) -> Self:
        asked = (self.two_tone, self.harmonics, self.supply, self.compression, self.noise, self.small_signal)
        if not any(asked):
            words = "two_tone, harmonics, supply, compression and noise"
            raise ValueError(f"{words} are all false: nothing is left to measure")
        return self


class Soak(FileModel):
    """``[soak]``: when the unit, not the air, has reached temperature.

    The air may take half as long again as the chamber's ramp rate says, and ``arrival_s`` besides: a chamber that has
    not arrived by then does not get there.
    """

    air_within_k: float = Field(default=0.7, gt=0)
    board_within_k: float = Field(default=1.0, gt=0)
    drift_k_per_min: float = Field(default=0.1, gt=0)
    hold_s: NonNegative = 180.0
    shortest_s: NonNegative = 300.0
    longest_s: float = Field(default=5400.0, gt=0)
    arrival_s: NonNegative = 900.0
    poll_s: float = Field(default=10.0, gt=0)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.shortest_s > self.longest_s:
            raise ValueError("the shortest soak is longer than the longest")
        return self


class Settle(FileModel):
    """``[settle]``: how long the unit needs after each kind of change, beyond what the instruments need."""

    supply_mode_s: NonNegative = 1.0
    load_s: NonNegative = 0.1
    frequency_s: NonNegative = 0.02
    tone_level_s: NonNegative = 0.02
    channel_s: NonNegative = 0.05
    gain_code_s: NonNegative = 0.01


class Sequence(FileModel):
    """A whole sequence file."""

    sequence: SequenceFacts
    axes: Axes
    exclude: tuple[Exclusion, ...] = ()
    tones: Tones
    measure: Measure = Measure()
    soak: Soak = Soak()
    settle: Settle = Settle()
