"""``[instrument.power_meter]``: a sensor on a coupler at the combiner's output, which measures each tone's level."""

from __future__ import annotations

import bisect

from pydantic import Field

from sequences.instrument_entry import InstrumentEntry
from sequences.part_file import FileModel
from sequences.path_entries import LossTable, NonNegative


class PowerMeterAccuracy(FileModel):
    """Reading error = a constant within ±``level_db``, plus a slope within ±``linearity_db_per_10db`` from 0 dBm.

    0 dBm is the power of the reference with which power meters are calibrated (common practice, no source).
    """

    level_db: NonNegative
    linearity_db_per_10db: NonNegative


class PowerMeterEntry(InstrumentEntry):
    """A power meter. Zero and noise leave each of its readings within ± the power ``noise_dbm``, averages included.

    ``coupling_db`` is the loss from a source's connector through combiner and coupler to the sensor, for either source:
    the input path's ``loss_db`` begins at the same place. One number or a table over frequency; its uncertainty is
    expanded with k = 2 and holds at all frequencies.
    """

    accuracy: PowerMeterAccuracy
    coupling_db: float | LossTable
    coupling_uncertainty_db: NonNegative
    noise_dbm: float
    highest_input_dbm: float
    averages: int = Field(default=4, ge=1, le=1024)
    reading_s: NonNegative = 0.02

    @property
    def least_coupling_db(self) -> float:
        """The smallest loss at any frequency that is told."""
        return min(self.coupling_db.loss_db) if isinstance(self.coupling_db, LossTable) else self.coupling_db

    def coupling_at_db(self, frequency_hz: float) -> float:
        """Coupling at a frequency, linear in dB between the points of a table, constant beyond its ends."""
        if not isinstance(self.coupling_db, LossTable):
            return self.coupling_db
        hertz, losses = self.coupling_db.frequency_hz, self.coupling_db.loss_db
        above = bisect.bisect_left(hertz, frequency_hz)
        if above in (0, len(hertz)):
            return losses[min(above, len(hertz) - 1)]
        share = (frequency_hz - hertz[above - 1]) / (hertz[above] - hertz[above - 1])
        return losses[above - 1] * (1 - share) + losses[above] * share
