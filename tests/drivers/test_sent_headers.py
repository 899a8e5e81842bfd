"""Which headers each SCPI driver sends, beside what SCPI-1999 is believed to have."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from drivers.catalogue import DRIVERS
from drivers.chamber import ScpiChamber
from drivers.dc_supply import ScpiDCSupply
from drivers.digital_port import ScpiDigitalPort
from drivers.errors import NotUnderstood
from drivers.messages import Messages
from drivers.meter import ScpiMeter
from drivers.meter_setting import MeterSetting
from drivers.network_analyzer import ScpiNetworkAnalyzer
from drivers.noise_source import ScpiNoiseSource
from drivers.power_meter import ScpiPowerMeter
from drivers.roles import NetworkSetting, SweepSetting
from drivers.scpi_instrument import ScpiInstrument
from drivers.sent_headers import SENT
from drivers.spectrum_analyzer import ScpiSpectrumAnalyzer
from drivers.switch import ScpiSwitch
from drivers.tone_source import ScpiToneSource


def use_source(messages: Messages) -> None:
    source = ScpiToneSource(messages)
    source.identify()
    source.prepare(10.0)
    source.set_frequency(60e6)
    source.set_level(3.0)
    source.is_unlevelled()
    source.switch_output(on=True)
    source.output_is_on()
    source.make_safe()


def use_noise_source(messages: Messages) -> None:
    source = ScpiNoiseSource(messages)
    source.prepare()
    source.output_is_on()
    source.make_safe()


def use_analyzer(messages: Messages) -> None:
    analyzer = ScpiSpectrumAnalyzer(messages)
    analyzer.prepare()
    analyzer.set_reference_level(5.0)
    analyzer.set_sweep(SweepSetting(1000.0, 10.0, 2))
    analyzer.begin_power(60e6)
    analyzer.finish_power()
    with pytest.raises(NotUnderstood, match="points came"):
        analyzer.find_peak(60e6, 2000.0)
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
    supply.prepare(5.4, 0.33, remote_sense=True)
    supply.set_output(5.0, 0.3)
    supply.switch_output(on=True)
    supply.output_is_on()
    supply.read_voltage_v()
    supply.read_current_a()
    supply.protection_tripped()
    supply.clear_protection()
    supply.regulation()
    supply.use_output(2)
    supply.regulation()
    supply.make_safe()


def use_meter(messages: Messages) -> None:
    meter = ScpiMeter(messages)
    for quantity in ("current", "temperature"):
        meter.prepare(quantity)
        meter.begin_reading()
        meter.finish_reading()
    meter.prepare("current", MeterSetting(range_a=0.4))
    for setting in (
        MeterSetting(sensor="Pt100", wires=4),
        MeterSetting(sensor="Pt1000", wires=2),
        MeterSetting(sensor="thermocouple K", wires=2),
    ):
        meter.prepare("temperature", setting)
    meter.make_safe()


def use_chamber(messages: Messages) -> None:
    chamber = ScpiChamber(messages)
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    chamber.set_target_c(-40.0)
    chamber.switch_conditioning(on=True)
    chamber.conditioning_is_on()
    chamber.read_air_c()
    chamber.target_c()
    chamber.alarms()
    chamber.read_sensor_c()
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


def use_power_meter(messages: Messages) -> None:
    meter = ScpiPowerMeter(messages)
    meter.prepare(4)
    meter.zero()
    meter.set_frequency(60e6)
    meter.begin_reading()
    meter.finish_reading()
    meter.make_safe()


#: What every instrument is asked.
ALWAYS = {":SYST:ERR?", "*IDN?", "*ESR?"}

USES: dict[type, Callable[[Messages], None]] = {
    ScpiToneSource: use_source,
    ScpiNoiseSource: use_noise_source,
    ScpiSpectrumAnalyzer: use_analyzer,
    ScpiNetworkAnalyzer: use_network_analyzer,
    ScpiDCSupply: use_supply,
    ScpiMeter: use_meter,
    ScpiChamber: use_chamber,
    ScpiSwitch: use_switch,
    ScpiDigitalPort: use_port,
    ScpiPowerMeter: use_power_meter,
}


def headers_of(sent: set[str]) -> set[str]:
    """As the list writes them: without the question that ends an operation, ``#`` for a number at the end of a word."""
    return {re.sub(r"\d+(?=:|\??$)", "#", header.removesuffix(";*OPC?")) for header in sent - ALWAYS}


def test_every_scpi_driver_of_the_catalogue_lists_its_headers() -> None:
    """One that was left out could not have a table of deviations."""
    drivers = {made for words in DRIVERS.values() for made in words.values()}

    assert {made for made in drivers if isinstance(made, type) and issubclass(made, ScpiInstrument)} == set(SENT)


@pytest.mark.parametrize("driver", USES, ids=lambda driver: driver.__name__)
def test_a_driver_sends_the_headers_that_it_lists_and_no_others(obedient: Any, driver: type) -> None:
    """A table of deviations is checked against this list."""
    link = obedient()
    USES[driver](link.messages)

    assert headers_of(link.headers) == SENT[driver].every


@pytest.mark.parametrize("driver", USES, ids=lambda driver: driver.__name__)
def test_what_makes_an_instrument_safe_is_listed_as_that(obedient: Any, driver: Any) -> None:
    """A table of deviations must not leave it out.

    A chamber that has been prepared is sent to its idle temperature; of several outputs the right one is switched off.
    """
    link = obedient()
    made = driver(link.messages)
    if isinstance(made, ScpiDCSupply):
        made.use_output(2)
    made.make_safe()
    if isinstance(made, ScpiChamber):
        made.prepare(3.0, -45.0, 90.0, 25.0)
        before = len(link.sent)
        made.make_safe()
        del link.sent[1:before]

    assert headers_of(link.headers) == SENT[driver].safe
