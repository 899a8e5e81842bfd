"""Bring-up: the order in which a bench is woken, as data, with what must hold after each step.

Safe state first, protection before power, bias before RF; RF comes last, when the first condition has settled. The way
back is ``bench.safe_state``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from bench.errors import Tripped, UnsafeBench
from bench.opening import OpeningRule
from bench.places import Places
from bench.safe_state import found_on, make_safe, outputs_of, unconfirmed
from drivers.errors import InstrumentError, NotThere
from drivers.meter_setting import USUAL, MeterSetting
from drivers.roles import Identity, SecondSensor
from drivers.timing import Clock
from sequences.bench_file import Bench
from sequences.conditions import Condition
from sequences.meter_entries import CurrentMeterEntry, ThermometerEntry
from sequences.part_file import Part, SupplyMode

#: Over-voltage protection stands this far above the highest supply voltage of the run, so that a load step does not
#: trip it, and never above the part's absolute maximum. Ours: supplies' protection is good to a few per cent.
OVER_VOLTAGE_FACTOR = 1.06

#: The chamber's own limits stand this far outside the run's temperatures, to let it overshoot.
CHAMBER_MARGIN_K = 5.0


@dataclass(frozen=True, slots=True)
class WakeUp:
    """What bring-up works with; ``identities`` is filled by its first step, or holds who answered before a retry.

    ``not_read_back``: places of which nobody can ask whether their output is on; see ``bench.deviating``.
    """

    places: Places
    part: Part
    bench: Bench
    conditions: tuple[Condition, ...]
    clock: Clock
    identities: dict[str, Identity]
    not_read_back: frozenset[str] = frozenset()


def bring_up(context: WakeUp, report: Callable[[str], None]) -> None:
    """Do every step of ``STEPS`` in order and report each.

    Raises InstrumentError if one fails, Tripped if a reading is not plausible, UnsafeBench if the bench cannot be made
    safe before power.
    """
    for name, step in STEPS:
        report(f"{name}: {step(context)}")


def _identify(context: WakeUp) -> str:
    """Ask each instrument who it is, and compare with the bench file's serial number and with who it was before."""
    for place, instrument in context.places.present():
        entry = context.bench.instrument.present[place]
        identity = instrument.identify()
        before = context.identities.get(place)
        if before is not None and identity != before:
            raise NotThere(
                f"{_named(identity)} answers where {_named(before)} did when this run began",
                instrument=place,
                resource=entry.resource,
                message="*IDN?",
            )
        context.identities[place] = identity
        if entry.serial is not None and identity.serial != entry.serial:
            raise NotThere(
                f"serial number {identity.serial} answers where the bench file expects {entry.serial}",
                instrument=place,
                resource=entry.resource,
                message="*IDN?",
            )
        instrument.drain_errors()
    return f"{len(context.identities)} instruments answer"


def _named(identity: Identity) -> str:
    return f"{identity.maker} {identity.model} {identity.serial} {identity.firmware}"


def _safe_state(context: WakeUp) -> str:
    """Nobody knows what an instrument was left with, or what it does at power-up: what was on is said."""
    failures: list[InstrumentError] = []
    found = found_on(context.places, failures)
    left = unconfirmed(make_safe(context.places, context.bench.idle_c, sleep=context.clock.sleep))
    if left:
        raise UnsafeBench(left)
    if failures:
        raise failures[0]
    was = f"; found on: {', '.join(found)}" if found else ""
    unread = [place for place in outputs_of(context.places).values() if place in context.not_read_back]
    but = f", but for {', '.join(unread)}, whose table of deviations has no query for it" if unread else ""
    return f"RF and bias off, confirmed by reading back{but}{was}"


def _prepare(context: WakeUp) -> str:
    places, bench, part = context.places, context.bench, context.part
    for place, source in places.sources():
        entry = bench.instrument.tone_1 if place == "tone_1" else bench.instrument.tone_2
        if entry is not None:
            source.prepare(entry.highest_level_dbm)
    if places.noise_source is not None:
        places.noise_source.prepare()
    if places.analyzer is not None:
        places.analyzer.prepare()
    if places.network_analyzer is not None and bench.instrument.network_analyzer is not None:
        places.network_analyzer.prepare(bench.instrument.network_analyzer.highest_power_dbm)
    if places.current_meter is not None:
        places.current_meter.prepare("current", _of_current(bench.instrument.current_meter))
    if places.board_thermometer is not None:
        places.board_thermometer.prepare("temperature", _of_sensor(bench.instrument.board_thermometer))
    if places.power_meter is not None and bench.instrument.power_meter is not None:
        places.power_meter.prepare(bench.instrument.power_meter.averages)
        places.power_meter.zero()  # RF has been confirmed off
    if places.chamber is not None and bench.instrument.chamber is not None:
        entry_c = bench.instrument.chamber
        if entry_c.second_sensor and not isinstance(places.chamber, SecondSensor):
            problem = "second_sensor = true in the bench file, but its driver reads none"
            raise NotThere(problem, instrument="chamber", resource=entry_c.resource)
        temperatures = [condition.temperature_c for condition in context.conditions] + [entry_c.idle_c]
        # A night that goes on begins where the last one left the air, and limits that shut it out stop the chamber.
        temperatures.append(places.chamber.read_air_c())
        opening = OpeningRule.of(bench, part)
        if opening is not None and opening.dry_out_c is not None and min(temperatures) < opening.dry_from_c:
            temperatures.append(opening.dry_out_c)
        places.chamber.prepare(
            ramp_k_per_min=min(entry_c.ramp_k_per_min, part.absolute_maximum.ramp_k_per_min),
            lowest_c=max(entry_c.temperature_c.min, min(temperatures) - CHAMBER_MARGIN_K),
            highest_c=min(entry_c.temperature_c.max, max(temperatures) + CHAMBER_MARGIN_K),
            idle_c=entry_c.idle_c,
        )
    return "sources at their ceiling settings with RF off, analyzer protected, chamber limited"


