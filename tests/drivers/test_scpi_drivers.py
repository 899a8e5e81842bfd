"""SCPI drivers: the headers they send, and what they do when an instrument lies, sticks or has no number."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.errors import NotUnderstood, Refused
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.meter_setting import MeterSetting, Sensor
from drivers.roles import SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer, mean_power, peak_of
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


# --- One output of several, remote sense, current limit


def test_every_message_to_one_output_of_several_follows_its_selection_read_back(obedient: Any) -> None:
    """Somebody at the front panel may have chosen another; what makes it safe reads nothing."""
    link = obedient()
    supply = ScpiDCSupply(link.messages)
    supply.use_output(2)
    assert link.sent == []
    for act in (
        lambda: supply.prepare(5.4, 0.33),
        lambda: supply.set_output(5.0, 0.3),
        lambda: supply.switch_output(on=True),
        supply.output_is_on,
        supply.read_voltage_v,
        supply.read_current_a,
        supply.protection_tripped,
        supply.clear_protection,
        supply.regulation,
    ):
        link.sent.clear()
        act()
        assert link.sent[:2] == [":INST:NSEL 2", ":INST:NSEL?"]
    link.sent.clear()
    supply.make_safe()

    assert link.sent == [":INST:NSEL 2", ":OUTP:STAT 0"]


def test_an_output_that_is_not_selected_is_never_switched(obedient: Any) -> None:
    """It would be somebody else's."""
    link = obedient({":INST:NSEL?": b"1"})
    supply = ScpiDCSupply(link.messages)
    supply.use_output(2)
    with pytest.raises(Refused, match="holds 1 instead of 2"):
        supply.switch_output(on=True)

    assert ":OUTP:STAT" not in link.headers


def test_a_supply_with_one_output_is_not_asked_which(obedient: Any) -> None:
    """It may not know the word."""
    link = obedient()
    supply = ScpiDCSupply(link.messages)
    supply.prepare(5.4, 0.33)
    supply.make_safe()

    assert not any("INST" in message or "RSEN" in message for message in link.sent)


@pytest.mark.parametrize(("on", "sent"), [(True, ":SYST:RSEN 1"), (False, ":SYST:RSEN 0")])
def test_remote_sense_is_set_with_the_output_off(obedient: Any, on: bool, sent: str) -> None:
    """Switched under voltage it would let the output jump."""
    link = obedient()
    ScpiDCSupply(link.messages).prepare(5.4, 0.33, remote_sense=on)

    assert link.sent.index(":OUTP:STAT?") < link.sent.index(sent)


def test_a_supply_without_a_command_for_remote_sense_says_what_to_do(obedient: Any) -> None:
    """The header is practice: −113 is to be expected, and a person can switch it by hand."""
    link = obedient()
    tell = link.send

    def send(data: bytes) -> None:
        tell(data)
        link.fixed[":SYST:ERR?"] = (
            (b'-113,"Undefined header"' if data.startswith(b":SYST:RSEN") else b'0,"No error"')
            if data != b":SYST:ERR?"
            else link.fixed[":SYST:ERR?"]
        )

    def receive(timeout_s: float | None = None) -> bytes:
        reply: bytes = type(link).receive(link, timeout_s)
        if link.asked == ":SYST:ERR?":
            link.fixed[":SYST:ERR?"] = b'0,"No error"'
        return reply

    link.send, link.receive = send, receive
    link.messages = Messages(link, "supply", link.messages._elapsed_s.__self__)
    with pytest.raises(Refused, match=r"-113, \"Undefined header\".*by hand|leave remote_sense out of the bench file"):
        ScpiDCSupply(link.messages).prepare(5.4, 0.33, remote_sense=True)

    assert ":SYST:RSEN?" not in link.sent


@pytest.mark.parametrize(
    ("on", "condition", "regulation"),
    [
        (b"0", b"1", "off"),
        (b"1", b"0", "voltage"),
        (b"1", b"1", "current"),
        (b"1", b"3", "current"),
        (b"1", b"2", "voltage"),
    ],
)
def test_regulation_follows_from_output_and_questionable_register(
    obedient: Any, on: bytes, condition: bytes, regulation: str
) -> None:
    """Bit 0 of STATus:QUEStionable is voltage (SCPI-1999 Vol 2, 20.3): practice has it set in current limit."""
    link = obedient({":OUTP:STAT?": on, ":STAT:QUES:COND?": condition})

    assert ScpiDCSupply(link.messages).regulation() == regulation


def test_a_protection_that_cannot_be_cleared_is_refused(obedient: Any) -> None:
    """Its cause is still there."""
    link = obedient({":SOUR:VOLT:PROT:TRIP?": b"1"})
    with pytest.raises(Refused, match="tripped still"):
        ScpiDCSupply(link.messages).clear_protection()


# --- A chamber's alarms


