"""Every driver against an instrument that only shares the standards with our rig: from power-up to the safe state.

The devices are written from SCPI-1999 and IEEE 488.2 as remembered, not seen. They stand on other interfaces than the
rig, at power-up in a state that somebody left behind, and reply in every form of number that the standard allows, and
in some that it does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.noise_source import ScpiNoiseSource
from drivers.power_meter import ScpiPowerMeter
from drivers.roles import Identity, NetworkSetting, SweepSetting
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource

Device = Callable[..., Messages]

#: NR1 to NR3 are 488.2, 8.7.2 to 8.7.4. White space may be a tab, and CR may stand before LF (7.4.1). Units behind a
#: number are practice.
DIALECTS = {
    "NR3": "{:+.6E}",
    "NR2": "{:.6f}",
    "NR1 where whole": "{:.12g}",
    "white space around": r"\t{:.6f} \r",
    "base unit behind": "{:.6f} UNIT",
    "base unit without a blank": "{:+.6E}UNIT",
}


@pytest.fixture(params=list(DIALECTS.values()), ids=list(DIALECTS))
def device(request: pytest.FixtureRequest, standard_device: Device) -> Callable[[str], Messages]:
    return lambda name: standard_device(name, request.param)


@pytest.fixture
def settled(device: Callable[[str], Messages]) -> Callable[[str, type], tuple[Any, Messages]]:
    """Make a driver, look at who it is and at what was left in its queue."""

    def begin(name: str, driver: Callable[[Messages], Any]) -> tuple[Any, Messages]:
        messages = device(name)
        made = driver(messages)
        assert made.identify().maker == "Invented Works"
        assert made.drain_errors() == ()
        return made, messages

    return begin


Settled = Callable[[str, Callable[[Messages], Any]], tuple[Any, Messages]]


def test_a_tone_source(settled: Settled) -> None:
    """It comes up emitting 13 V of a sweep; it is off before its level is touched."""
    source, messages = settled("tone_source", ScpiToneSource)

    assert source.output_is_on()
    source.prepare(10.0)
    assert not source.output_is_on()
    source.set_frequency(60e6)
    assert source.set_level(-12.5) == -12.5
    source.switch_output(on=True)
    assert source.output_is_on()
    assert messages.ask(":UNIT:POW?") == "DBM"
    assert not source.is_unlevelled()
    source.make_safe()
    assert not source.output_is_on()
    assert source.drain_errors() == ()


def test_a_noise_source(settled: Settled) -> None:
    """Its identity has blanks around fields and an empty last one."""
    source, _ = settled("noise_source", ScpiNoiseSource)

    assert source.identify() == Identity("Invented Works", "Noise Source", "N7", "0")
    assert source.output_is_on()
    source.prepare()
    assert not source.output_is_on()
    source.switch_output(on=True)
    source.make_safe()
    assert not source.output_is_on()
    assert source.drain_errors() == ()


def test_a_spectrum_analyzer(settled: Settled) -> None:
    """2 dBm and 8.625 dBm average to 6.466 dBm in power: 10·log10((10^0.2 + 10^0.8625)/2)."""
    analyzer, messages = settled("spectrum_analyzer", ScpiSpectrumAnalyzer)
    analyzer.prepare()
    assert analyzer.set_reference_level(20.0) == 20.0
    held = analyzer.set_sweep(SweepSetting(1000.0, 20.0, 2))
    analyzer.begin_power(60e6)
    reading = analyzer.finish_power()

    assert held == SweepSetting(1000.0, 20.0, 2)
    assert reading.level_dbm == pytest.approx(10 * math.log10((10**0.2 + 10**0.8625) / 2), abs=1e-9)
    assert not analyzer.input_overloaded()
    assert analyzer.set_reference_level(5.0) == 5.0
    assert not messages.ask_boolean(":SENS:AVER:STAT?")
    analyzer.make_safe()
    assert analyzer.drain_errors() == ()


def test_the_highest_line_of_a_span(settled: Settled, devices: dict[str, Any]) -> None:
    """Five points of 0, 2, 8, 2, 0 dBm over 1 kHz: the line is in the middle, and nothing is rounded on the way."""
    analyzer, _ = settled("spectrum_analyzer", ScpiSpectrumAnalyzer)
    analyzer.prepare()
    analyzer.set_sweep(SweepSetting(1000.0, 20.0, 2))
    devices["spectrum_analyzer"].add_dialogue(
        ":TRAC:DATA? TRACE1", "#220\0\0\0\0\x40\0\0\0\x41\0\0\0\x40\0\0\0\0\0\0\0"
    )
    peak = analyzer.find_peak(60e6, 1000.0)

    assert peak.frequency_hz == 60e6
    assert peak.level_dbm == 8.0
    analyzer.make_safe()
    assert analyzer.drain_errors() == ()


def test_a_network_analyzer(settled: Settled) -> None:
    """Two points; real and imaginary part in turn, most significant byte first."""
    analyzer, messages = settled("network_analyzer", ScpiNetworkAnalyzer)
    analyzer.prepare(0.0)

    assert not analyzer.output_is_on()
    assert analyzer.set_sweep(NetworkSetting(-30.0, 300.0)) == NetworkSetting(-30.0, 300.0)
    analyzer.set_frequencies((20e6, 45e6, 60e6))
    assert messages.ask(":SENS:FREQ:MODE?") == "LIST"
    analyzer.set_frequencies((20e6, 60e6))
    assert messages.ask(":SENS:FREQ:MODE?") == "SWE"
    analyzer.switch_output(on=True)
    analyzer.begin_sweep()
    swept = analyzer.finish_sweep()
    assert swept.frequencies_hz == (20e6, 60e6)
    assert swept.s11 == swept.s21 == swept.s12 == swept.s22 == (2 + 3.25j, 2.5j)
    analyzer.make_safe()
    assert not analyzer.output_is_on()
    assert analyzer.drain_errors() == ()


def test_a_dc_supply(settled: Settled) -> None:
    """It comes up at 12 V into whatever is connected; protection stands before the output is on again."""
    supply, messages = settled("dc_supply", ScpiDCSupply)

    assert supply.output_is_on()
    supply.prepare(5.4, 0.33)
    assert not supply.output_is_on()
    supply.set_output(5.0, 0.3)
    supply.switch_output(on=True)
    assert supply.output_is_on()
    assert supply.read_voltage_v() == 4.998
    assert supply.read_current_a() == 0.2015
    assert not supply.protection_tripped()
    assert supply.regulation() == "voltage"
    assert messages.ask_boolean(":SOUR:VOLT:PROT:STAT?")
    assert messages.ask_boolean(":SOUR:CURR:PROT:STAT?")
    supply.make_safe()
    assert not supply.output_is_on()
    assert supply.drain_errors() == ()


@pytest.mark.parametrize(
    ("name", "quantity", "value"), [("meter", "current", 0.2015), ("thermometer", "temperature", 23.1)]
)
def test_a_meter(settled: Settled, name: str, quantity: str, value: float) -> None:
    """Ampere or degree Celsius, in base units; it comes up counting in Fahrenheit."""
    meter, messages = settled(name, ScpiMeter)
    meter.prepare(quantity)
    meter.begin_reading()

    assert meter.finish_reading() == value
    assert messages.ask(":UNIT:TEMP?") == ("C" if quantity == "temperature" else "F")
    meter.make_safe()
    assert meter.drain_errors() == ()


def test_one_output_of_several_of_a_dc_supply(settled: Settled) -> None:
    """It comes up with the third one selected; the second is meant, and held by its current limit."""
    supply, messages = settled("dc_supply", ScpiDCSupply)
    supply.use_output(2)
    supply.prepare(5.4, 0.33, remote_sense=True)
    supply.set_output(5.0, 0.3)
    supply.switch_output(on=True)

    assert messages.ask_number(":INST:NSEL?") == 2
    assert messages.ask_boolean(":SYST:RSEN?")
    assert supply.regulation() == "current"
    supply.clear_protection()
    supply.make_safe()
    assert not supply.output_is_on()
    assert supply.regulation() == "off"
    assert supply.drain_errors() == ()


def test_a_power_meter(settled: Settled) -> None:
    """It comes up reading in watts without an end."""
    meter, messages = settled("power_meter", ScpiPowerMeter)
    meter.prepare(4)
    meter.zero()
    meter.set_frequency(60e6)
    meter.begin_reading()

    assert meter.finish_reading() == -12.5
    assert meter.is_zeroed()
    assert messages.ask(":UNIT:POW?") == "DBM"
    assert messages.ask_number(":SENS:AVER:COUN?") == 4
    meter.make_safe()
    assert meter.drain_errors() == ()


def test_a_chamber(settled: Settled) -> None:
    """It comes up heating towards 85 °C; stopped before it is prepared, sent to idle afterwards."""
    chamber, messages = settled("chamber", ScpiChamber)
    identity = chamber.identify()

    assert identity.serial == "0"
    assert chamber.conditioning_is_on()
    chamber.make_safe()
    assert not chamber.conditioning_is_on()
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    assert messages.ask(":UNIT:TEMP?") == "C"
    chamber.set_target_c(-40.0)
    chamber.switch_conditioning(on=True)
    assert chamber.conditioning_is_on()
    assert chamber.target_c() == -40.0
    assert chamber.read_air_c() == 61.25
    assert chamber.alarms() == ()
    chamber.make_safe()
    assert chamber.conditioning_is_on()
    assert chamber.target_c() == 25.0
    assert chamber.drain_errors() == ()


def test_a_switch(settled: Settled) -> None:
    """One route after the other."""
    switch, _ = settled("switch", ScpiSwitch)
    switch.select(101)
    assert switch.selected() == (101,)
    switch.select(102)

    assert switch.selected() == (102,)
    switch.make_safe()
    assert switch.drain_errors() == ()


def test_a_digital_port(settled: Settled) -> None:
    """A word that comes back as NR2 or NR3 is still that word."""
    port, _ = settled("digital_port", ScpiDigitalPort)
    port.write_word(1, 17)
    port.write_word(3, 2)

    assert port.read_word(1) == 17
    assert port.read_word(3) == 2
    port.make_safe()
    assert port.read_word(1) == 17
    assert port.drain_errors() == ()
