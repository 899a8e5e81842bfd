"""``[bench]`` of a bench file: what holds for the bench as a whole."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from sequences.part_file import FileModel


class BenchFacts(FileModel):
    """``[bench]``: name, VISA library and clock.

    ``drivers`` names a folder of drivers of one's own, relative to the bench file. ``speed``, with the scaled clock:
    how many times faster than real time a served rig and its run live. ``guard_after_s``: a run that shows no sign of
    life for so long, in real seconds, counts as hung, and the guard process makes the bench safe.
    ``watch_every_s``: how often at least the interlocks look at the bench, besides the exchange that is going on.
    """

    name: str = Field(min_length=1)
    visa_library: str = ""
    drivers: str | None = Field(default=None, min_length=1)
    clock: Literal["real", "simulated", "scaled"] = "real"
    speed: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    guard_after_s: float | None = Field(default=None, ge=1, allow_inf_nan=False)
    watch_every_s: float = Field(default=10.0, gt=0, le=60)

    @model_validator(mode="after")
    def _speed_fits(self) -> Self:
        if self.clock == "scaled" and self.speed is None:
            raise ValueError('clock = "scaled" needs speed, such as speed = 600: how many times faster than real time')
        if self.clock != "scaled" and self.speed is not None:
            raise ValueError(f'speed goes only with clock = "scaled", and clock is "{self.clock}"')
        return self
