"""How a meter takes its readings: range, integration, and what temperature sensor is wired to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

MeterQuantity = Literal["current", "temperature"]

#: Resistance sensors by their resistance at 0 °C (IEC 60751), thermocouples by their letter (IEC 60584-1).
Sensor = Literal[
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


@dataclass(frozen=True, slots=True)
class MeterSetting:
    """How to measure.

    ``range_a`` is the largest current to be read, None for an automatic range. Integration is in cycles of the mains.
    ``sensor`` None leaves the kind of sensor, and its wires, as the meter is set up; a thermocouple has two wires.
    """

    range_a: float | None = None
    integration_cycles: float = 1.0
    sensor: Sensor | None = None
    wires: Literal[2, 4] = 4


USUAL = MeterSetting()
"""Automatic range, one cycle of the mains: the shortest integration that rejects hum (common practice, no source)."""
