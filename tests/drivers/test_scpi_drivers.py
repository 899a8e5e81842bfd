"""SCPI drivers: the headers they send, and what they do when an instrument lies, sticks or has no number."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.errors import NotUnderstood, Refused
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.roles import SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer, mean_power
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource


def trace(levels_dbm: list[float]) -> bytes:
    content = struct.pack(f">{len(levels_dbm)}f", *levels_dbm)
    count = str(len(content))
    return f"#{len(count)}{count}".encode() + content


# --- Few exchanges where a sweep spends its time


def test_a_level_costs_two_messages_and_a_frequency_and_a_word_one(obedient: Any) -> None:
    """Ten thousand conditions each pay for every message."""
    link = obedient()
    source, port = ScpiToneSource(link.messages), ScpiDigitalPort(link.messages)
    source.prepare(10.0)
    link.sent.clear()
    source.set_level(3.0)
    source.set_frequency(60e6)
    port.write_word(1, 17)

    assert link.sent == [
        ":SOUR:POW:LEV:IMM:AMPL 3",
        ":SOUR:POW:LEV:IMM:AMPL?",
        ":SOUR:FREQ:CW 60000000",
        ":SOUR:DIG:DATA1 17",
    ]


def test_a_power_reading_costs_four_messages_with_one_time_out_for_all(obedient: Any) -> None:
    """Changing the time-out of a link to and fro costs more than a message."""
    link = obedient()
    analyzer = ScpiSpectrumAnalyzer(link.messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    link.sent.clear()
    link.timeouts_s.clear()
    analyzer.begin_power(60e6)
    analyzer.finish_power()

    assert link.sent == [":SENS:FREQ:CENT 60000000", ":INIT:IMM;*OPC?", ":TRAC:DATA? TRACE1", ":STAT:QUES:COND?"]
    assert len(set(link.timeouts_s)) == 1


def test_a_long_sweep_is_waited_for(obedient: Any) -> None:
    """At 10 Hz, 1000 points take 150 s; the reply may take at least that."""
    link = obedient({":TRAC:DATA? TRACE1": trace([-20.0] * 500 + [-21.0] * 500)})
    analyzer = ScpiSpectrumAnalyzer(link.messages)
    analyzer.prepare()
    setting = analyzer.set_sweep(SweepSetting(10.0, 10.0, 1000))
    link.timeouts_s.clear()
    analyzer.begin_power(60e6)
    analyzer.finish_power()

    assert setting.sweep_s == 150.0
    assert link.timeouts_s[0] is not None
    assert link.timeouts_s[0] > 150.0


# --- Instruments that do not do as they are told


def test_a_source_that_clamps_a_level_without_an_error_is_refused(obedient: Any) -> None:
    """Some instruments clamp instead of raising −222."""
    source = ScpiToneSource(obedient({":SOUR:POW:LEV:IMM:AMPL?": b"2.9"}).messages)
    source.prepare(10.0)
    with pytest.raises(Refused, match=r"holds 2\.9 instead of 3") as caught:
        source.set_level(3.0)

    assert caught.value.number == 0
    assert caught.value.message == ":SOUR:POW:LEV:IMM:AMPL 3"


@pytest.mark.parametrize("unit", [b"V", b"DBUV"])
def test_a_source_that_counts_in_another_unit_is_refused(obedient: Any, unit: bytes) -> None:
    """10 V instead of 10 dBm would destroy the unit."""
    with pytest.raises(Refused, match="instead of DBM"):
        ScpiToneSource(obedient({":UNIT:POW?": unit}).messages).prepare(10.0)


@pytest.mark.parametrize(
    ("reply", "act"),
    [
        ({":OUTP:STAT?": b"1"}, lambda m: ScpiToneSource(m).prepare(10.0)),
        ({":OUTP:STAT?": b"1"}, lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ({":SOUR:VOLT:PROT:LEV?": b"21"}, lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ({":SOUR:VOLT:PROT:STAT?": b"0"}, lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ({":SOUR:CURR:PROT:STAT?": b"0"}, lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ({":SOUR:VOLT:LEV:IMM:AMPL?": b"4.9"}, lambda m: ScpiDCSupply(m).set_output(5.0, 0.3)),
        ({":SOUR:CURR:LEV:IMM:AMPL?": b"2"}, lambda m: ScpiDCSupply(m).set_output(5.0, 0.3)),
        ({":OUTP:STAT?": b"0"}, lambda m: ScpiDCSupply(m).switch_output(on=True)),
        ({":SOUR:TEMP:PROT:HIGH:LEV?": b"150"}, lambda m: ScpiChamber(m).prepare(3.0, -45.0, 90.0, 25.0)),
        ({":SOUR:TEMP:SPO?": b"23"}, lambda m: ScpiChamber(m).set_target_c(-40.0)),
        ({":INIT:CONT?": b"1"}, lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ({":INP:GAIN:STAT?": b"1"}, lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ({":FORM:BORD?": b"SWAP"}, lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ({":SENS:CURR:DC:NPLC?": b"10"}, lambda m: ScpiMeter(m).prepare("current")),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_a_setting_that_is_not_taken_over_is_refused_though_the_queue_is_silent(
    obedient: Any, reply: dict[str, bytes], act: Callable[[Messages], None]
) -> None:
    """Set, read back, compare; only then believe it."""
    with pytest.raises(Refused) as caught:
        act(obedient(reply).messages)

    assert caught.value.number == 0


def test_rounding_to_the_instruments_own_step_is_no_refusal(obedient: Any) -> None:
    """Rounding is not an error (IEEE 488.2, 7.7.2)."""
    link = obedient({":SOUR:POW:LEV:IMM:AMPL?": b"-12.3", ":SOUR:VOLT:LEV:IMM:AMPL?": b"+4.998E0"})
    source = ScpiToneSource(link.messages)
    source.prepare(10.0)
    ScpiDCSupply(link.messages).set_output(5.0, 0.3)

    assert source.set_level(-12.34) == -12.3


@pytest.mark.parametrize("states", [b"1,0", b"1,1", b"0,0"], ids=["other closed", "other stuck", "none closed"])
def test_a_relay_that_does_not_move_is_noticed(obedient: Any, states: bytes) -> None:
    """Two closed routes halve the load; none leaves the output open."""
    link = obedient({":ROUT:CLOS? (@101)": b"1"})
    switch = ScpiSwitch(link.messages)
    switch.select(101)
    link.fixed[":ROUT:CLOS? (@101,102)"] = states
    with pytest.raises(NotUnderstood, match="route 102"):
        switch.select(102)


def test_a_relay_list_of_another_length_is_not_understood(obedient: Any) -> None:
    """The answer to another question."""
    switch = ScpiSwitch(obedient({":ROUT:CLOS? (@101)": b"1,0"}).messages)
    with pytest.raises(NotUnderstood, match="2 states for 1"):
        switch.select(101)


# --- Replies that are no measurement


@pytest.mark.parametrize("reply", [b"9.9E37", b"-9.9E37", b"9.91E37", b"OVLD"])
def test_a_meter_reading_that_is_no_number_is_not_understood(obedient: Any, reply: bytes) -> None:
    """An overload of 9.9E37 A must not enter a mean."""
    meter = ScpiMeter(obedient({":FETC?": reply}).messages)
    meter.prepare("current")
    meter.begin_reading()
    with pytest.raises(NotUnderstood):
        meter.finish_reading()


@pytest.mark.parametrize(
    ("reply", "problem"),
    [
        (trace([-20.0] * 3), "3 points came"),
        (trace([-20.0]), "1 points came"),
        (trace([-20.0, 9.91e37]), "overload or not-a-number"),
        (b"#18\x00\x00", "block"),
        (b"-20,-21", "block"),
    ],
)
def test_a_trace_that_is_not_what_was_asked_for_is_not_understood(obedient: Any, reply: bytes, problem: str) -> None:
    """Another count means that another sweep was read."""
    analyzer = ScpiSpectrumAnalyzer(obedient({":TRAC:DATA? TRACE1": reply, ":STAT:QUES:COND?": b"0"}).messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    analyzer.begin_power(60e6)
    with pytest.raises(NotUnderstood, match=problem):
        analyzer.finish_power()


def test_a_power_reading_under_overload_is_not_understood(obedient: Any) -> None:
    """Bit 3 of STATus:QUEStionable says that power is questionable (SCPI-1999 Vol 2, 20.3)."""
    link = obedient()
    analyzer = ScpiSpectrumAnalyzer(link.messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    link.fixed[":STAT:QUES:COND?"] = b"264"
    analyzer.begin_power(60e6)
    with pytest.raises(NotUnderstood, match="overloaded"):
        analyzer.finish_power()


def test_another_questionable_bit_is_no_overload(obedient: Any) -> None:
    """Bit 8 is calibration, bit 4 temperature."""
    analyzer = ScpiSpectrumAnalyzer(obedient({":STAT:QUES:COND?": b"272"}).messages)

    assert not analyzer.input_overloaded()


@pytest.mark.parametrize(("voltage", "current"), [(b"1", b"0"), (b"0", b"1")])
def test_either_protection_counts_as_tripped(obedient: Any, voltage: bytes, current: bytes) -> None:
    """Over-voltage and over-current both switch the output off."""
    link = obedient({":SOUR:VOLT:PROT:TRIP?": voltage, ":SOUR:CURR:PROT:TRIP?": current})

    assert ScpiDCSupply(link.messages).protection_tripped()


# --- Mean power

levels = st.lists(st.floats(-150.0, 30.0), min_size=2, max_size=60)


def test_equal_samples_have_their_own_level_and_no_scatter() -> None:
    """The mean of a constant."""
    reading = mean_power((-37.0,) * 20)

    assert reading.level_dbm == pytest.approx(-37.0, abs=1e-12)
    assert reading.scatter_db == pytest.approx(0.0, abs=1e-6)


def test_the_mean_is_taken_in_power_not_in_decibels() -> None:
    """0 dBm and −∞ would give half the power, −3.01 dB; the mean of the decibels would be far below."""
    assert mean_power((0.0, -300.0)).level_dbm == pytest.approx(10 * math.log10(0.5), abs=1e-12)


def test_the_scatter_is_the_standard_deviation_of_the_mean_turned_into_decibels() -> None:
    """JCGM 100:2008, 4.2.3: for 1 mW and 3 mW the mean is 2, s = √2, s/√2 = 1, relative 0.5: 0.5·10/ln 10 = 2.171."""
    reading = mean_power((0.0, 10 * math.log10(3.0)))

    assert reading.level_dbm == pytest.approx(10 * math.log10(2.0))
    assert reading.scatter_db == pytest.approx(2.1715, abs=1e-4)


@given(levels, st.floats(-40.0, 40.0))
def test_an_attenuator_shifts_the_level_and_leaves_the_scatter(samples: list[float], shift_db: float) -> None:
    """Decibels of a ratio do not depend on the level."""
    before = mean_power(tuple(samples))
    after = mean_power(tuple(sample + shift_db for sample in samples))

    assert after.level_dbm == pytest.approx(before.level_dbm + shift_db, abs=1e-9)
    assert after.scatter_db == pytest.approx(before.scatter_db, abs=1e-6, rel=1e-6)


@given(levels)
def test_the_mean_lies_between_the_least_and_the_greatest_sample(samples: list[float]) -> None:
    """As every mean does."""
    assert min(samples) - 1e-9 <= mean_power(tuple(samples)).level_dbm <= max(samples) + 1e-9
