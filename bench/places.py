"""The instruments of an open bench by the place that they fill.

A place that the bench file leaves out is None; ``sequences.cross_checks`` has refused every sequence that needs it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

from drivers.roles import (
    Chamber,
    DCSupply,
    DigitalPort,
    Instrument,
    Meter,
    NetworkAnalyzer,
    NoiseSource,
    PowerMeter,
    SpectrumAnalyzer,
    Switch,
    ToneSource,
)

#: Place in the bench file → role, in the words of ``drivers.catalogue``.
ROLE_OF_PLACE: dict[str, str] = {
    "tone_1": "tone source",
    "tone_2": "tone source",
    "noise_source": "noise source",
    "analyzer": "spectrum analyzer",
    "supply": "DC supply",
    "current_meter": "meter",
    "board_thermometer": "meter",
    "chamber": "chamber",
    "load_switch": "switch",
    "channel_switch": "switch",
    "code_port": "digital port",
    "network_analyzer": "network analyzer",
    "power_meter": "power meter",
}


@dataclass(frozen=True, slots=True)
class Places:
    """Drivers by place."""

    tone_1: ToneSource | None = None
    tone_2: ToneSource | None = None
    noise_source: NoiseSource | None = None
    analyzer: SpectrumAnalyzer | None = None
    supply: DCSupply | None = None
    current_meter: Meter | None = None
    board_thermometer: Meter | None = None
    chamber: Chamber | None = None
    load_switch: Switch | None = None
    channel_switch: Switch | None = None
    code_port: DigitalPort | None = None
    network_analyzer: NetworkAnalyzer | None = None
    power_meter: PowerMeter | None = None

    def present(self) -> Iterator[tuple[str, Instrument]]:
        """Places that are filled, in the order of the bench file's model."""
        for place in fields(self):
            instrument: Instrument | None = getattr(self, place.name)
            if instrument is not None:
                yield place.name, instrument

    def sources(self) -> tuple[tuple[str, ToneSource], ...]:
        """The tone sources that the bench has."""
        pairs = (("tone_1", self.tone_1), ("tone_2", self.tone_2))
        return tuple((place, source) for place, source in pairs if source is not None)