@pytest.mark.parametrize(
    ("condition", "tripped", "words"),
    [
        (b"0", b"0", []),
        (b"8", b"0", []),
        (b"16", b"0", ["questionable"]),
        (b"0", b"1", ["stopped it"]),
        (b"+16", b"1", ["questionable", "stopped it"]),
    ],
)
def test_a_chambers_alarms_come_in_words(obedient: Any, condition: bytes, tripped: bytes, words: list[str]) -> None:
    """Bit 4 of STATus:QUEStionable is temperature (SCPI-1999 Vol 2, 20.3); a trip stays until it is cleared."""
    link = obedient({":STAT:QUES:COND?": condition, ":SOUR:TEMP:PROT:TRIP?": tripped})
    alarms = ScpiChamber(link.messages).alarms()

    assert len(alarms) == len(words)
    assert all(word in alarm for word, alarm in zip(words, alarms, strict=True))


# --- What an analyzer says of its trace, and lines of a span


def ready_analyzer(link: Any) -> ScpiSpectrumAnalyzer:
    analyzer = ScpiSpectrumAnalyzer(link.messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    return analyzer


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        (b"4", "too fast for its bandwidth .uncalibrated."),
        (b"8", "the input is overloaded"),
        (b"12", "too fast .*; the input is overloaded"),
    ],
)
def test_a_trace_that_the_analyzer_itself_doubts_is_not_understood(obedient: Any, condition: bytes, words: str) -> None:
    """Bits 2 and 3 of STATus:QUEStionable, time and power (SCPI-1999 Vol 2, 20.3); what they mean here is practice."""
    link = obedient({":STAT:QUES:COND?": condition})
    analyzer = ready_analyzer(link)
    analyzer.begin_power(60e6)
    with pytest.raises(NotUnderstood, match=words):
        analyzer.finish_power()


@pytest.mark.parametrize("condition", [b"0", b"16", b"256", b"512", b"32768"])
def test_what_is_not_about_the_trace_leaves_it_believed(obedient: Any, condition: bytes) -> None:
    """Temperature, calibration and the maker's own bits may be set for days."""
    analyzer = ready_analyzer(obedient({":STAT:QUES:COND?": condition}))
    analyzer.begin_power(60e6)

    assert analyzer.finish_power().level_dbm == pytest.approx(-20.47, abs=0.01)


def test_nothing_averages_before_the_mean_is_taken_in_power(obedient: Any) -> None:
    """The mean of the decibels of noise lies 2.5 dB low: no trace averaging, widest video filter, sample detector."""
    link = obedient()
    ScpiSpectrumAnalyzer(link.messages).prepare()

    assert {":SENS:AVER:STAT 0", ":SENS:BAND:VID:AUTO OFF", ":SENS:BAND:VID MAX", ":SENS:DET:FUNC SAMP"} <= set(
        link.sent
    )


@pytest.mark.parametrize(
    ("held", "taken"), [(b"5", True), (b"4.2", True), (b"10", True), (b"3.9", False), (b"-10", False)]
)
def test_a_reference_level_that_is_held_too_low_is_refused(obedient: Any, held: bytes, taken: bool) -> None:
    """Attenuation may limit it: a line above it is cut off and reads as a weaker one."""
    analyzer = ScpiSpectrumAnalyzer(obedient({":DISP:WIND:TRAC:Y:SCAL:RLEV?": held}).messages)
    if taken:
        assert analyzer.set_reference_level(5.0) == float(held)
    else:
        with pytest.raises(Refused, match="instead of 5"):
            analyzer.set_reference_level(5.0)


def test_a_span_is_swept_in_the_time_that_the_analyzer_chooses(obedient: Any) -> None:
    """41 points for ten bandwidths; the line stands in the middle; the wait is twice the sweep time and more."""
    levels = [-80.0 + min(point, 40 - point) for point in range(41)]
    link = obedient({":TRAC:DATA? TRACE1": trace(levels), ":SENS:SWE:TIME?": b"7"})
    analyzer = ready_analyzer(link)
    link.sent.clear()
    link.timeouts_s.clear()
    peak = analyzer.find_peak(60e6, 10e3)

    assert peak.frequency_hz == pytest.approx(60e6)
    assert peak.level_dbm == pytest.approx(-60.0)
    assert ":SENS:SWE:TIME:AUTO ON" in link.sent
    assert ":SENS:SWE:POIN 41" in link.sent
    assert max(wait_s for wait_s in link.timeouts_s if wait_s is not None) == 19.0
    link.sent.clear()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    assert link.sent[0] == ":SENS:FREQ:SPAN 0"


def test_a_line_at_the_end_of_the_span_is_none(obedient: Any) -> None:
    """It may lie outside."""
    link = obedient({":TRAC:DATA? TRACE1": trace([-80.0 + point for point in range(41)])})
    with pytest.raises(NotUnderstood, match="end of the span"):
        ready_analyzer(link).find_peak(60e6, 10e3)


