"""The simulated bench as a whole: cause and effect across instruments, order, ratings, sameness."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from bench.clocks import SimulatedClock
from drivers.simulated.amplifier import WeakStep
from drivers.simulated.front_end import FrontEnd
from drivers.simulated.front_ends import front_ends
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import RigSetup, SupplySetup

Ask = Callable[[str, str], str]
Tell = Callable[[str, str], None]
BringUp = Callable[[], None]


def _mean_dbm(trace: str) -> float:
    samples = [float(sample) for sample in trace.split(",")]
    return 10 * math.log10(sum(10 ** (sample / 10) for sample in samples) / len(samples))


def _read_line(rig: Rig, ask: Ask, tell: Tell, line: str) -> float:
    tell("analyzer", f"FREQ:CENT {rig.line_frequency_hz(line)!r}")
    assert ask("analyzer", "INIT;*OPC?") == "1"
    return _mean_dbm(ask("analyzer", "TRAC? TRACE1"))


def test_a_tone_reaches_the_analyzer_with_every_error_on_its_way(
    rig: Rig, bring_up: BringUp, ask: Ask, tell: Tell
) -> None:
    """Setting + source errors − input loss + gain − output loss + analyzer errors, summed up by hand."""
    bring_up()
    tell("tone_2", "OUTP OFF")
    errors = rig.truth.drawn_errors()

    read = _read_line(rig, ask, tell, "tone_lower")
    at_unit = -13.8 + errors["tone_1_level_db"] + rig.tones["tone_1"].setting_error_db(-13.8) - 7.2
    at_connector = at_unit - errors["path_0_db"] + rig.truth.gain_db(59.5e6) - 11.0 - errors["path_1_db"]
    analyzer = rig.analyzer
    expected = at_connector + analyzer.level_error_db + analyzer.response_db(59.5e6) + analyzer.attenuator_db(20.0)
    expected += analyzer.scale_error_db_per_10db * (at_connector + 20) / 10
    assert read == pytest.approx(expected, abs=0.005)


@pytest.mark.parametrize("line", ["tone_lower", "tone_upper", "im3_lower", "im3_upper", "im2_sum"])
def test_products_at_the_analyzer_are_those_in_the_load(
    rig: Rig, bring_up: BringUp, ask: Ask, tell: Tell, line: str
) -> None:
    """Less the path loss, and within what noise, declared accuracies and the analyzer's own products can do: 1.5 dB."""
    bring_up()

    assert _read_line(rig, ask, tell, line) == pytest.approx(rig.truth.line_levels_dbm()[line] - 11.0, abs=1.5)


def test_without_bias_the_unit_passes_nothing(rig: Rig, bring_up: BringUp, ask: Ask, tell: Tell) -> None:
    """60 dB of isolation instead of 24 dB of gain, and no products."""
    bring_up()
    powered = _read_line(rig, ask, tell, "tone_lower")
    tell("supply", "OUTP OFF")

    assert powered - _read_line(rig, ask, tell, "tone_lower") == pytest.approx(84.0, abs=1.0)
    assert set(rig.truth.line_levels_dbm()) == {"tone_lower", "tone_upper"}
    with pytest.raises(LookupError, match="no bias"):
        rig.truth.gain_db(60e6)


@pytest.mark.parametrize(
    ("place", "message"),
    [
        ("load_switch", "ROUT:OPEN:ALL"),
        ("load_switch", "ROUT:CLOS (@104)"),
        ("channel_switch", "ROUT:OPEN (@201)"),
        ("channel_switch", "ROUT:CLOS (@202)"),
    ],
)
def test_without_one_clear_route_the_analyzer_sees_noise(
    rig: Rig, bring_up: BringUp, ask: Ask, tell: Tell, place: str, message: str
) -> None:
    """No relay closed, or two at once."""
    bring_up()
    tell(place, message)

    assert rig.truth.line_levels_dbm() == {}
    assert _read_line(rig, ask, tell, "tone_lower") < -100


