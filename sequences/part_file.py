"""The part file: what a part is, what it survives and what its datasheet promises.

Rule: only what one file can say about itself is checked here; rules across files live in ``cross_checks``.
Units ride on the field names; ``read_files`` accepts any prefix of the same unit (``frequency_mhz``) and hands SI over.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from sequences.values import Matcher, NumberList

SupplyModeName = Annotated[str, Field(min_length=1)]


class FileModel(BaseModel):
    """Base of everything read from a file: frozen, no unknown keys, no NaN, no silent conversion of text."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, strict=True)


class Span(FileModel):
    """A closed interval."""

    min: float
    max: float

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.min > self.max:
            raise ValueError("min is above max")
        return self

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies within, ends included."""
        return self.min <= value <= self.max


class PartFacts(FileModel):
    """``[part]``: name and what its terminals look like."""

    name: str = Field(min_length=1)
    description: str = ""
    channels: tuple[str, ...] = Field(min_length=1)
    input_resistance_ohm: float = Field(gt=0)
    loads_ohm: tuple[float, ...] = Field(min_length=1)
    reference_load_ohm: float = Field(gt=0)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if len(set(self.channels)) != len(self.channels):
            raise ValueError("a channel is named twice in channels")
        if self.reference_load_ohm not in self.loads_ohm:
            raise ValueError(f"reference_load_ohm {self.reference_load_ohm:g} is not one of loads_ohm")
        return self


class GainCodes(FileModel):
    """``[gain_codes]``: the digital words and the nominal voltage gain at each, into the reference load."""

    codes: NumberList
    nominal_gain_db: NumberList

    @model_validator(mode="after")
    def _same_length(self) -> Self:
        if len(self.codes) != len(self.nominal_gain_db):
            raise ValueError(f"{len(self.codes)} codes but {len(self.nominal_gain_db)} nominal gains")
        if any(code != int(code) or code < 0 for code in self.codes):
            raise ValueError("codes must be whole numbers from 0")
        if len(set(self.codes)) != len(self.codes):
            raise ValueError("a code is listed twice")
        return self

    @cached_property
    def gain_of(self) -> dict[int, float]:
        """Nominal gain in dB by code, in file order."""
        return {int(code): gain for code, gain in zip(self.codes, self.nominal_gain_db, strict=True)}


class SupplyMode(FileModel):
    """``[[supply_mode]]``: a named bias state."""

    name: SupplyModeName
    supply_v: float = Field(gt=0)
    mode_word: int = Field(ge=0)
    typical_current_a: float = Field(gt=0)
    plausible_current_a: Span
    current_limit_a: float = Field(gt=0)


class Ratings(FileModel):
    """``[absolute_maximum]``: beyond these the unit is damaged. Not operating points."""

    supply_v: float = Field(gt=0)
    supply_current_a: float = Field(gt=0)
    input_level_dbm: float
    saturated_output_dbm: float
    temperature_c: Span
    ramp_k_per_min: float = Field(gt=0)


class Operating(FileModel):
    """``[operating]``: the range for which the datasheet speaks."""

    temperature_c: Span
    frequency_hz: Span


DecisionRule = Literal["guard band", "simple"]


class Limit(FileModel):
    """``[[limit]]``: one datasheet line.

    ``where`` maps an axis name (``gain_code``, ``temperature_c``, …) to a value, a list or ``{min, max}``; axes left
    out are not restricted. ``typical`` is informative; the simulated bench and the first estimate use it.
    ``guard_band_factor`` r makes the guard band w = r·U.
    """

    characteristic: str = Field(min_length=1)
    unit: str
    min: float | None = None
    max: float | None = None
    typical: float | None = None
    where: dict[str, Matcher] = Field(default_factory=dict)
    rule: DecisionRule = "guard band"
    guard_band_factor: float = Field(default=1.0, gt=0)

    @model_validator(mode="after")
    def _bounded(self) -> Self:
        if self.rule == "simple" and "guard_band_factor" in self.model_fields_set:
            raise ValueError('guard_band_factor goes with the rule "guard band"; the simple rule has none')
        if self.min is None and self.max is None:
            raise ValueError("a limit needs min, max or both")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise ValueError("min is above max")
        return self


class CascadeMeasured(FileModel):
    """``[[cascade.measured]]``: what a cascade was measured at elsewhere, at one gain code per stage.

    ``where`` restricts axes as a limit's does; ``uncertainty_db`` is the expanded one (k = 2) of each figure given.
    """

    gain_codes: NumberList
    gain_db: float | None = None
    noise_figure_db: float | None = None
    oip3_dbm: float | None = None
    uncertainty_db: float = Field(ge=0)
    where: dict[str, Matcher] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.gain_db is None and self.noise_figure_db is None and self.oip3_dbm is None:
            raise ValueError("gain_db, noise_figure_db, oip3_dbm: give one at least")
        known = ("temperature_c", "supply_mode", "tone_level_dbm", "frequency_hz")
        if not set(self.where) <= set(known):
            raise ValueError(f"where: stages share {', '.join(known)}; nothing else can be asked for")
        return self


class Cascade(FileModel):
    """``[[cascade]]``: channels in a row, to be predicted from what each does alone.

    Each stage drives the input resistance of the next. ``loss_db`` lies between two stages, one number for all gaps or
    one for each; ``uncertainty_db`` is its expanded uncertainty (k = 2). ``noise_figure_db``, one for all stages or one
    for each, is used where a run did not measure it. A channel of the cascade's name is the cascade itself, measured
    with all stages at the same gain code.
    """

    name: str = Field(min_length=1)
    stages: tuple[str, ...] = Field(min_length=2)
    loss_db: NumberList = (0.0,)
    uncertainty_db: float = Field(default=0.0, ge=0)
    noise_figure_db: NumberList | None = None
    measured: tuple[CascadeMeasured, ...] = ()

    @model_validator(mode="after")
    def _lengths(self) -> Self:
        count = len(self.stages)
        if len(self.loss_db) not in (1, count - 1) or any(loss < 0 for loss in self.loss_db):
            raise ValueError(f"loss_db: one number from 0 up, or {count - 1}, one for each gap")
        if self.noise_figure_db is not None and len(self.noise_figure_db) not in (1, count):
            raise ValueError(f"noise_figure_db: one number, or {count}, one for each stage")
        if any(len(one.gain_codes) != count for one in self.measured):
            raise ValueError(f"measured: gain_codes must be {count}, one for each stage")
        if self.name in self.stages:
            raise ValueError("a cascade cannot be a stage of itself")
        return self


class Part(FileModel):
    """A whole part file."""

    part: PartFacts
    gain_codes: GainCodes
    supply_mode: tuple[SupplyMode, ...] = Field(min_length=1)
    absolute_maximum: Ratings
    operating: Operating
    limit: tuple[Limit, ...] = ()
    cascade: tuple[Cascade, ...] = ()

    @model_validator(mode="after")
    def _cascades_exist(self) -> Self:
        names = [cascade.name for cascade in self.cascade]
        if len(set(names)) != len(names):
            raise ValueError("two cascades share a name")
        for cascade in self.cascade:
            for stage in cascade.stages:
                if stage not in self.part.channels:
                    raise ValueError(f"cascade {cascade.name!r}: stage {stage!r} is not one of part.channels")
            codes = {code for one in cascade.measured for code in one.gain_codes}
            if not codes <= set(self.gain_codes.codes):
                raise ValueError(f"cascade {cascade.name!r}: measured at a gain code that the part does not have")
        return self

    @cached_property
    def single_channels(self) -> tuple[str, ...]:
        """Channels that are one amplifier, in file order: those that are not the name of a cascade."""
        names = {cascade.name for cascade in self.cascade}
        return tuple(channel for channel in self.part.channels if channel not in names)

    @cached_property
    def modes(self) -> dict[str, SupplyMode]:
        """Supply modes by name, in file order."""
        return {mode.name: mode for mode in self.supply_mode}

    @model_validator(mode="after")
    def _modes_differ(self) -> Self:
        if len({mode.name for mode in self.supply_mode}) != len(self.supply_mode):
            raise ValueError("two supply modes share a name")
        return self
