"""``[bench]`` of a bench file: what holds for the bench as a whole."""

from __future__ import annotations

from typing import Literal, Self

from pydantic import Field, model_validator

from sequences.part_file import FileModel


class BenchFacts(FileModel):
    """``[bench]``: name, VISA library and clock.

    ``drivers`` names a folder of drivers of one's own, relative to the bench file. ``speed``, with the scaled clock:
    how many times faster than real time a served rig and its run live.
    """

    name: str = Field(min_length=1)
    visa_library: str = ""
    drivers: str | None = Field(default=None, min_length=1)
    clock: Literal["real", "simulated", "scaled"] = "real"
    speed: float | None = Field(default=None, gt=0, allow_inf_nan=False)

    @model_validator(mode="after")
    def _speed_fits(self) -> Self:
        if self.clock == "scaled" and self.speed is None:
            raise ValueError('clock = "scaled" needs speed, such as speed = 600: how many times faster than real time')
        if self.clock != "scaled" and self.speed is not None:
            raise ValueError(f'speed goes only with clock = "scaled", and clock is "{self.clock}"')
        return self