def test_a_gain_code_changes_its_own_channel_only(rig: Rig, bring_up: BringUp, tell: Tell) -> None:
    """Code 10 on channel A is 7.5 dB less gain there, and none on B; a word beyond the table is the last code."""
    bring_up()
    high_a = rig.truth.gain_db(60e6)
    tell("code_port", "SOUR:DIG:DATA1 10")
    assert high_a - rig.truth.gain_db(60e6) == pytest.approx(7.5, abs=0.2)
    tell("code_port", "SOUR:DIG:DATA1 99")
    assert high_a - rig.truth.gain_db(60e6) == pytest.approx(22.5, abs=0.2)
    tell("channel_switch", "ROUT:OPEN:ALL;:ROUT:CLOS (@202)")
    assert rig.truth.gain_db(60e6) == pytest.approx(high_a, abs=0.3)


def test_mode_pins_change_current_and_distortion(rig: Rig, bring_up: BringUp, tell: Tell) -> None:
    """Word 1 is low power: about 158 mA and 5 dB less OIP3; a word that names no mode shuts down."""
    bring_up()
    oip3 = rig.truth.oip3_dbm(60e6)
    tell("code_port", "SOUR:DIG:DATA3 1")

    assert rig.truth.supply_current_a == pytest.approx(0.158, rel=0.07)
    assert oip3 - rig.truth.oip3_dbm(60e6) == pytest.approx(5.0, abs=0.2)
    tell("code_port", "SOUR:DIG:DATA3 5")
    assert rig.truth.supply_current_a == 1e-3


def test_the_unit_heats_itself_and_the_chamber_heats_the_unit(
    rig: Rig, bring_up: BringUp, tell: Tell, clock: SimulatedClock
) -> None:
    """15 K/W times one watt above the board; gain falls as it warms."""
    bring_up()
    rise_k = rig.truth.die_c - rig.truth.board_c
    cold_gain = rig.truth.gain_db(60e6)
    tell("chamber", "SOUR:TEMP:SPO 85;:OUTP ON")
    clock.sleep(2 * 3600.0)

    assert rise_k == pytest.approx(15.0 * 5.0 * 0.2, rel=0.05)
    assert rig.truth.air_c == pytest.approx(85.0, abs=0.4)
    assert rig.truth.board_c == pytest.approx(rig.truth.air_c, abs=1e-3)
    assert rig.truth.gain_db(60e6) - cold_gain == pytest.approx(-0.004 * 62, abs=0.06)


def test_a_bench_without_supply_chamber_and_switches_still_measures(setup: RigSetup) -> None:
    """What is not on the bench is wired: nominal supply, room, reference load, first channel, code 0."""
    bare = dataclasses.replace(
        setup,
        supply=None,
        chamber=None,
        load_routes={},
        channel_routes={},
        channel_ports={},
        mode_port=None,
        current_meter=None,
        board_thermometer=None,
        tone_2=None,
    )
    rig = Rig(bare, SimulatedClock(datetime(2026, 1, 1, tzinfo=UTC)))

    assert set(front_ends(rig)) == {"tone_1", "analyzer"}
    assert rig.truth.gain_db(60e6) == pytest.approx(24.0, abs=0.5)
    assert rig.truth.board_c == 23.0
    assert rig.truth.supply_voltage_v == 5.0


def test_the_journal_tells_the_order_of_what_was_switched(
    rig: Rig, bring_up: BringUp, tell: Tell, clock: SimulatedClock
) -> None:
    """So that an order rule (RF off before bias off) can be asserted; what does not change is not written."""
    bring_up()
    for place, message in (
        ("chamber", "SOUR:TEMP:SPO -40;:OUTP 1"),
        ("tone_1", "OUTP 0"),
        ("tone_1", "OUTP 0"),
        ("tone_2", "*RST"),
        ("supply", "OUTP 0"),
    ):
        clock.sleep(1.0)
        tell(place, message)

    assert [(entry.place, entry.what) for entry in rig.journal] == [
        ("supply", "bias on"),
        ("load_switch", "200 Ω closed"),
        ("channel_switch", "A closed"),
        ("tone_1", "rf on"),
        ("tone_2", "rf on"),
        ("chamber", "target -40 °C"),
        ("chamber", "conditioning on"),
        ("tone_1", "rf off"),
        ("tone_2", "rf off"),
        ("supply", "bias off"),
    ]
    times = [entry.at_s for entry in rig.journal]
    assert times == sorted(times)
    assert times[-1] > times[4] + 4.9


