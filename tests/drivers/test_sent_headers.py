"""Which headers each SCPI driver sends, beside what SCPI-1999 is believed to have."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.roles import NetworkSetting, SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource


def use_source(messages: Messages) -> None:
    source = ScpiToneSource(messages)
    source.identify()
    source.prepare(10.0)
    source.set_frequency(60e6)
    source.set_level(3.0)
    source.switch_output(on=True)
    source.output_is_on()
    source.make_safe()


def use_analyzer(messages: Messages) -> None:
    analyzer = ScpiSpectrumAnalyzer(messages)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    analyzer.begin_power(60e6)
    analyzer.finish_power()
    analyzer.make_safe()


def use_network_analyzer(messages: Messages) -> None:
    analyzer = ScpiNetworkAnalyzer(messages)
    analyzer.prepare(0.0)
    analyzer.set_sweep(NetworkSetting(-30.0, 300.0))
    analyzer.set_frequencies((20e6, 45e6, 60e6))
    analyzer.set_frequencies((20e6, 60e6))
    analyzer.switch_output(on=True)
    analyzer.output_is_on()
    analyzer.begin_sweep()
    analyzer.finish_sweep()
    analyzer.make_safe()


def use_supply(messages: Messages) -> None:
    supply = ScpiDCSupply(messages)
    supply.prepare(5.4, 0.33)
    supply.set_output(5.0, 0.3)
    supply.switch_output(on=True)
    supply.output_is_on()
    supply.read_voltage_v()
    supply.read_current_a()
    supply.protection_tripped()
    supply.make_safe()


def use_meter(messages: Messages) -> None:
    meter = ScpiMeter(messages)
    for quantity in ("current", "temperature"):
        meter.prepare(quantity)
        meter.begin_reading()
        meter.finish_reading()
    meter.make_safe()


def use_chamber(messages: Messages) -> None:
    chamber = ScpiChamber(messages)
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    chamber.set_target_c(-40.0)
    chamber.switch_conditioning(on=True)
    chamber.conditioning_is_on()
    chamber.read_air_c()
    chamber.make_safe()


def use_switch(messages: Messages) -> None:
    switch = ScpiSwitch(messages)
    switch.select(101)
    switch.make_safe()


def use_port(messages: Messages) -> None:
    port = ScpiDigitalPort(messages)
    port.write_word(1, 17)
    port.read_word(1)
    port.make_safe()


ALWAYS = {":SYST:ERR?"}

HEADERS: list[tuple[Callable[[Messages], None], set[str], set[str]]] = [
    (
        use_source,
        {
            "*IDN?",
            "*ESR?",
            ":OUTP:STAT",
            ":OUTP:STAT?",
            ":UNIT:POW",
            ":UNIT:POW?",
            ":SOUR:FREQ:MODE",
            ":SOUR:FREQ:CW",
            ":SOUR:POW:LIM:AMPL",
            ":SOUR:POW:LIM:AMPL?",
            ":SOUR:POW:LEV:IMM:AMPL",
            ":SOUR:POW:LEV:IMM:AMPL?",
        },
        set(),
    ),
    (
        use_analyzer,
        {
            ":ABOR",
            ":INP:ATT",
            ":INP:ATT?",
            ":INP:ATT:AUTO",
            ":INP:GAIN:STAT",
            ":INP:GAIN:STAT?",
            ":INIT:CONT",
            ":INIT:CONT?",
            ":INIT:IMM;*OPC?",
            ":SENS:FREQ:SPAN",
            ":SENS:FREQ:SPAN?",
            ":SENS:FREQ:CENT",
            ":SENS:DET:FUNC",
            ":SENS:BAND:RES",
            ":SENS:BAND:RES?",
            ":SENS:SWE:POIN",
            ":SENS:SWE:POIN?",
            ":SENS:SWE:TIME",
            ":SENS:SWE:TIME?",
            ":UNIT:POW",
            ":UNIT:POW?",
            ":FORM:DATA",
            ":FORM:BORD",
            ":FORM:BORD?",
            ":TRAC:DATA?",
            ":STAT:QUES:COND?",
        },
        set(),
    ),
    (
        use_network_analyzer,
        {
            ":ABOR",
            ":OUTP:STAT",
            ":OUTP:STAT?",
            ":INIT:CONT",
            ":INIT:CONT?",
            ":INIT:IMM;*OPC?",
            ":SOUR:POW:LIM:AMPL",
            ":SOUR:POW:LIM:AMPL?",
            ":SOUR:POW:LEV:IMM:AMPL",
            ":SOUR:POW:LEV:IMM:AMPL?",
            ":SENS:FREQ:MODE",
            ":SENS:FREQ:MODE?",
            ":SENS:FREQ:STAR",
            ":SENS:FREQ:STAR?",
            ":SENS:FREQ:STOP",
            ":SENS:FREQ:STOP?",
            ":SENS:SWE:POIN",
            ":SENS:SWE:POIN?",
            ":SENS:LIST:FREQ",
            ":SENS:LIST:FREQ:POIN?",
            ":SENS:BAND:RES",
            ":SENS:BAND:RES?",
            ":CALC:FORM",
            ":CALC:FORM?",
            ":FORM:DATA",
            ":FORM:BORD",
            ":FORM:BORD?",
            ":TRAC:DATA?",
        },
        set(),
    ),
    (
        use_supply,
        {
            ":OUTP:STAT",
            ":OUTP:STAT?",
            ":SOUR:VOLT:LEV:IMM:AMPL",
            ":SOUR:VOLT:LEV:IMM:AMPL?",
            ":SOUR:CURR:LEV:IMM:AMPL",
            ":SOUR:CURR:LEV:IMM:AMPL?",
            ":SOUR:VOLT:PROT:LEV",
            ":SOUR:VOLT:PROT:LEV?",
            ":SOUR:VOLT:PROT:STAT",
            ":SOUR:VOLT:PROT:STAT?",
            ":SOUR:VOLT:PROT:TRIP?",
            ":SOUR:CURR:PROT:LEV",
            ":SOUR:CURR:PROT:LEV?",
            ":SOUR:CURR:PROT:STAT",
            ":SOUR:CURR:PROT:STAT?",
            ":SOUR:CURR:PROT:TRIP?",
            ":MEAS:SCAL:VOLT:DC?",
            ":MEAS:SCAL:CURR:DC?",
        },
        set(),
    ),
    (
        use_meter,
        {
            ":CONF:SCAL:CURR:DC",
            ":CONF:SCAL:TEMP",
            ":SENS:CURR:DC:NPLC",
            ":SENS:CURR:DC:NPLC?",
            ":INIT:IMM;*OPC?",
            ":FETC?",
        },
        {":SENS:TEMP:NPLC", ":SENS:TEMP:NPLC?"},
    ),
    (
        use_chamber,
        {":OUTP:STAT", ":OUTP:STAT?", ":MEAS:SCAL:TEMP?"},
        {
            ":SOUR:TEMP:SPO",
            ":SOUR:TEMP:SPO?",
            ":SOUR:TEMP:RAMP:RATE",
            ":SOUR:TEMP:RAMP:RATE?",
            ":SOUR:TEMP:PROT:LOW:LEV",
            ":SOUR:TEMP:PROT:LOW:LEV?",
            ":SOUR:TEMP:PROT:HIGH:LEV",
            ":SOUR:TEMP:PROT:HIGH:LEV?",
        },
    ),
    (use_switch, {":ROUT:OPEN:ALL", ":ROUT:CLOS", ":ROUT:CLOS?"}, set()),
    (use_port, set(), {":SOUR:DIG:DATA1", ":SOUR:DIG:DATA1?"}),
]


@pytest.mark.parametrize(("use", "standard", "practice"), HEADERS, ids=lambda value: getattr(value, "__name__", ""))
def test_a_driver_sends_these_headers_and_no_others(
    obedient: Any, use: Callable[[Messages], None], standard: set[str], practice: set[str]
) -> None:
    """The first set is believed to be in SCPI-1999 Vol 2, from memory of it and not seen; the second is practice."""
    link = obedient()
    use(link.messages)

    assert link.headers - ALWAYS == (standard | practice) - ALWAYS
