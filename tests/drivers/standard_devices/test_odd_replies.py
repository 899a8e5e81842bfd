"""What every driver makes of replies that differ from the standard, and of settings that were not taken as sent.

The rule: what can have one meaning only is taken; everything else ends in a named error, never in a number.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.errors import InstrumentError, NotUnderstood, Refused, TimedOut
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.noise_source import ScpiNoiseSource
from drivers.power_meter import ScpiPowerMeter
from drivers.roles import Identity, NetworkSetting, QueueEntry, SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource

Device = Callable[..., Messages]


def read_meter(messages: Messages, quantity: Any = "current") -> float:
    meter = ScpiMeter(messages)
    meter.prepare(quantity)
    meter.begin_reading()
    return meter.finish_reading()


def read_power(messages: Messages) -> float:
    meter = ScpiPowerMeter(messages)
    meter.prepare(4)
    meter.begin_reading()
    return meter.finish_reading()


def set_level(messages: Messages, level_dbm: float) -> float:
    source = ScpiToneSource(messages)
    source.prepare(10.0)
    return source.set_level(level_dbm)


def prepare_chamber(messages: Messages) -> None:
    ScpiChamber(messages).prepare(3.0, -45.0, 90.0, 25.0)


# --- Numbers

READ: list[tuple[str, str, Callable[[Messages], object]]] = [
    ("tone_source", ":SOUR:POW:LEV:IMM:AMPL?", lambda m: set_level(m, 3.0)),
    ("tone_source", ":SOUR:POW:LIM:AMPL?", lambda m: ScpiToneSource(m).prepare(10.0)),
    ("spectrum_analyzer", ":SENS:FREQ:SPAN?", lambda m: ScpiSpectrumAnalyzer(m).prepare()),
    ("spectrum_analyzer", ":INP:ATT?", lambda m: ScpiSpectrumAnalyzer(m).set_sweep(SweepSetting(1e3, 10.0, 2))),
    ("spectrum_analyzer", ":SENS:SWE:POIN?", lambda m: ScpiSpectrumAnalyzer(m).set_sweep(SweepSetting(1e3, 10.0, 2))),
    ("spectrum_analyzer", ":SENS:SWE:TIME?", lambda m: ScpiSpectrumAnalyzer(m).set_sweep(SweepSetting(1e3, 10.0, 2))),
    ("spectrum_analyzer", ":STAT:QUES:COND?", lambda m: ScpiSpectrumAnalyzer(m).input_overloaded()),
    ("network_analyzer", ":SOUR:POW:LIM:AMPL?", lambda m: ScpiNetworkAnalyzer(m).prepare(0.0)),
    ("network_analyzer", ":SENS:FREQ:STAR?", lambda m: ScpiNetworkAnalyzer(m).set_frequencies((20e6, 60e6))),
    ("network_analyzer", ":SENS:LIST:FREQ:POIN?", lambda m: ScpiNetworkAnalyzer(m).set_frequencies((20e6, 45e6, 60e6))),
    ("dc_supply", ":SOUR:VOLT:PROT:LEV?", lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
    ("dc_supply", ":SOUR:CURR:LEV:IMM:AMPL?", lambda m: ScpiDCSupply(m).set_output(5.0, 0.3)),
    ("dc_supply", ":MEAS:SCAL:VOLT:DC?", lambda m: ScpiDCSupply(m).read_voltage_v()),
    ("dc_supply", ":MEAS:SCAL:CURR:DC?", lambda m: ScpiDCSupply(m).read_current_a()),
    ("meter", ":FETC?", read_meter),
    ("thermometer", ":FETC?", lambda m: read_meter(m, "temperature")),
    ("power_meter", ":FETC?", read_power),
    ("power_meter", ":SENS:AVER:COUN?", lambda m: ScpiPowerMeter(m).prepare(4)),
    ("power_meter", ":STAT:QUES:COND?", lambda m: ScpiPowerMeter(m).is_zeroed()),
    ("chamber", ":SOUR:TEMP:SPO?", lambda m: ScpiChamber(m).set_target_c(25.0)),
    ("chamber", ":STAT:QUES:COND?", lambda m: ScpiChamber(m).alarms()),
    ("chamber", ":SOUR:TEMP:PROT:LOW:LEV?", prepare_chamber),
    ("chamber", ":MEAS:SCAL:TEMP?", lambda m: ScpiChamber(m).read_air_c()),
    ("digital_port", ":SOUR:DIG:DATA1?", lambda m: ScpiDigitalPort(m).read_word(1)),
]

NO_NUMBERS = [
    "9.9E37",  # infinity (SCPI-1999 Vol 1, 7.2.1.4): overload
    "-9.90000E+37",
    "9.91E37",  # not a number (7.2.1.5)
    "9.909999530E+37",  # the same, out of a 32-bit float
    "NAN",
    "OVLD",
    "----",
    "",
    "1,5",  # a decimal comma would be two numbers
    "5.0;5.0",
    "#15HELLO",
    "5.0 MOHM",
    "5.0 m",
    '"5.0"',
    "ON",
]


@pytest.mark.parametrize(("name", "query", "read"), READ, ids=[f"{name} {query}" for name, query, _ in READ])
def test_what_is_no_number_is_never_one(
    standard_device: Device, devices: dict[str, Any], name: str, query: str, read: Callable[[Messages], object]
) -> None:
    """Whatever is asked for: each such reply ends in NotUnderstood, which names instrument and question."""
    messages = standard_device(name)
    for reply in NO_NUMBERS:
        devices[name].add_dialogue(query, reply)
        with pytest.raises(NotUnderstood) as caught:
            read(messages)

        assert caught.value.message == query
        assert caught.value.instrument == name


@pytest.mark.parametrize(
    ("name", "query", "reply", "read"),
    [
        ("dc_supply", ":MEAS:SCAL:VOLT:DC?", "4998 MV", lambda m: ScpiDCSupply(m).read_voltage_v()),
        ("dc_supply", ":MEAS:SCAL:CURR:DC?", "201.5 mA", lambda m: ScpiDCSupply(m).read_current_a()),
        ("dc_supply", ":MEAS:SCAL:CURR:DC?", "0.2 V", lambda m: ScpiDCSupply(m).read_current_a()),
        ("tone_source", ":SOUR:POW:LEV:IMM:AMPL?", "3 DBMV", lambda m: set_level(m, 3.0)),
        ("tone_source", ":SOUR:POW:LEV:IMM:AMPL?", "3 V", lambda m: set_level(m, 3.0)),
        (
            "network_analyzer",
            ":SENS:FREQ:STAR?",
            "20 MHZ",
            lambda m: ScpiNetworkAnalyzer(m).set_frequencies((2e7, 6e7)),
        ),
        ("thermometer", ":FETC?", "296.25 K", lambda m: read_meter(m, "temperature")),
        ("chamber", ":MEAS:SCAL:TEMP?", "73.6 F", lambda m: ScpiChamber(m).read_air_c()),
        ("meter", ":FETC?", "23.1 CEL", read_meter),
        ("power_meter", ":FETC?", "56.2 UW", read_power),
        ("power_meter", ":FETC?", "0.0001 W", read_power),
        ("chamber", ":SOUR:TEMP:RAMP:RATE?", "3 K", prepare_chamber),
    ],
)
def test_another_suffix_than_the_base_units_is_not_understood(
    standard_device: Device, name: str, query: str, reply: str, read: Callable[[Messages], object]
) -> None:
    """488.2, 7.7.3: M is milli, but mega in MHZ and MOHM; some firmware takes MHZ for milli. Nobody scales by guess."""
    with pytest.raises(NotUnderstood, match=r"suffix|not a number"):
        read(standard_device(name, replies={query: reply}))


# --- Settings that were rounded or clamped


@pytest.mark.parametrize(
    ("name", "replies", "act", "held"),
    [
        ("tone_source", {":SOUR:POW:LEV:IMM:AMPL?": "-12.3"}, lambda m: set_level(m, -12.34), -12.3),
        (
            "spectrum_analyzer",
            {":SENS:BAND:RES?": "1.0E3", ":INP:ATT?": "15", ":SENS:SWE:POIN?": "3"},
            lambda m: ScpiSpectrumAnalyzer(m).set_sweep(SweepSetting(900.0, 14.0, 2)),
            SweepSetting(1000.0, 15.0, 3),
        ),
        ("dc_supply", {":SOUR:VOLT:LEV:IMM:AMPL?": "4.998"}, lambda m: ScpiDCSupply(m).set_output(5.0, 0.3), None),
        ("chamber", {":SOUR:TEMP:SPO?": "24.9"}, lambda m: ScpiChamber(m).set_target_c(24.94), None),
    ],
)
def test_rounding_is_taken_and_told(
    standard_device: Device, name: str, replies: dict[str, str], act: Callable[[Messages], object], held: object
) -> None:
    """Rounding is no error (488.2, 7.7.2); where it matters the held value is returned."""
    assert act(standard_device(name, replies=replies)) == held


@pytest.mark.parametrize(
    ("name", "query", "reply", "act"),
    [
        ("tone_source", ":SOUR:POW:LEV:IMM:AMPL?", "2.5", lambda m: set_level(m, 3.0)),
        ("tone_source", ":SOUR:POW:LIM:AMPL?", "25", lambda m: ScpiToneSource(m).prepare(10.0)),
        ("network_analyzer", ":SOUR:POW:LIM:AMPL?", "10", lambda m: ScpiNetworkAnalyzer(m).prepare(0.0)),
        ("network_analyzer", ":SENS:FREQ:STOP?", "5E7", lambda m: ScpiNetworkAnalyzer(m).set_frequencies((2e7, 6e7))),
        ("network_analyzer", ":SENS:SWE:POIN?", "51", lambda m: ScpiNetworkAnalyzer(m).set_frequencies((2e7, 6e7))),
        ("dc_supply", ":SOUR:VOLT:PROT:LEV?", "6", lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ("dc_supply", ":SOUR:CURR:PROT:LEV?", "0.5", lambda m: ScpiDCSupply(m).prepare(5.4, 0.3)),
        ("dc_supply", ":SOUR:CURR:LEV:IMM:AMPL?", "0.1", lambda m: ScpiDCSupply(m).set_output(5.0, 0.3)),
        ("chamber", ":SOUR:TEMP:SPO?", "125", lambda m: ScpiChamber(m).set_target_c(150.0)),
        ("chamber", ":SOUR:TEMP:PROT:HIGH:LEV?", "185", prepare_chamber),
        ("meter", ":SENS:CURR:DC:NPLC?", "0.1", read_meter),
    ],
)
def test_clamping_is_refused_though_the_queue_is_silent(
    standard_device: Device, name: str, query: str, reply: str, act: Callable[[Messages], object]
) -> None:
    """-222 with the setting unchanged is the standard's way (21.8.11, from memory); some clamp without a word."""
    with pytest.raises(Refused, match="instead of") as caught:
        act(standard_device(name, replies={query: reply}))

    assert caught.value.number == 0