def test_a_passed_rating_is_noted_with_its_worst_value(rig: Rig, bring_up: BringUp, tell: Tell) -> None:
    """Input level from both tones together, supply voltage; a bench within its ratings notes nothing."""
    bring_up()
    assert rig.exceeded == {}
    tell("supply", "VOLT:PROT 20;:VOLT 6.0")
    for place in ("tone_1", "tone_2"):
        tell(place, "POW 19")

    assert rig.exceeded["supply voltage"] == pytest.approx(6.0, abs=0.011)
    assert "input level" not in rig.exceeded  # 19 dBm less 7.2 dB each is 14.8 dBm together
    tighter = dataclasses.replace(rig.setup, ratings=dataclasses.replace(rig.setup.ratings, input_level_dbm=14.0))
    again = Rig(tighter, rig.clock)
    ends = front_ends(again)
    ends["channel_switch"].receive(b"ROUT:CLOS (@201)\n")
    for place in ("tone_1", "tone_2"):
        ends[place].receive(b"POW 19;:OUTP ON\n")
    assert again.exceeded["input level"] == pytest.approx(14.8, abs=0.5)


def test_too_hot_a_die_is_noted(setup: RigSetup, clock: SimulatedClock) -> None:
    """The board at 120 °C and 15 K of its own heat pass 125 °C."""
    rig = Rig(setup, clock)
    ends = front_ends(rig)
    ends["supply"].receive(b"VOLT 5;:OUTP ON\n")
    ends["chamber"].receive(b"SOUR:TEMP:SPO 120;:OUTP ON\n")
    clock.sleep(3 * 3600.0)

    assert rig.truth.die_c == pytest.approx(135.6, abs=2.0)
    assert rig.exceeded["die temperature"] > 125.0


def test_a_faulty_unit_shows_in_the_cold_at_the_analyzer(setup: RigSetup, clock: SimulatedClock) -> None:
    """The weak step of one serial number, found through nothing but bytes."""
    faulty = dataclasses.replace(
        setup, unit=dataclasses.replace(setup.unit, weak_step=WeakStep("A", 17, -0.42, below_c=0.0))
    )
    steps = []
    for bench in (setup, faulty):
        rig = Rig(bench, SimulatedClock(datetime(2026, 1, 1, tzinfo=UTC)))
        ends = front_ends(rig)
        for place, message in (
            ("chamber", "SOUR:TEMP:SPO -40;:OUTP ON"),
            ("supply", "VOLT 5;:OUTP ON"),
            ("load_switch", "ROUT:CLOS (@103)"),
            ("channel_switch", "ROUT:CLOS (@201)"),
            ("tone_1", "FREQ 60E6;POW -3;:OUTP ON"),
            ("analyzer", "FREQ:SPAN 0;CENT 60E6;:BAND 100;:SWE:POIN 20;:INP:ATT 20"),
        ):
            ends[place].receive(message.encode() + b"\n")
        rig.clock.sleep(2 * 3600.0)
        levels = []
        for code in (16, 17):
            ends["code_port"].receive(b"SOUR:DIG:DATA1 %d\n" % code)
            ends["analyzer"].receive(b"INIT;*OPC?;:TRAC? TRACE1\n")
            levels.append(_mean_dbm((ends["analyzer"].reply() or b"").decode().split(";")[1]))
        steps.append(levels[0] - levels[1])

    assert steps[0] == pytest.approx(0.75, abs=0.15)
    assert steps[1] - steps[0] == pytest.approx(0.42, abs=0.03)