def _of_current(entry: CurrentMeterEntry | None) -> MeterSetting:
    return USUAL if entry is None else MeterSetting(entry.range_a, entry.integration_cycles)


def _of_sensor(entry: ThermometerEntry | None) -> MeterSetting:
    if entry is None:
        return USUAL
    wires: Literal[2, 4] = entry.wires or (2 if (entry.sensor or "").startswith("thermocouple") else 4)
    return MeterSetting(None, entry.integration_cycles, entry.sensor, wires)


def _protect(context: WakeUp) -> str:
    supply = context.places.supply
    if supply is None:
        return "no supply on this bench"
    modes = _modes(context)
    ratings = context.part.absolute_maximum
    over_voltage_v = min(ratings.supply_v, max(mode.supply_v for mode in modes) * OVER_VOLTAGE_FACTOR)
    over_current_a = min(ratings.supply_current_a, max(mode.current_limit_a for mode in modes) * OVER_VOLTAGE_FACTOR)
    entry = context.bench.instrument.supply
    had_tripped = supply.protection_tripped()
    supply.prepare(over_voltage_v, over_current_a, remote_sense=None if entry is None else entry.remote_sense)
    text = f"over-voltage at {over_voltage_v:.3g} V, over-current at {over_current_a * 1e3:.3g} mA"
    if had_tripped:
        supply.clear_protection()
        text += "; a protection had tripped before this run and has been cleared"
    return text


def _terminate(context: WakeUp) -> str:
    """Close the load's and the channel's relay: an amplifier that is biased into an open output may oscillate."""
    places, instruments, first = context.places, context.bench.instrument, context.conditions[0]
    if places.load_switch is not None and instruments.load_switch is not None:
        places.load_switch.select(instruments.load_switch.loads[first.load_ohm])
    if places.channel_switch is not None and instruments.channel_switch is not None:
        places.channel_switch.select(instruments.channel_switch.channels[first.channel])
    return f"channel {first.channel} into {first.load_ohm:g} Ω"


def _bias_on(context: WakeUp) -> str:
    supply = context.places.supply
    if supply is None:
        return "no supply on this bench"
    mode = context.part.modes[context.conditions[0].supply_mode]
    supply.set_output(mode.supply_v, mode.current_limit_a)
    supply.switch_output(on=True)
    entry = context.bench.instrument.supply
    context.clock.sleep(entry.settle_s if entry is not None else 0.0)
    current_a = supply.read_current_a()
    highest_a = max(other.plausible_current_a.max for other in context.part.supply_mode)
    # The mode pins are not driven yet, so any mode of the part may be the one that is on.
    lowest_a = min(other.plausible_current_a.min for other in context.part.supply_mode)
    if not lowest_a <= current_a <= highest_a:
        raise Tripped(
            f"supply current {current_a * 1e3:.1f} mA right after bias on, plausible "
            f"{lowest_a * 1e3:.0f} … {highest_a * 1e3:.0f} mA"
        )
    return f"{mode.supply_v:g} V, {current_a * 1e3:.1f} mA, plausible"


def _codes(context: WakeUp) -> str:
    port = context.places.code_port
    entry = context.bench.instrument.code_port
    if port is None or entry is None:
        return "no code port on this bench"
    gains = context.part.gain_codes.gain_of
    lowest = min(gains, key=lambda code: gains[code])
    words = dict.fromkeys(entry.channels.values(), lowest)
    words[entry.mode] = context.part.modes[context.conditions[0].supply_mode].mode_word
    for number, word in words.items():
        port.write_word(number, word)
    for number, word in words.items():
        found = port.read_word(number)
        if found != word:
            raise Tripped(f"the code port holds {found} as word {number}, written was {word}")
    return f"all channels at their lowest gain, code {lowest}, read back"


def _chamber_on(context: WakeUp) -> str:
    chamber = context.places.chamber
    if chamber is None:
        return "no chamber on this bench"
    chamber.set_target_c(context.conditions[0].temperature_c)  # it would go where somebody else has sent it
    chamber.switch_conditioning(on=True)
    alarms = chamber.alarms()
    if alarms:
        raise Tripped(f"alarm of the chamber: {'; '.join(alarms)}; find the cause and clear it at the chamber")
    return f"conditioning, air at {chamber.read_air_c():.1f} °C"


def _modes(context: WakeUp) -> list[SupplyMode]:
    names = {condition.supply_mode for condition in context.conditions}
    return [mode for mode in context.part.supply_mode if mode.name in names]


#: Bring-up in order. RF is not in it: it is switched on when the first condition has soaked and been set.
STEPS: tuple[tuple[str, Callable[[WakeUp], str]], ...] = (
    ("identify", _identify),
    ("safe state", _safe_state),
    ("prepare", _prepare),
    ("protect", _protect),
    ("terminate", _terminate),
    ("bias on", _bias_on),
    ("gain codes", _codes),
    ("chamber", _chamber_on),
)
