"""What each role can be asked without switching, moving or preparing anything: one table.

For a look at a bench of which nobody knows who has left it how. A query reads a state that the instrument has anyway;
what would start a measurement or take a path apart is not here. A state that a person must know of before touching the
bench comes with a warning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from bench.places import ROLE_OF_PLACE
from bench.safe_state import IDLE_WITHIN_K
from drivers.roles import (
    Chamber,
    DCSupply,
    DigitalPort,
    NetworkAnalyzer,
    NoiseSource,
    PowerMeter,
    SpectrumAnalyzer,
    Switch,
    ToneSource,
)
from sequences.bench_file import ChannelSwitchEntry, CodePortEntry, LoadSwitchEntry
from sequences.chamber_entry import ChamberEntry


@dataclass(frozen=True, slots=True)
class Told:
    """What an instrument says of itself, and what a person must know of it, empty if nothing."""

    text: str
    warning: str = ""


@dataclass(frozen=True, slots=True)
class Query:
    """A name for what is asked, and how: driver and entry of the bench file in, what it tells out."""

    asked: str
    # Any: each row of the table is for drivers and entries of its own role.
    ask: Callable[[Any, Any], Told]


def queries_of(place: str) -> tuple[Query, ...]:
    """The harmless queries of the instrument at a place."""
    return QUERIES[ROLE_OF_PLACE[place]]


def _rf(source: ToneSource | NetworkAnalyzer, _: object) -> Told:
    return _output(source.output_is_on(), "RF IS ON: power comes out of its connector now")


def _noise(source: NoiseSource, _: object) -> Told:
    return _output(source.output_is_on(), "THE NOISE IS ON: it would add to whatever is measured")


def _supply_output(supply: DCSupply, _: object) -> Told:
    return _output(supply.output_is_on(), "THE OUTPUT IS ON: what is connected to it is live")


def _voltage(supply: DCSupply, _: object) -> Told:
    return Told(f"{supply.read_voltage_v():.3f} V")


def _current(supply: DCSupply, _: object) -> Told:
    return Told(f"{supply.read_current_a() * 1e3:.1f} mA")


def _protection(supply: DCSupply, _: object) -> Told:
    if not supply.protection_tripped():
        return Told("not tripped")
    return Told("tripped", "its over-voltage or over-current protection has tripped: find out why before a run")


def _regulation(supply: DCSupply, _: object) -> Told:
    held = supply.regulation()
    if held != "current":
        return Told({"voltage": "voltage held", "off": "off"}[held])
    return Told("in current limit", "it is in current limit: something draws more than it may")


def _zero(meter: PowerMeter, _: object) -> Told:
    return Told("held" if meter.is_zeroed() else "not held; bring-up zeroes it")


def _overload(analyzer: SpectrumAnalyzer, _: object) -> Told:
    if not analyzer.input_overloaded():
        return Told("not overloaded")
    return Told("overloaded", "its input is overloaded: take the signal away")


def _conditioning(chamber: Chamber, entry: ChamberEntry) -> Told:
    if not chamber.conditioning_is_on():
        return Told("off")
    target_c = chamber.target_c()
    # At its idle setting it is as the last run has left it.
    if abs(target_c - entry.idle_c) <= IDLE_WITHIN_K:
        return Told("on")
    return Told("on", f"IT CONDITIONS towards {target_c:g} °C: the load may be hot or cold")


def _target(chamber: Chamber, _: object) -> Told:
    return Told(f"{chamber.target_c():g} °C")


def _air(chamber: Chamber, _: object) -> Told:
    return Told(f"{chamber.read_air_c():.1f} °C")


def _alarms(chamber: Chamber, _: object) -> Told:
    found = "; ".join(chamber.alarms())
    return Told(found or "none", f"alarm: {found}" if found else "")


def _load(switch: Switch, entry: LoadSwitchEntry) -> Told:
    return _closed(switch, {route: f"{load:g} Ω" for load, route in entry.loads.items()})


def _channel(switch: Switch, entry: ChannelSwitchEntry) -> Told:
    network = {route: f"channel {name} to the network analyzer" for name, route in entry.network_channels.items()}
    return _closed(switch, network | {route: f"channel {name}" for name, route in entry.channels.items()})


def _relays(switch: Switch, entry: LoadSwitchEntry | ChannelSwitchEntry) -> Told:
    return _load(switch, entry) if isinstance(entry, LoadSwitchEntry) else _channel(switch, entry)


def _closed(switch: Switch, names: dict[int, str]) -> Told:
    closed = switch.closed_of(tuple(names))
    text = ", ".join(f"{route} ({names[route]})" for route in closed) or "none"
    return Told(text, f"{len(closed)} routes are closed at once: {text}" if len(closed) > 1 else "")


def _words(port: DigitalPort, entry: CodePortEntry) -> Told:
    numbers = {f"channel {name}": number for name, number in entry.channels.items()} | {"mode": entry.mode}
    latched = {word.word for word in entry.strobed} | {word.word for word in entry.shifted}
    # What the unit has latched nobody can read, and this session has written nothing.
    texts = [
        f"{name} latched, cannot be read" if number in latched else f"{name} {port.read_word(number)}"
        for name, number in numbers.items()
    ]
    return Told(", ".join(texts))


def _output(on: bool, warning: str) -> Told:
    return Told("on", warning) if on else Told("off")


#: Role → what it can be asked. A meter would have to be set up first, so it is asked for nothing.
QUERIES: dict[str, tuple[Query, ...]] = {
    "tone source": (Query("RF", _rf),),
    "noise source": (Query("noise", _noise),),
    "spectrum analyzer": (Query("input", _overload),),
    "network analyzer": (Query("RF", _rf),),
    "DC supply": (
        Query("output", _supply_output),
        Query("voltage", _voltage),
        Query("current", _current),
        Query("regulation", _regulation),
        Query("protection", _protection),
    ),
    "meter": (),
    "power meter": (Query("zero", _zero),),
    "chamber": (
        Query("conditioning", _conditioning),
        Query("set point", _target),
        Query("air", _air),
        Query("alarms", _alarms),
    ),
    "switch": (Query("closed relays", _relays),),
    "digital port": (Query("words", _words),),
}