def _night(setup: RigSetup) -> list[bytes | None]:
    rig = Rig(setup, SimulatedClock(datetime(2026, 1, 1, tzinfo=UTC)))
    ends = front_ends(rig)
    replies = []
    for place, message in (
        ("supply", "VOLT 5;:OUTP ON;:MEAS:CURR?"),
        ("load_switch", "ROUT:CLOS (@103)"),
        ("channel_switch", "ROUT:CLOS (@201)"),
        ("tone_1", "FREQ 60E6;POW -10;:OUTP ON;:POW?"),
        ("chamber", "SOUR:TEMP:SPO 85;:OUTP ON;:MEAS:TEMP?"),
        ("board_thermometer", "MEAS:TEMP?"),
        ("current_meter", "MEAS:CURR?"),
        ("analyzer", "FREQ:SPAN 0;CENT 60E6;:BAND 100;:SWE:POIN 20;:INIT;*OPC?;:TRAC? TRACE1"),
        ("chamber", "MEAS:TEMP?"),
        ("analyzer", "FREQ:CENT 120E6;:INIT;*OPC?;:TRAC? TRACE1"),
    ):
        ends[place].receive(message.encode() + b"\n")
        replies.append(ends[place].reply())
        rig.clock.sleep(1000.0)
    return replies


def test_two_rigs_with_one_seed_answer_the_same_bytes(setup: RigSetup) -> None:
    """Noise included; another bench seed and another unit answer otherwise."""
    first = _night(setup)

    assert _night(setup) == first
    assert _night(dataclasses.replace(setup, seed=setup.seed + 1)) != first
    assert _night(dataclasses.replace(setup, unit=dataclasses.replace(setup.unit, unit_seed=99))) != first


def test_drawn_errors_stay_within_what_the_bench_declares(setup: RigSetup, clock: SimulatedClock) -> None:
    """Over 300 benches each error uses most of its range and never more."""
    bounds = {
        "tone_1_level_db": 0.25,
        "tone_2_level_db": 0.25,
        "analyzer_level_db": 0.25,
        "analyzer_scale_db_per_10db": 0.03,
        "analyzer_noise_db": 1.0,
        "supply_voltage_v": 0.01,
        "supply_voltage_reading_v": 0.005,
        "supply_current_a": 0.001,
        "current_meter_gain": 5e-4,
        "current_meter_offset_a": 2e-5,
        "board_thermometer_k": 0.2,
        "chamber_k": 0.4,
        "room_k": 2.0,
    }
    assert setup.analyzer is not None
    declared = dataclasses.replace(setup.analyzer, noise_db=1.0)
    setup = dataclasses.replace(setup, analyzer=declared, room_within_k=2.0)
    drawn = [Rig(dataclasses.replace(setup, seed=seed), clock).truth.drawn_errors() for seed in range(300)]

    for name, half_width in bounds.items():
        largest = max(abs(errors[name]) for errors in drawn)
        assert 0.9 * half_width < largest <= half_width
    assert set(bounds) | {"path_0_db", "path_1_db"} == set(drawn[0])


def test_a_source_setting_errs_the_same_each_time_it_comes_back(rig: Rig, tell: Tell) -> None:
    """Two sources err apart; two settings a hundredth of a decibel apart are two settings; all within ±0.04 dB."""
    one, two = rig.tones["tone_1"], rig.tones["tone_2"]
    tell("tone_1", "OUTP ON;:POW -10.002")
    first = one.emitted_dbm
    tell("tone_1", "POW -9.99")
    second = one.emitted_dbm
    tell("tone_1", "POW -9.998")

    assert one.emitted_dbm == first
    assert second - first != pytest.approx(0.01, abs=1e-9)
    assert one.setting_error_db(-10.0) != two.setting_error_db(-10.0)
    assert max(abs(one.setting_error_db(-level / 100)) for level in range(2000)) <= 0.04


def test_a_tripped_supply_is_in_the_journal(setup: RigSetup, clock: SimulatedClock) -> None:
    """Over-voltage protection acts on the true voltage, set error included."""
    rig = Rig(dataclasses.replace(setup, supply=SupplySetup(0.0, 0.0, 0.0, 20.0, 2.0)), clock)
    end: FrontEnd = front_ends(rig)["supply"]
    end.receive(b"VOLT:PROT 5.5;:VOLT 6;:OUTP ON\n")

    assert [entry.what for entry in rig.journal] == ["bias on", "bias tripped"]
    assert rig.truth.supply_current_a == 0
