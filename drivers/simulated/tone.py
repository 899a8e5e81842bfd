"""One tone source seen from its connector: what it emits is its setting plus two drawn errors."""

from __future__ import annotations

import math

from drivers.simulated.drawing import within
from drivers.simulated.rig_setup import ToneSourceSetup

#: Level resolution of the source; two settings that round alike are the same setting.
LEVEL_STEP_DB = 0.01


class Tone:
    """State of one source. ``place`` keys the draws, so that two sources of a bench err apart."""

    def __init__(self, place: str, setup: ToneSourceSetup, seed: int) -> None:
        self.place = place
        self.setup = setup
        self.on = False
        self.frequency_hz = 60e6
        self._seed = seed
        self.level_error_db = within(setup.level_db, seed, f"{place} level")
        self._setting_errors_db: dict[float, float] = {}
        self.level_dbm = -60.0
        #: Faults: how far the reference oscillator is off, relative; highest level that the levelling can hold.
        self.reference_error = 0.0
        self.levelled_up_to_dbm = math.inf

    def setting_error_db(self, level_dbm: float) -> float:
        """Error that this one setting has, beyond the constant; the same whenever the setting comes back."""
        known = self._setting_errors_db.get(level_dbm)
        if known is None:
            known = within(self.setup.setting_db, self._seed, f"{self.place} setting {level_dbm:.2f}")
            self._setting_errors_db[level_dbm] = known
        return known

    @property
    def emitted_hz(self) -> float:
        """Frequency at the connector: as far off the setting as the reference oscillator is."""
        return self.frequency_hz * (1.0 + self.reference_error)

    @property
    def is_unlevelled(self) -> bool:
        """Whether it gives less than it is set to, as its output stage can give no more."""
        return self.on and self.level_dbm > self.levelled_up_to_dbm

    @property
    def emitted_dbm(self) -> float:
        """Level at the connector; −inf when off."""
        if not self.on:
            return -math.inf
        level_dbm = min(self.level_dbm, self.levelled_up_to_dbm)
        return level_dbm + self.level_error_db + self.setting_error_db(self.level_dbm)
