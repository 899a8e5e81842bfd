"""Sources on, and what they give: their settings, and with a power meter the level of each, read alone.

Rule: a level that was read is believed for one setting, one frequency and one temperature, so that a source that drifts
over a night is seen. The unit is never read while a tone is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from bench.measure import MEASURED_READING, SOURCE_READING, Readings
from sequences.products import tone_frequencies_hz
from sequences.source_levels import source_levels_dbm

if TYPE_CHECKING:
    from bench.change import Changer
    from bench.places import Places
    from drivers.roles import PowerMeter
    from sequences.conditions import Condition
    from sequences.read_files import Setup
    from sequences.sequence_file import Sequence

#: Place, setting as read back in dBm, frequency in Hz.
_Setting = tuple[str, float, float]


def levels_to_read(ordered: Iterable[Condition], setup: Setup, tones: int) -> dict[Condition, int]:
    """How many levels are read before each condition, for an estimate: what ``SourcePower`` does not know yet.

    ``tones`` is how many sources the sequence's readings begin with.
    """
    part, sequence = setup.part.model, setup.sequence.model
    known: set[tuple[int, float, float]] = set()
    known_at_c: float | None = None
    counts: dict[Condition, int] = {}
    for condition in ordered:
        if condition.temperature_c != known_at_c:
            known, known_at_c = set(), condition.temperature_c
        levels = source_levels_dbm(condition, part, sequence.tones, setup.path_losses)
        pair = tone_frequencies_hz(condition.frequency_hz, sequence.tones.spacing_hz)
        settings = {(number, levels[number], pair[number]) for number in range(tones)}
        counts.setdefault(condition, len(settings - known))
        known |= settings
    return counts


class SourcePower:
    """The sources of a run.

    Args:
        places: Drivers.
        sequence: How far apart the tones are.
        changer: Knows what the sources are set to, and switches them.
        wait: Waits for some seconds on the run's clock.
    """

    def __init__(self, places: Places, sequence: Sequence, changer: Changer, wait: Callable[[float], None]) -> None:
        self._meter = places.power_meter
        self._spacing_hz = sequence.tones.spacing_hz
        self._changer = changer
        self._wait = wait
        self._known: dict[_Setting, float] = {}
        self._known_at_c: float | None = None

    def rf_on(self, condition: Condition, settle_s: float) -> float:
        """Switch the condition's tones on, after each that is not known yet has been read alone.

        Returns the seconds to settle then: those given, or what a tone needs after it has been switched. Raises
        InstrumentError.
        """
        if condition.temperature_c != self._known_at_c:
            self._known.clear()
            self._known_at_c = condition.temperature_c
        if self._meter is not None:
            for setting in self._settings(condition):
                if setting[0] in self._changer.tones and setting not in self._known:
                    self._known[setting] = self._read_alone(self._meter, setting)
                    settle_s = max(settle_s, self._changer.rf_settle_s)
        self._changer.rf_on()
        return settle_s

    def levels(self, condition: Condition) -> Readings:
        """Settings of the sources as read back, and what the power meter read of each at its sensor."""
        settings = self._settings(condition)
        readings = {SOURCE_READING[place]: level_dbm for place, level_dbm, _ in settings}
        return readings | {MEASURED_READING[one[0]]: self._known[one] for one in settings if one in self._known}

    def _read_alone(self, meter: PowerMeter, setting: _Setting) -> float:
        place, _, frequency_hz = setting
        self._changer.only(place)
        self._wait(self._changer.rf_settle_s)
        meter.set_frequency(frequency_hz)
        meter.begin_reading()
        return meter.finish_reading()

    def _settings(self, condition: Condition) -> list[_Setting]:
        pair = dict(zip(SOURCE_READING, tone_frequencies_hz(condition.frequency_hz, self._spacing_hz), strict=True))
        return [(place, level_dbm, pair[place]) for place, level_dbm in self._changer.levels_dbm.items()]
