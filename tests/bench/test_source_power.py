"""Levels of the sources by a power meter: each tone alone, no more often than needed, never while the unit is read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from bench.assemble import open_bench
from bench.bring_up import WakeUp, bring_up
from bench.check import check_bench
from bench.plan import make_plan
from bench.source_power import levels_to_read
from coverage_of_benches.nights import Night, Point, run_night
from drivers.simulated.power_sensor import PowerSensor
from edited_demo import WITHOUT_COMPANY, edited_demo
from reports.corrections import corrections
from reports.derive import derive
from reports.wide_readings import wide_readings
from sequences.errors import FileFaults
from sequences.rating_checks import FileNames, Subject, rating_faults
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

METER = """[instrument.power_meter]
resource = "TCPIP0::power-meter.nimbus.example::5025::SOCKET"
coupling_db = { frequency_mhz = [10, 100], loss_db = [25.9, 26.2] }
coupling_uncertainty_db = 0.05
noise_dbm = -60
highest_input_dbm = 20
accuracy = { level_db = 0.05, linearity_db_per_10db = 0.01 }

"""
SMALL = {
    **WITHOUT_COMPANY,
    "[combiner]\n": METER + "[combiner]\n",
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 15]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = 200',
}
UNIT = "VG2-0007"


def small(edits: dict[str, str] | None = None) -> Setup:
    return edited_demo(SMALL | (edits or {}))


def without_meter() -> Setup:
    return edited_demo({old: new for old, new in SMALL.items() if old != "[combiner]\n"})


class Looks:
    """Which tones were on, and what they gave, whenever the sensor was read."""

    def __init__(self) -> None:
        self.tones: list[tuple[str, ...]] = []
        self.emitted_dbm: list[float] = []


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> Looks:
    found, read = Looks(), PowerSensor.read_mw

    def watched(sensor: PowerSensor, rig: Rig) -> float:
        found.tones.append(tuple(place for place, tone in rig.tones.items() if tone.on))
        found.emitted_dbm.append(max(tone.emitted_dbm for tone in rig.tones.values()))
        return read(sensor, rig)

    monkeypatch.setattr(PowerSensor, "read_mw", watched)
    return found


def emitted(rig: Rig, condition: Condition) -> Point:
    return {place: tone.emitted_dbm for place, tone in rig.tones.items()}


def night(edits: dict[str, str] | None = None) -> Night:
    return run_night(small(edits), UNIT, emitted)


def column(night: Night, quantity: str) -> Any:
    return wide_readings(night.frames.conditions.index, night.frames.readings).of(quantity)


def test_each_tone_is_read_alone(looks: Looks) -> None:
    """The sensor sees all power that there is: with both tones on it would read their sum."""
    night()

    assert set(looks.tones) == {("tone_1",), ("tone_2",)}


def test_a_setting_is_read_once_at_each_temperature(looks: Looks) -> None:
    """Two modes share a setting; codes, channels and temperatures do not, for their paths and gains differ."""
    found = night()
    settings = found.frames.conditions.assign(one=column(found, "source_1_level_dbm"))
    distinct = len(settings[["temperature_c", "one"]].drop_duplicates())

    assert len(found.frames.conditions) == 16
    assert len(looks.tones) == 2 * distinct == 16


def test_readings_are_stored_as_the_sensor_gave_them(looks: Looks) -> None:
    """Raw: what the coupler takes off is added in the report. Errors as declared: 0.05 dB, 0.01 dB/10 dB, U 0.05 dB."""
    found = night()
    for number in (1, 2):
        true_dbm = found.true(f"tone_{number}") - 26.07
        off = column(found, f"source_{number}_measured_dbm") - true_dbm

        assert np.abs(off).max() < 0.05 + 0.04 + 0.08 + 0.01
        assert np.abs(off).max() > 0.0


def test_both_tones_are_on_and_settled_when_the_unit_is_read(looks: Looks) -> None:
    """As without a power meter: no reading is taken with what the sensor needed."""
    with_meter, without = night(), run_night(without_meter(), UNIT, emitted)

    assert np.isfinite(with_meter.true("tone_1")).all()
    assert np.isfinite(with_meter.true("tone_2")).all()
    for line in ("tone_lower_level_dbm", "tone_upper_level_dbm", "im3_lower_level_dbm"):
        np.testing.assert_allclose(column(with_meter, line), column(without, line), atol=0.6)


def test_only_the_tones_of_the_sequence_are_looked_at(looks: Looks) -> None:
    """Compression needs one; the other must not come on for the power meter's sake."""
    measure = "[measure]\ntwo_tone = false\nharmonics = false\ncompression = true\n\n[soak]"
    found = night({"[soak]": measure})

    assert set(looks.tones) == {("tone_1",)}
    assert np.isfinite(column(found, "source_1_measured_dbm")).all()
    assert np.isnan(column(found, "source_2_measured_dbm")).all()


