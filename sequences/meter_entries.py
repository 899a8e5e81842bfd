"""``[instrument.current_meter]`` and ``[instrument.board_thermometer]``: multimeters, and how they take readings."""

from __future__ import annotations

import math
from typing import Literal, Self

from pydantic import Field, model_validator

from sequences.chamber_entry import TemperatureAccuracy
from sequences.instrument_entry import InstrumentEntry
from sequences.part_file import FileModel
from sequences.path_entries import NonNegative


class CurrentAccuracy(FileModel):
    """Reading error within ±(``offset_a`` + ``gain`` · reading); offset and gain are drawn apart.

    ``noise_a`` is the standard deviation of a reading of one cycle of the mains; it falls with the root of the cycles.
    """

    offset_a: NonNegative
    gain: NonNegative
    noise_a: NonNegative = 0.0


class MeterEntry(InstrumentEntry):
    """A multimeter. ``reading_s`` is the time of a reading of one cycle of the mains, and grows with the cycles.

    Less than one cycle is not taken: the mains would be read with the quantity (common practice, no source).
    """

    reading_s: NonNegative = 0.04
    integration_cycles: float = Field(default=1.0, ge=1, le=1000)

    @property
    def whole_reading_s(self) -> float:
        """Time of a reading."""
        return self.reading_s * self.integration_cycles


class CurrentMeterEntry(MeterEntry):
    """A meter in the supply line. ``range_a`` is the largest current that it is to read; without it the range is
    automatic, which may switch a shunt, and with it the unit's voltage, in mid-run.
    """

    accuracy: CurrentAccuracy
    range_a: float | None = Field(default=None, gt=0)

    @property
    def noise_a(self) -> float:
        """Standard deviation of a reading."""
        return self.accuracy.noise_a / math.sqrt(self.integration_cycles)


class ThermometerEntry(MeterEntry):
    """A meter with a sensor on the board, next to the unit.

    Without ``sensor`` the meter's own set-up is kept, a Pt100 in four wires as a rule. ``wires`` is for resistance
    sensors, four if left out; with two, the leads count as temperature (0.1 Ω are 0.26 K of a Pt100, IEC 60751).
    """

    accuracy: TemperatureAccuracy
    sensor: (
        Literal[
            "Pt100",
            "Pt1000",
            "thermocouple B",
            "thermocouple E",
            "thermocouple J",
            "thermocouple K",
            "thermocouple N",
            "thermocouple R",
            "thermocouple S",
            "thermocouple T",
        ]
        | None
    ) = None
    wires: Literal[2, 4] | None = None

    @model_validator(mode="after")
    def _wires_fit(self) -> Self:
        if self.sensor is None and self.wires is not None:
            raise ValueError("wires goes only with sensor, which is not named")
        if self.sensor is not None and self.sensor.startswith("thermocouple") and self.wires == 4:
            raise ValueError(f"a {self.sensor} has two wires, found wires = 4")
        return self
