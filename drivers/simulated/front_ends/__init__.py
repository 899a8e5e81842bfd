"""SCPI front ends of the simulated instruments, one module per role, and the function that makes them for a rig."""

from __future__ import annotations

from drivers.simulated.front_end import Device, FrontEnd
from drivers.simulated.front_ends.chamber import Chamber
from drivers.simulated.front_ends.dc_supply import DCSupply
from drivers.simulated.front_ends.digital_port import DigitalPort
from drivers.simulated.front_ends.meter import Meter, Wired
from drivers.simulated.front_ends.network_analyzer import NetworkAnalyzer
from drivers.simulated.front_ends.noise_source import NoiseSource
from drivers.simulated.front_ends.power_meter import PowerMeter
from drivers.simulated.front_ends.spectrum_analyzer import SpectrumAnalyzer
from drivers.simulated.front_ends.switch import Switch
from drivers.simulated.front_ends.tone_source import ToneSource
from drivers.simulated.latches import LatchSetup
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import RigSetup
from drivers.simulated.served_front_end import ServedFrontEnd


def front_ends(rig: Rig) -> dict[str, FrontEnd]:
    """A front end for each instrument of the rig, by place."""
    serials, latency_s = rig.setup.serials, rig.setup.latency_s
    return {
        place: FrontEnd(device, rig.clock, serials.get(place, "0"), latency_s)
        for place, device in _devices(rig).items()
    }


def served_front_ends(rig: Rig) -> dict[str, ServedFrontEnd]:
    """The same for links that push responses; a message takes no time, as the link has its own."""
    serials = rig.setup.serials
    return {
        place: ServedFrontEnd(device, rig.clock, serials.get(place, "0"), 0.0)
        for place, device in _devices(rig).items()
    }


def _devices(rig: Rig) -> dict[str, Device]:
    setup = rig.setup
    devices: dict[str, Device] = {place: ToneSource(rig, place) for place in rig.tones}
    if setup.noise_source is not None:
        devices["noise_source"] = NoiseSource(rig, "noise_source")
    if setup.analyzer is not None:
        devices["analyzer"] = SpectrumAnalyzer(rig, "analyzer", setup.analyzer)
    if setup.network_analyzer is not None:
        devices["network_analyzer"] = NetworkAnalyzer(rig, "network_analyzer", setup.network_analyzer)
    if rig.bias is not None:
        devices["supply"] = DCSupply(rig, "supply", rig.bias)
    if setup.current_meter is not None:
        wired = Wired("CURR", rig.metered_current_a, setup.current_meter.reading_s, setup.current_meter.noise_a)
        devices["current_meter"] = Meter(rig, "current_meter", wired)
    if setup.board_thermometer is not None:
        entry = setup.board_thermometer
        sensor = entry.sensor or "Pt100"
        wires = entry.wires or (4 if sensor.startswith("Pt") else 2)
        wired = Wired("TEMP", rig.metered_board_c, entry.reading_s, 0.0, sensor, wires)
        devices["board_thermometer"] = Meter(rig, "board_thermometer", wired)
    if rig.power_sensor is not None:
        devices["power_meter"] = PowerMeter(rig, "power_meter", rig.power_sensor)
    if setup.chamber is not None:
        devices["chamber"] = Chamber(rig, "chamber", setup.chamber)
    if setup.load_routes:
        loads = {route: f"{load:g} Ω" for route, load in setup.load_routes.items()}
        devices["load_switch"] = Switch(rig, "load_switch", rig.closed_loads, loads)
    if setup.channel_routes:
        routes = dict(setup.channel_routes)
        routes |= {route: f"{channel} at network analyzer" for route, channel in setup.network_routes.items()}
        devices["channel_switch"] = Switch(rig, "channel_switch", rig.closed_channels, routes)
    if setup.channel_ports or setup.mode_port is not None:
        devices["code_port"] = DigitalPort(rig, "code_port", _ports(setup))
    return devices


def _ports(setup: RigSetup) -> tuple[int, ...]:
    """Ports that have lines to the unit: one for each word that stands on its own, and those of the latches."""
    numbers = {*setup.channel_ports, *(() if setup.mode_port is None else (setup.mode_port,))}
    ports = numbers - set(setup.latches)
    for entry in setup.latches.values():
        ports |= {entry.data_port, entry.strobe[0]} if isinstance(entry, LatchSetup) else {entry.port}
    return tuple(sorted(ports))
