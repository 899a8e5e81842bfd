"""What a source gives at its connector: as the power meter read it where there is one, else as it was set.

Rule: a measured level owes nothing to the source's accuracy. What the power meter and its coupler may be wrong is the
same for both tones and all conditions, so it cancels wherever levels are compared.

Instances, that is, which draws are shared:

    power meter level, linearity     one for the bench
    coupler                          one for the bench
    power meter reading              one for each reading; conditions that were given the same one share it
    tone source level                one for each source
    tone source setting              one for each distinct setting of each source, to 0.01 dB
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.errors import CannotDerive
from reports.uncertainty import Cause, Uncertain, standard
from sequences.products import SINGLE, line_frequency_hz

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.wide_readings import WideReadings
    from sequences.bench_file import ToneSourceEntry
    from sequences.power_meter_entry import PowerMeterEntry

FloatArray = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Numbers that are kept for the settings of one source, in steps of 0.01 dB.
SETTINGS_PER_SOURCE = 1_000_000

#: Numbers that are kept for the readings of one source.
READINGS_PER_SOURCE = 100_000_000

SOURCES = {"tone_lower": "tone_1", "tone_upper": "tone_2", SINGLE: "tone_1"}


def source_level(frames: RunFrames, wide: WideReadings, tone: str) -> Uncertain:
    """Level of one tone at its source's connector, dBm, shape (conditions,); NaN where neither set nor measured.

    Raises:
        CannotDerive: The bench has no such source, or a level was measured and it has no power meter.
    """
    place = SOURCES[tone]
    entry: ToneSourceEntry | None = getattr(frames.bench.instrument, place)
    if entry is None:
        raise CannotDerive("gain", f"the bench has no {place}")
    setting, read = wide.of(f"source_{place[-1]}_level_dbm"), wide.of(f"source_{place[-1]}_measured_dbm")
    measured: Flags = np.isfinite(read)
    causes = _of_setting(entry, int(place[-1]), setting, ~measured)
    if not measured.any():
        return Uncertain.of(setting, causes)
    meter = frames.bench.instrument.power_meter
    if meter is None:
        raise CannotDerive("gain", "a source was measured, and the bench has no power meter")
    causes |= _of_meter(meter, int(place[-1]), read, measured)
    return Uncertain.of(np.where(measured, read + coupling_db(frames, meter, tone), setting), causes)


def coupling_db(frames: RunFrames, meter: PowerMeterEntry, tone: str) -> FloatArray:
    """Loss from a source to the sensor at a tone's frequency, dB, shape (conditions,)."""
    centres = frames.conditions["frequency_hz"].to_numpy(dtype=np.float64)
    known = {
        hz: meter.coupling_at_db(line_frequency_hz(tone, hz, frames.sequence.tones.spacing_hz))
        for hz in np.unique(centres).tolist()
    }
    return np.array([known[hz] for hz in centres.tolist()], dtype=np.float64)


def _of_setting(entry: ToneSourceEntry, source: int, setting: FloatArray, counts: Flags) -> dict[str, Cause]:
    # Sources tell settings apart to 0.01 dB. Levels span less than ±1000 dBm, so the numbers of two sources never meet.
    step = np.round(np.nan_to_num(setting) * 100).astype(np.int64) + source * SETTINGS_PER_SOURCE
    weight = counts.astype(np.float64)
    level_db = standard(entry.accuracy.level_db, "rectangular")
    setting_db = standard(entry.accuracy.setting_db, "rectangular")
    return {
        "tone source level": Cause.of(
            level_db * weight,
            source,
            rows=len(setting),
            standard=level_db,
            unit="dB",
            name_of=lambda n: f"tone_{n}: level",
        ),
        "tone source setting": Cause.of(
            setting_db * weight, step, rows=len(setting), standard=setting_db, unit="dB", name_of=_setting_name
        ),
    }


def _of_meter(meter: PowerMeterEntry, source: int, read: FloatArray, counts: Flags) -> dict[str, Cause]:
    """What a measured level may be wrong, dB; nothing where it was not measured."""
    rows, level_dbm, weight = len(read), np.where(counts, read, 0.0), counts.astype(np.float64)
    level_db = standard(meter.accuracy.level_db, "rectangular")
    linearity_db = standard(meter.accuracy.linearity_db_per_10db, "rectangular")
    coupler_db = standard(meter.coupling_uncertainty_db, "normal, k = 2")
    # Power that is added to the reading's own: for what is small against it, 10/ln 10 times the ratio in dB.
    rest_db = 10.0 / np.log(10.0) * 10.0 ** ((meter.noise_dbm - level_dbm) / 10.0)
    reading_db = standard(1.0, "rectangular") * rest_db * weight
    _, event = np.unique(level_dbm, return_inverse=True)
    return {
        "power meter level": Cause.of(
            level_db * weight, rows=rows, standard=level_db, unit="dB", name_of=lambda _: "power meter: level"
        ),
        "power meter linearity": Cause.of(
            linearity_db * level_dbm / 10.0,
            rows=rows,
            standard=linearity_db,
            unit="dB/10 dB",
            name_of=lambda _: "power meter: linearity, 10 dB from 0 dBm",
        ),
        "coupler": Cause.of(
            coupler_db * weight,
            rows=rows,
            distribution="normal, k = 2",
            standard=coupler_db,
            unit="dB",
            name_of=lambda _: "coupler: loss from a source to the sensor",
        ),
        "power meter reading": Cause.of(
            reading_db,
            event.reshape(-1) + source * READINGS_PER_SOURCE,
            rows=rows,
            standard=reading_db,
            unit="dB",
            name_of=lambda number: (
                f"power meter: zero and noise of reading {number % READINGS_PER_SOURCE + 1} of "
                f"tone_{number // READINGS_PER_SOURCE}"
            ),
        ),
    }


def _setting_name(step: int) -> str:
    source, hundredths = divmod(step + SETTINGS_PER_SOURCE // 2, SETTINGS_PER_SOURCE)
    return f"tone_{source}: setting {(hundredths - SETTINGS_PER_SOURCE // 2) / 100:g} dBm"