@given(st.floats(-1.0, 1.0), st.floats(-120.0, 20.0))
def test_the_peak_of_a_gaussian_filter_is_found_between_the_points(off: float, level_dbm: float) -> None:
    """A Gaussian is a parabola in decibels: 3.01 dB down at half its bandwidth, exact but for rounding."""
    bandwidth_hz, step_hz = 1000.0, 250.0
    frequencies = [step_hz * (point - 20) for point in range(41)]
    line_hz = off * 2000.0
    levels = tuple(
        level_dbm - 10 * math.log10(2) * 4 * ((hertz - line_hz) / bandwidth_hz) ** 2 for hertz in frequencies
    )
    peak = peak_of(levels, 60e6, 10e3)

    assert peak is not None
    assert peak.frequency_hz == pytest.approx(60e6 + line_hz, abs=0.01)
    assert peak.level_dbm == pytest.approx(level_dbm, abs=1e-6)


def test_a_flat_top_has_its_peak_at_its_first_point_or_between() -> None:
    """Three equal points have no bend to divide by."""
    peak = peak_of((-50.0, -20.0, -20.0, -20.0, -50.0), 0.0, 4.0)

    assert peak is not None
    assert -1.0 <= peak.frequency_hz <= 1.0
    assert peak_of((-20.0, -20.0, -20.0), 0.0, 2.0) is None


@pytest.mark.parametrize(("condition", "unlevelled"), [(b"0", False), (b"8", True), (b"+24", True), (b"48", False)])
def test_a_source_is_unlevelled_when_it_calls_its_power_questionable(
    obedient: Any, condition: bytes, unlevelled: bool
) -> None:
    """Bit 3 of STATus:QUEStionable is power (SCPI-1999 Vol 2, 20.3); 4 is temperature, 5 frequency."""
    source = ScpiToneSource(obedient({":STAT:QUES:COND?": condition}).messages)

    assert source.is_unlevelled() is unlevelled


# --- How a meter reads


def test_a_fixed_range_is_read_back_and_may_be_the_one_next_above(obedient: Any) -> None:
    """0.3 A in a range of 0.4 A; the range is sent after CONFigure, which would make it automatic again."""
    link = obedient({":SENS:CURR:DC:RANG:UPP?": b"+4.00000E-01"})
    ScpiMeter(link.messages).prepare("current", MeterSetting(range_a=0.3))

    assert link.sent[:3] == [":CONF:SCAL:CURR:DC", ":SENS:CURR:DC:RANG:UPP 0.3", ":SENS:CURR:DC:RANG:UPP?"]


def test_a_range_that_ends_below_is_refused(obedient: Any) -> None:
    """It would overload in mid-run."""
    meter = ScpiMeter(obedient({":SENS:CURR:DC:RANG:UPP?": b"0.1"}).messages)
    with pytest.raises(Refused, match=r"ends at 0\.1 A, below 0\.3 A"):
        meter.prepare("current", MeterSetting(range_a=0.3))


@pytest.mark.parametrize(
    ("sensor", "wires", "sent"),
    [
        ("Pt100", 4, [":SENS:TEMP:TRAN:TYPE FRTD", ":SENS:TEMP:TRAN:FRTD:RES:REF 100"]),
        ("Pt1000", 2, [":SENS:TEMP:TRAN:TYPE RTD", ":SENS:TEMP:TRAN:RTD:RES:REF 1000"]),
        ("thermocouple T", 2, [":SENS:TEMP:TRAN:TYPE TC", ":SENS:TEMP:TRAN:TC:TYPE T"]),
        (None, 4, []),
    ],
)
def test_a_sensor_is_set_only_if_it_is_named(
    obedient: Any, sensor: Sensor, wires: Literal[2, 4], sent: list[str]
) -> None:
    """Each word read back; a meter that knows only the sensor it is set up for is not asked."""
    link = obedient()
    ScpiMeter(link.messages).prepare("temperature", MeterSetting(sensor=sensor, wires=wires))
    told = [message for message in link.sent if ":TRAN:" in message and not message.endswith("?")]

    assert told == sent
    assert sum(message.endswith("?") for message in link.sent if ":TRAN:" in message) == len(sent)


def test_a_meter_that_keeps_another_sensor_is_refused(obedient: Any) -> None:
    """A type K read as type J is 20 % off without a word."""
    meter = ScpiMeter(obedient({":SENS:TEMP:TRAN:TC:TYPE?": b"J"}).messages)
    with pytest.raises(Refused, match="J instead of K"):
        meter.prepare("temperature", MeterSetting(sensor="thermocouple K", wires=2))


@pytest.mark.parametrize(("cycles", "waits_s"), [(1.0, None), (10.0, None), (100.0, 13.0)])
def test_a_long_integration_is_waited_for(obedient: Any, cycles: float, waits_s: float | None) -> None:
    """100 cycles of 50 Hz, up to four times over, and 5 s; short ones have the line's own time-out."""
    link = obedient()
    meter = ScpiMeter(link.messages)
    meter.prepare("current", MeterSetting(integration_cycles=cycles))
    link.timeouts_s.clear()
    meter.begin_reading()
    meter.finish_reading()

    assert set(link.timeouts_s) == {waits_s}
