"""Readings that need fewer than two tones: compression with the lower one alone, noise with none.

Rule: the analyzer's attenuation goes down only when every tone has been read back as off, and is up again before this
module is left; the noise source is off whenever the tones are on. The runner switches the tones on again, and lets them
settle, before the next condition.
"""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Sequence as SequenceOf
from typing import TYPE_CHECKING

from bench.measure import LineReader, Readings
from sequences.products import NOISE, NOISE_HOT

if TYPE_CHECKING:
    from bench.change import Changer
    from bench.places import Places
    from sequences.bench_file import Bench
    from sequences.conditions import Condition
    from sequences.sequence_file import Measure


class FewerTones:
    """Adds to the readings of a condition what must be read with fewer tones.

    Args:
        places: Drivers.
        bench: How long each instrument needs.
        changer: Switches the tones.
        lines: The reader of the analyzer, which knows what it is set to.
        wait: Waits for some seconds on the run's clock.
    """

    def __init__(
        self, places: Places, bench: Bench, changer: Changer, lines: LineReader, wait: Callable[[float], None]
    ) -> None:
        self._noise_source = places.noise_source
        instruments = bench.instrument
        self._noise_settle_s = instruments.noise_source.settle_s if instruments.noise_source is not None else 0.0
        sources = (entry for entry in (instruments.tone_1, instruments.tone_2) if entry is not None)
        self._tone_settle_s = max((entry.settle_s for entry in sources), default=0.0)
        self._changer = changer
        self._lines = lines
        self._wait = wait

    def complete(self, condition: Condition, measure: Measure, repeats: SequenceOf[Readings]) -> None:
        """Read what ``measure`` asks for, once for each repeat, and add it there. Raises InstrumentError."""
        if measure.compression:
            self._only("tone_1")
            for readings in repeats:
                readings.update(self._lines.read_single(condition))
        if measure.noise:
            self._only()
            for readings in repeats:
                readings.update(self._lines.read_noise(condition, NOISE))
            if self._noise_source is not None:
                self._noise_source.switch_output(on=True)
                self._wait(self._noise_settle_s)
                for readings in repeats:
                    readings.update(self._lines.read_noise(condition, NOISE_HOT))
                self._noise_source.switch_output(on=False)
            self._lines.protect()

    def _only(self, *places: str) -> None:
        if self._changer.only(*places):
            self._wait(self._tone_settle_s)
