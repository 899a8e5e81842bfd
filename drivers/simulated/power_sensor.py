"""The power meter's sensor on a coupler at the combiner's output: the power of all tones together, and its errors.

Reading = true power · 10^(e/10) + z, with e in dB a constant plus a slope from 0 dBm, and z, in mW, new for each
reading: what is left of zero and noise.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.simulated.drawing import normal, within
from drivers.simulated.rig_setup import PowerMeterSetup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

#: A sensor that was not zeroed is off by so many times what zero and noise leave. Ours: a fault that shows.
_WITHOUT_ZERO = 1000.0


class PowerSensor:
    """State of one sensor; its errors are drawn once."""

    def __init__(self, setup: PowerMeterSetup, seed: int) -> None:
        self.setup = setup
        self.zeroed = False
        self.level_error_db = within(setup.level_db, seed, "power meter level")
        self.linearity_error_db_per_10db = within(setup.linearity_db_per_10db, seed, "power meter linearity")
        self.coupling_error_db = normal(setup.coupling_uncertainty_db / 2, seed, "coupler")
        self._seed = seed
        self._readings = 0

    def true_mw(self, rig: Rig) -> float:
        """Power that reaches the sensor; notes when that is more than it stands."""
        tones = [(tone.emitted_dbm, tone.frequency_hz) for tone in rig.tones.values() if tone.on]
        losses = [self.setup.coupling_db(hz) + self.coupling_error_db for _, hz in tones]
        power_mw = sum(10 ** ((level - loss) / 10) for (level, _), loss in zip(tones, losses, strict=True))
        if power_mw > 0:
            rig.exceed("power sensor input", 10 * math.log10(power_mw), self.setup.highest_input_dbm)
        return power_mw

    def read_mw(self, rig: Rig) -> float:
        """One reading now; less than nothing when noise outweighs the power."""
        true_mw = self.true_mw(rig)
        self._readings += 1
        rest_mw = within(10 ** (self.setup.noise_dbm / 10), self._seed, f"power meter reading {self._readings}")
        if not self.zeroed:
            rest_mw += _WITHOUT_ZERO * 10 ** (self.setup.noise_dbm / 10)
        if true_mw == 0:
            return rest_mw
        error_db = self.level_error_db + self.linearity_error_db_per_10db * math.log10(true_mw)
        return true_mw * 10 ** (error_db / 10) + rest_mw

    def zero(self, rig: Rig) -> bool:
        """Zero it; False, and no zero, when power reaches it."""
        self.zeroed = self.true_mw(rig) <= 10 ** (self.setup.noise_dbm / 10)
        return self.zeroed