def test_a_setting_that_the_queue_explains_is_refused_with_its_number(standard_device: Device) -> None:
    """12 V stand on a supply that goes to 20 V; pyvisa-sim's word for out of range is that of an unknown header."""
    with pytest.raises(Refused) as caught:
        ScpiDCSupply(standard_device("dc_supply")).set_output(28.0, 0.3)

    assert caught.value.number == -113


def test_a_header_that_the_instrument_lacks_is_named_by_its_queue(standard_device: Device) -> None:
    """No reply comes, and the queue says why: 488.2, 6.3.2.2."""
    messages = standard_device("meter")
    with pytest.raises(TimedOut, match=r"-113") as caught:
        ScpiDCSupply(messages).read_voltage_v()

    assert caught.value.message == ":MEAS:SCAL:VOLT:DC?"
    assert messages.ask_number(":FETC?") == 0.2015


# --- Keywords and booleans


@pytest.mark.parametrize(
    ("name", "replies", "act"),
    [
        ("spectrum_analyzer", {":FORM:BORD?": "NORMAL"}, lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ("spectrum_analyzer", {":FORM:BORD?": "normal"}, lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ("network_analyzer", {":CALC:FORM?": "COMPLEX"}, lambda m: ScpiNetworkAnalyzer(m).prepare(0.0)),
        (
            "network_analyzer",
            {":SENS:FREQ:MODE?": "SWEEP"},
            lambda m: ScpiNetworkAnalyzer(m).set_frequencies((2e7, 6e7)),
        ),
        ("tone_source", {":UNIT:POW?": "dBm"}, lambda m: ScpiToneSource(m).prepare(10.0)),
        ("thermometer", {":UNIT:TEMP?": "CEL"}, lambda m: ScpiMeter(m).prepare("temperature")),
    ],
)
def test_a_keyword_may_come_back_in_its_long_form(
    standard_device: Device, name: str, replies: dict[str, str], act: Callable[[Messages], object]
) -> None:
    """The short form is the standard's reply (Vol 1, 6.2.1); both name one thing."""
    act(standard_device(name, replies=replies))


@pytest.mark.parametrize(
    ("name", "query", "reply", "act"),
    [
        ("tone_source", ":UNIT:POW?", "DBMV", lambda m: ScpiToneSource(m).prepare(10.0)),
        ("tone_source", ":UNIT:POW?", "DB", lambda m: ScpiToneSource(m).prepare(10.0)),
        ("thermometer", ":UNIT:TEMP?", "F", lambda m: ScpiMeter(m).prepare("temperature")),
        ("chamber", ":UNIT:TEMP?", "K", prepare_chamber),
        ("spectrum_analyzer", ":FORM:BORD?", "SWAP", lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ("spectrum_analyzer", ":FORM:BORD?", "NORMA", lambda m: ScpiSpectrumAnalyzer(m).prepare()),
        ("network_analyzer", ":CALC:FORM?", "MLOG", lambda m: ScpiNetworkAnalyzer(m).prepare(0.0)),
    ],
)
def test_a_keyword_that_only_begins_alike_is_refused(
    standard_device: Device, name: str, query: str, reply: str, act: Callable[[Messages], object]
) -> None:
    """3 dBmV are 47 dB less than 3 dBm."""
    with pytest.raises(Refused, match="instead of"):
        act(standard_device(name, replies={query: reply}))


@pytest.mark.parametrize(
    ("name", "driver"),
    [
        ("tone_source", ScpiToneSource),
        ("noise_source", ScpiNoiseSource),
        ("network_analyzer", ScpiNetworkAnalyzer),
        ("dc_supply", ScpiDCSupply),
    ],
)
def test_an_output_may_say_on_and_off_in_words(
    standard_device: Device, devices: dict[str, Any], name: str, driver: Callable[[Messages], Any]
) -> None:
    """Out of a device always 0 or 1 (Vol 1, 7.3); the words are those of the command and mean one thing each."""
    output = driver(standard_device(name, replies={":OUTP:STAT?": "ON"}))

    assert output.output_is_on()
    with pytest.raises(Refused, match="on still"):
        output.switch_output(on=False)
    devices[name].add_dialogue(":OUTP:STAT?", "OFF")
    assert not output.output_is_on()
    output.switch_output(on=False)
    for reply in ("2", "TRUE", "-1", "0.5", "9.91E37", ""):
        devices[name].add_dialogue(":OUTP:STAT?", reply)
        with pytest.raises(NotUnderstood):
            output.output_is_on()


def test_relays_may_say_on_and_off_in_words(standard_device: Device) -> None:
    """As above, in a list."""
    replies = {":ROUT:CLOS? (@101)": "ON", ":ROUT:CLOS? (@101,102)": "OFF,ON"}
    switch = ScpiSwitch(standard_device("switch", replies=replies))
    switch.select(101)
    switch.select(102)

    assert switch.selected() == (102,)


# --- Identity and error queue


@pytest.mark.parametrize(
    ("reply", "identity"),
    [
        (" Invented Works , M 1 , 00 7 , 1.0 ", Identity("Invented Works", "M 1", "00 7", "1.0")),
        ("Invented Works,,,", Identity("Invented Works", "0", "0", "0")),
        (",,,", Identity("0", "0", "0", "0")),
        ("Invented Works,M1,7,A.1,B.2,C.3", Identity("Invented Works", "M1", "7", "A.1,B.2,C.3")),
        ("0,0,0,0\r", Identity("0", "0", "0", "0")),
    ],
)
def test_identities_with_blanks_and_empty_fields_are_taken(
    standard_device: Device, reply: str, identity: Identity
) -> None:
    """488.2, 10.14: four fields, 0 for what is not known; an empty one says the same."""
    assert ScpiMeter(standard_device("meter", replies={"*IDN?": reply})).identify() == identity


@pytest.mark.parametrize("reply", ["", "Invented Works", "Invented Works,M1,7", "Invented Works;M1;7;1"])
def test_an_identity_without_four_fields_is_not_understood(standard_device: Device, reply: str) -> None:
    """Which field is missing cannot be told, so the serial number could be taken from the wrong one."""
    with pytest.raises(NotUnderstood):
        ScpiMeter(standard_device("meter", replies={"*IDN?": reply})).identify()


@pytest.mark.parametrize("reply", ['+0,"No error"', '0,"no error"', "0", "0,No error", ' +0 , "No error;OK" ', "-0,''"])
def test_an_empty_queue_has_many_spellings(standard_device: Device, reply: str) -> None:
    """The number decides, never the text."""
    meter = ScpiMeter(standard_device("meter", replies={":SYST:ERR?": reply}))

    assert meter.drain_errors() == ()


class Queue:
    """A Link to an instrument with a queue of a few entries; the last one becomes -350 when it is full (21.8.1).

    That the oldest stay and the newest is replaced is told by many manuals; the clause is from memory.
    """

    resource = "scripted"

    def __init__(self, depth: int, overflow: bytes) -> None:
        self.depth, self.overflow = depth, overflow
        self.entries: list[bytes] = []
        self.reply = b""

    def send(self, data: bytes) -> None:
        if data == b":SYST:ERR?":
            self.reply = self.entries.pop(0) if self.entries else b'+0,"No error"'
        elif data.endswith(b"?"):
            self.reply = b"0"
        elif len(self.entries) < self.depth:
            self.entries.append(b'-113,"Undefined header;' + data + b'"')
        else:
            self.entries[-1] = self.overflow

    def receive(self, timeout_s: float | None = None) -> bytes:
        return self.reply

    def clear(self) -> None:
        self.reply = b""

    def close(self) -> None:
        self.reply = b""


@pytest.mark.parametrize("overflow", [b'-350,"Queue overflow"', b'-350,"Too many errors"', b"-350"])
def test_an_overflown_queue_is_read_to_its_end(still_clock: Any, overflow: bytes) -> None:
    """The oldest entry is the one that counts; that others are lost is the last one's news."""
    link = Queue(3, overflow)
    messages = Messages(link, "analyzer", still_clock)
    with pytest.raises(Refused) as caught:
        ScpiSpectrumAnalyzer(messages).prepare()

    assert caught.value.number == -113
    assert caught.value.later[-1].number == -350
    assert messages.drain_errors() == ()


def test_an_overflow_that_was_left_behind_is__the_queue_is_drained(still_clock: Any) -> None:
    """Old errors are not ours, and none of them is taken for the end of the queue."""
    link = Queue(2, b'-350,"Queue overflow"')
    for command in (b"A", b"B", b"C"):
        link.send(command)
    found = ScpiMeter(Messages(link, "meter", still_clock)).drain_errors()

    assert found == (QueueEntry(-113, "Undefined header;A"), QueueEntry(-350, "Queue overflow"))


# --- Blocks


def block(values: Sequence[float], code: str) -> bytes:
    """A definite-length block as 488.2, 8.7.9 describes it."""
    content = struct.pack(code % len(values), *values)
    return b"#%d%d%b" % (len(str(len(content))), len(content), content)


def swept(obedient: Any, reply: bytes) -> float:
    analyzer = ScpiSpectrumAnalyzer(obedient({":TRAC:DATA? TRACE1": reply, ":STAT:QUES:COND?": b"0"}).messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 4))
    analyzer.begin_power(60e6)
    return analyzer.finish_power().level_dbm


LEVELS = (-90.0, -89.5, -90.25, -90.0)
NOISY = (-90.123456, -89.54321, -90.777777, -89.987654)


def test_a_trace_of_negative_levels_is_averaged_in_power(obedient: Any) -> None:
    """pyvisa-sim cannot hold bytes above 127, so these come from a script. 10·log10 of the mean of 10^(level/10)."""
    expected = 10 * math.log10(sum(10 ** (level / 10) for level in LEVELS) / 4)

    assert swept(obedient, block(LEVELS, ">%df")) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize(
    "reply",
    [
        block(LEVELS, "<%df"),
        block(NOISY, "<%df"),
        block(LEVELS, ">%dd"),
        block(LEVELS[:3], ">%df"),
        block((*LEVELS, -90.0), ">%df"),
        b"#0" + block(LEVELS, ">%df")[4:] + b"\n",
        b"#0" + block(LEVELS, ">%df")[4:],
        b" " + block(LEVELS, ">%df"),
        block(LEVELS, ">%df")[:-1],
        block(LEVELS, ">%df") + b"\x00",
        b"-90.0,-89.5,-90.25,-90.0",
        b"#(16)" + block(LEVELS, ">%df")[4:],
        b"",
        block((-90.0, -90.0, 9.91e37, -90.0), ">%df"),
        block((-90.0, -90.0, math.nan, -90.0), ">%df"),
        block((-90.0, -90.0, 1e6, -90.0), ">%df"),
        block((-90.0, -90.0, -1e30, -90.0), ">%df"),
    ],
    ids=[
        "round numbers, least significant byte first",
        "least significant byte first",
        "64 bits each",
        "one point too few",
        "one point too many",
        "indefinite, ended by a newline",
        "indefinite",
        "a blank before it",
        "one byte too few",
        "one byte too many",
        "text",
        "more digits than nine",
        "nothing",
        "not-a-number",
        "IEEE not-a-number",
        "a million dBm",
        "a level that underflows",
    ],
)
def test_a_trace_that_is_not_what_was_asked_for_is_not_understood(obedient: Any, reply: bytes) -> None:
    """Definite blocks in the order that was set (488.2, 8.7.9); #0 ends nowhere without an END signal (8.7.10)."""
    with pytest.raises(NotUnderstood):
        swept(obedient, reply)


@pytest.mark.parametrize("reply", [block((2.0, -1.5, 0.0, 0.25), "<%dd"), block((0.1, -1.7, 0.3, 0.25), "<%dd")])
def test_complex_traces_in_the_other_byte_order_are_not_understood(obedient: Any, reply: bytes) -> None:
    """Round numbers become all but zero, others overflow or become huge."""
    analyzer = ScpiNetworkAnalyzer(obedient({":TRAC:DATA? S11": reply}).messages)
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.set_frequencies((20e6, 60e6))
    analyzer.begin_sweep()
    with pytest.raises(InstrumentError):
        analyzer.finish_sweep()
