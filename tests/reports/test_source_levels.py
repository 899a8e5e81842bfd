"""What the sources gave: measured where a power meter read it, set elsewhere; and what of its errors is shared."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import hypot, log, sqrt

import numpy as np
import pandas as pd
import pytest

from reports.derive import derive
from reports.errors import CannotDerive
from reports.frames import RunFrames
from reports.source_levels import source_level
from reports.uncertainty import Uncertain
from reports.wide_readings import wide_readings
from sequences.path_entries import LossTable
from sequences.power_meter_entry import PowerMeterAccuracy, PowerMeterEntry

Make = Callable[..., tuple[RunFrames, dict[str, np.ndarray]]]

ENTRY = PowerMeterEntry(
    resource="TCPIP0::power-meter.example::5025::SOCKET",
    accuracy=PowerMeterAccuracy(level_db=0.06, linearity_db_per_10db=0.02),
    coupling_db=26.0,
    coupling_uncertainty_db=0.1,
    noise_dbm=-65.0,
    highest_input_dbm=20.0,
)


def measured(frames: RunFrames, levels: dict[int, float], entry: PowerMeterEntry | None = ENTRY) -> RunFrames:
    """The run with a power meter that has read sources at the sensor; ``levels``: condition → dBm of both."""
    rows = [
        {"condition": condition, "repeat": 0, "quantity": f"source_{source}_measured_dbm", "value": level}
        for condition, level in levels.items()
        for source in (1, 2)
    ]
    readings = pd.concat([frames.readings.astype({"quantity": "str"}), pd.DataFrame(rows)], ignore_index=True)
    instrument = frames.bench.instrument.model_copy(update={"power_meter": entry})
    bench = frames.bench.model_copy(update={"instrument": instrument})
    return replace(frames, readings=readings.astype({"quantity": "category"}), bench=bench)


def level_of(frames: RunFrames, tone: str = "tone_lower") -> Uncertain:
    return source_level(frames, wide_readings(frames.conditions.index, frames.readings), tone)


def test_a_measured_level_is_the_reading_plus_the_coupling(make_night: Make) -> None:
    """−30 dBm behind 26 dB is −4 dBm, whatever the source was set to."""
    frames, _ = make_night(gain_code=(0,))
    level = level_of(measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0)))

    np.testing.assert_allclose(level.value, -4.0)


def test_its_uncertainty_is_that_of_meter_coupler_and_reading(make_night: Make) -> None:
    """Half-widths over √3 (JCGM 100:2008, 4.3.7), the certificate's U over 2 (4.3.3), 30 dB from 0 dBm.

    Power of −65 dBm beside −30 dBm is 10^(−3.5) of it: 10/ln 10 times that in dB, the derivative of 10·log10.
    """
    frames, _ = make_night(gain_code=(0,))
    level = level_of(measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0)))
    reading_db = 10 / log(10) * 10**-3.5
    expected = hypot(0.06 / sqrt(3), 3 * 0.02 / sqrt(3), 0.1 / 2, reading_db / sqrt(3))

    np.testing.assert_allclose(level.standard, expected, rtol=1e-12)


def test_a_measured_level_owes_nothing_to_the_source(make_night: Make) -> None:
    """And the budget names meter and coupler in the words of the bench file."""
    frames, _ = make_night(gain_code=(0,))
    level = level_of(measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0)))
    names = {line.draw for line in level.budget(0) if line.contribution}

    assert names == {
        "power meter: level",
        "power meter: linearity, 10 dB from 0 dBm",
        "coupler: loss from a source to the sensor",
        "power meter: zero and noise of reading 1 of tone_1",
    }


def test_meter_and_coupler_cancel_between_the_tones(make_night: Make) -> None:
    """Both tones were read by the same meter behind the same coupler; only the readings' own noise is left."""
    frames, _ = make_night(gain_code=(0,))
    run = measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0))
    apart = level_of(run, "tone_upper") - level_of(run, "tone_lower")

    np.testing.assert_allclose(apart.standard, sqrt(2) * 10 / log(10) * 10**-3.5 / sqrt(3), rtol=1e-9)


def test_conditions_that_were_given_one_reading_share_all_of_it(make_night: Make) -> None:
    """A level that was not read again is the same level: it cancels between codes entirely."""
    frames, _ = make_night(gain_code=(0, 1))
    level = level_of(measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0)))
    between = level.take(np.array([0])) - level.take(np.array([1]))

    assert between.standard[0] == pytest.approx(0.0, abs=1e-15)


def test_where_nothing_was_measured_the_setting_counts_with_the_sources_accuracy(make_night: Make) -> None:
    """Row by row, so a run that lost its power meter halfway keeps what it has."""
    frames, _ = make_night(gain_code=(0,))
    rows = len(frames.conditions)
    level, commanded = level_of(measured(frames, {0: -30.0})), level_of(frames)

    assert level.value[0] == -4.0
    np.testing.assert_allclose(level.value[1:], commanded.value[1:])
    np.testing.assert_allclose(level.standard[1:], commanded.standard[1:])
    assert level.standard[0] != pytest.approx(commanded.standard[0])
    assert rows > 1


def test_the_coupling_is_taken_at_the_tones_own_frequency(make_night: Make) -> None:
    """Straight lines between the points of the table: 26.595 dB at 59.5 MHz, 26.605 dB at 60.5 MHz."""
    frames, _ = make_night(gain_code=(0,))
    table = LossTable(frequency_hz=(50e6, 70e6), loss_db=(26.5, 26.7))
    entry = ENTRY.model_copy(update={"coupling_db": table})
    run = measured(frames, dict.fromkeys(range(len(frames.conditions)), -30.0), entry)

    np.testing.assert_allclose(level_of(run).value, -30 + 26.595)
    np.testing.assert_allclose(level_of(run, "tone_upper").value, -30 + 26.605)


def test_a_measured_source_without_a_power_meter_is_refused(make_night: Make) -> None:
    """A bench file from which it was taken out again cannot say what the reading is worth."""
    frames, _ = make_night(gain_code=(0,))
    with pytest.raises(CannotDerive, match="no power meter"):
        level_of(measured(frames, {0: -30.0}, None))


def test_gains_follow_the_measured_level_and_know_it_better(make_night: Make) -> None:
    """A source that gives 0.2 dB less than it is set to had made the gain 0.2 dB too low."""
    frames, _ = make_night(gain_code=(0,), channel=("A",), temperature_c=(25.0,))
    setting = wide_readings(frames.conditions.index, frames.readings).of("source_1_level_dbm")
    run = measured(frames, {0: float(setting[0]) - 0.2 - 26.0})
    before, after = derive(frames)["gain"].result, derive(run)["gain"].result

    assert after.value[0] - before.value[0] == pytest.approx(0.2)
    assert after.standard[0] < before.standard[0]