def test_gains_know_their_level_better_and_the_report_says_how(looks: Looks) -> None:
    """The source's 0.25 dB no longer counts; the corrections tell how far the sources were off their settings."""
    with_meter, without = night(), run_night(without_meter(), UNIT, emitted)
    frames = with_meter.frames
    used = corrections(frames, wide_readings(frames.conditions.index, frames.readings)).sources
    better, worse = derive(frames)["gain"].result, derive(without.frames)["gain"].result

    assert (better.standard < 0.95 * worse.standard).all()
    assert {"power meter level", "coupler"} <= set(better.causes)
    assert [(one.place, one.conditions, one.of) for one in used] == [("tone_1", 16, 16), ("tone_2", 16, 16)]
    for one in used:
        true_off = with_meter.true(one.place) - column(with_meter, f"source_{one.place[-1]}_level_dbm")
        assert one.off_db[0] == pytest.approx(true_off.min(), abs=0.2)


def test_bring_up_zeroes_the_sensor_with_rf_off_and_a_check_does_not() -> None:
    """A check switches and prepares nothing: it says whether the zero holds."""
    setup = small()
    with open_bench(setup.bench, setup.part.model, UNIT) as opened:
        found = {finding.place: finding for finding in check_bench(setup.bench.model, opened, {})}
        assert opened.rig is not None
        assert opened.rig.power_sensor is not None
        assert not opened.rig.power_sensor.zeroed
        assert "not held" in str(found["power_meter"])


def test_a_sensor_that_the_sources_could_burn_is_refused() -> None:
    """Two sources of up to 19 dBm are 22.01 dBm; behind 25.9 dB, and U of it, −3.8 dBm reach the sensor."""
    for rating, faults in (("-3.7", 0), ("-4", 1)):
        setup = small({"highest_input_dbm = 20": f"highest_input_dbm = {rating}"})
        subject = Subject(
            setup.sequence.model, setup.part.model, setup.bench.model, setup.path_losses, FileNames(bench="my.bench")
        )
        found = [fault for fault in rating_faults(subject) if fault.table == "[instrument.power_meter]"]

        assert len(found) == faults
        assert all("-3.8 dBm into the sensor" in str(fault) for fault in found)


def test_a_power_meter_without_a_coupling_is_no_power_meter() -> None:
    """Its reading would say nothing of the source."""
    with pytest.raises(FileFaults, match="coupling_db"):
        small({"coupling_db = { frequency_mhz = [10, 100], loss_db = [25.9, 26.2] }\n": ""})


def test_the_sensor_is_zeroed_while_every_source_is_off(make_bench: Any, make_places: Any) -> None:
    """Power that reaches it meanwhile would be taken off every later reading."""
    setup = small()
    fakes = make_bench(setup)
    context = WakeUp(
        make_places(fakes), setup.part.model, setup.bench.model, make_plan(setup).conditions, fakes.clock, {}
    )
    bring_up(context, lambda text: None)
    calls = [(call.place, call.what) for call in fakes.journal]
    zeroed = calls.index(("power_meter", "zero"))

    for place in ("tone_1", "tone_2"):
        assert any(name == place and what == "make safe" for name, what in calls[:zeroed])
    assert ("power_meter", "prepare") in calls[:zeroed]


def test_the_plan_counts_what_is_read_and_how_long_it_takes(looks: Looks) -> None:
    """As many levels as a night really reads, each after its source has settled; a hundred averages of 20 ms each."""
    setup, without = (
        small({"noise_dbm = -60": "noise_dbm = -60\naverages = 100"}),
        without_meter(),
    )
    plan = make_plan(setup)
    run_night(setup, UNIT, emitted)
    source = setup.bench.model.instrument.tone_1
    assert source is not None
    each_s = setup.sequence.model.settle.tone_level_s + source.settle_s + 100 * 0.02

    assert sum(levels_to_read(plan.conditions, setup, 2).values()) == 16
    # Read once for each of the hundred, and it is the levels that are counted here.
    assert plan.estimate.total_s - make_plan(without).estimate.total_s == pytest.approx(16 * each_s, rel=0.02)
    assert {len(looks.tones) % 16} == {0}
