"""What can hurt a person, a unit or an instrument, named before power-up.

Pure: the three files and the conditions in, hazards out. Violations of a rating never come this far: they are file
faults of ``sequences.cross_checks``. What stands here holds of a permitted run, and whoever starts it must know it.

Rule: each number is a threshold for a warning, never a design value; local codes, makers' manuals and licensed or
competent persons decide.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from bench.bring_up import OVER_VOLTAGE_FACTOR
from sequences.bench_file import Bench, SupplyEntry
from sequences.chamber_entry import ChamberEntry
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import output_level_dbm
from sequences.read_files import Setup
from sequences.sequence_file import Sequence
from sequences.source_levels import unit_input_levels_dbm

NOT_A_SAFETY_DEVICE = (
    "nightbench is not a safety device. Independent hardware limits must keep the set-up safe with this computer off, "
    "hung or wrong. Local codes, the makers' manuals, your employer's rules and licensed or competent persons decide."
)

#: Metal hotter than this burns in seconds. From memory of ISO 13732-1 (about 60 °C for 5 s on bare metal), not seen.
BURN_C = 60.0

#: Metal colder than this freezes skin in seconds. From memory of ISO 13732-3, not seen.
FROSTBITE_C = -20.0

#: Dew-point formula of Alduchov & Eskridge 1996 over water: constants 17.625 and 243.04 °C.
MAGNUS_B, MAGNUS_C = 17.625, 243.04

#: Two equal tones have twice the power of one.
TWO_TONES_DB = 10 * math.log10(2)

#: Title of the hazard that a run with a through does not have.
AT_INPUT = "RF at the unit's input"


@dataclass(frozen=True, slots=True)
class Hazard:
    """One hazard. ``danger`` can hurt a person, ``caution`` a unit or an instrument."""

    severity: Literal["danger", "caution"]
    title: str
    cause: str
    consequence: str
    action: str
    source: str


def dew_point_c(air_c: float, humidity_percent: float) -> float:
    """Dew point over water in °C. Source: Alduchov & Eskridge 1996. Raises ValueError at or below 0 % humidity."""
    if humidity_percent <= 0:
        raise ValueError("a dew point needs a relative humidity above 0 %")
    gamma = math.log(humidity_percent / 100) + MAGNUS_B * air_c / (MAGNUS_C + air_c)
    return MAGNUS_C * gamma / (MAGNUS_B - gamma)


def hazards(setup: Setup, conditions: tuple[Condition, ...]) -> tuple[Hazard, ...]:
    """Hazards of running ``conditions``, the gravest first; none where nothing is left to run."""
    if not conditions:
        return ()
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    found = [
        *_supply(part, bench, conditions),
        *_rf(part, bench, sequence, setup.path_losses, conditions),
        *_network_analyzer(part, bench, sequence),
        *_temperature(part, bench, conditions),
        *_unattended(bench),
    ]
    return tuple(sorted(found, key=lambda hazard: hazard.severity != "danger"))


def through_hazards(setup: Setup, found: tuple[Hazard, ...], conditions: tuple[Condition, ...]) -> tuple[Hazard, ...]:
    """``found`` for a run with a through: no unit's input to be hurt, unless a unit was left in its place."""
    part, sequence = setup.part.model, setup.sequence.model
    highest_dbm = max(max(unit_input_levels_dbm(item, part, sequence.tones)) for item in conditions) + TWO_TONES_DB
    left_in = Hazard(
        "caution",
        "Unit left in its place",
        f"the sources give up to {highest_dbm:.1f} dBm in both tones where the unit's input is, and bias stays off",
        "RF into a unit without bias damages it",
        "take the unit out and put the through in its place before you start",
        "common practice, no source",
    )
    return (*(hazard for hazard in found if hazard.title != AT_INPUT), left_in)


def _supply(part: Part, bench: Bench, conditions: tuple[Condition, ...]) -> Iterator[Hazard]:
    if bench.instrument.supply is None:
        return
    names = {condition.supply_mode for condition in conditions}
    highest_v = max(part.modes[name].supply_v for name in names)
    limit_a = max(part.modes[name].current_limit_a for name in names)
    ratings = part.absolute_maximum
    protection_v = min(ratings.supply_v, highest_v * OVER_VOLTAGE_FACTOR)
    yield Hazard(
        "caution",
        "Powered unit",
        f"{_output(bench.instrument.supply)}{highest_v:g} V with a current limit of {limit_a * 1e3:g} mA; "
        f"absolute maximum {ratings.supply_v:g} V, {ratings.supply_current_a * 1e3:g} mA; "
        f"over-voltage protection at {protection_v:.3g} V",
        "a reversed, open or shorted lead destroys the unit; a current limit is not a fuse",
        f"{_leads(bench.instrument.supply)}, wear a wrist strap, mate connectors with bias off",
        "common practice, no source",
    )


def _output(supply: SupplyEntry) -> str:
    return "" if supply.output is None else f"output {supply.output}: "


def _leads(supply: SupplyEntry) -> str:
    """What to look at between supply and unit. Open sense leads let the voltage rise, swapped ones trip it or worse."""
    if supply.remote_sense is None:
        return "check polarity and sense leads"
    if supply.remote_sense:
        return "check polarity; connect both sense leads at the unit, as an open one lets the voltage rise"
    return "check polarity; remote sense is switched off, so the leads' drop is missing at the unit"


def _rf(
    part: Part, bench: Bench, sequence: Sequence, path_losses: PathLosses, conditions: tuple[Condition, ...]
) -> Iterator[Hazard]:
    analyzer = bench.instrument.analyzer
    two_tones = sequence.measure.two_tone or sequence.measure.harmonics
    if analyzer is None or not (two_tones or sequence.measure.compression):
        return
    ratings = part.absolute_maximum
    # Powers add: the weaker tone adds less than 3 dB to the stronger one.
    weaker_db = -abs(sequence.tones.upper_minus_lower_db)
    together_db, named = (10 * math.log10(1 + 10 ** (weaker_db / 10)), "both tones") if two_tones else (0.0, "one tone")
    input_dbm, at_input = max(
        ((max(unit_input_levels_dbm(item, part, sequence.tones)) + together_db, item) for item in conditions),
        key=lambda pair: pair[0],
    )
    yield Hazard(
        "caution",
        AT_INPUT,
        f"up to {input_dbm:.1f} dBm in {named} ({_short(at_input)}); absolute maximum {ratings.input_level_dbm:g} dBm",
        "RF above the rating, or into a unit without bias, damages it",
        "RF goes on last and off first; keep every output terminated while bias is on",
        "common practice, no source",
    )
    least_loss_db = min(
        path_losses.loss_db("output", item.channel, item.load_ohm, item.frequency_hz) for item in set(conditions)
    )
    planned_dbm = max(_output_dbm(item, part, sequence) for item in conditions) + together_db - least_loss_db
    worst_dbm = ratings.saturated_output_dbm - least_loss_db
    yield Hazard(
        "caution",
        "RF at the analyzer",
        f"planned up to {planned_dbm:.1f} dBm, at worst {worst_dbm:.1f} dBm with the unit in saturation; "
        f"rating {analyzer.highest_input_dbm:g} dBm",
        "more than the rating destroys the analyzer's input; direct current on the line may, too",
        "keep the pad and a DC block in place; internal attenuation is a setting, not a protection",
        "common practice, no source",
    )


def _network_analyzer(part: Part, bench: Bench, sequence: Sequence) -> Iterator[Hazard]:
    entry, sweep = bench.instrument.network_analyzer, sequence.measure.small_signal
    if entry is None or sweep is None:
        return
    ratings = part.absolute_maximum
    yield Hazard(
        "caution",
        "RF at the network analyzer",
        f"the unit, biased and driven with at most {sweep.power_dbm:g} dBm, may put up to its saturated output of "
        f"{ratings.saturated_output_dbm:g} dBm into port 2; rating {entry.highest_input_dbm:g} dBm",
        "more than the rating destroys a receiver; direct current from the unit or a supply may, too",
        "keep pads and DC blocks in place on both ports; never change the fixture with bias on",
        "common practice, no source",
    )


def _output_dbm(condition: Condition, part: Part, sequence: Sequence) -> float:
    """Level of the stronger tone in the load, with nominal gain."""
    gain_db = part.gain_codes.gain_of[condition.gain_code]
    tone_dbm = max(unit_input_levels_dbm(condition, part, sequence.tones))
    return output_level_dbm(tone_dbm, gain_db, condition.load_ohm, part.part.input_resistance_ohm)


def _temperature(part: Part, bench: Bench, conditions: tuple[Condition, ...]) -> Iterator[Hazard]:
    chamber = bench.instrument.chamber
    if chamber is None:
        return
    temperatures = {condition.temperature_c for condition in conditions}
    highest_c, lowest_c = max(temperatures), min(temperatures)
    if highest_c >= BURN_C:
        yield Hazard(
            "danger",
            "Hot surfaces",
            f"the chamber goes to {highest_c:g} °C",
            "metal at this temperature burns skin within seconds",
            "keep the door shut; wear gloves; label the chamber",
            "from memory of ISO 13732-1, not seen",
        )
    if lowest_c <= FROSTBITE_C:
        yield Hazard(
            "danger",
            "Cold surfaces",
            f"the chamber goes to {lowest_c:g} °C",
            "metal at this temperature freezes skin on contact",
            "keep the door shut; wear gloves",
            "from memory of ISO 13732-3, not seen",
        )
    room = bench.fixture
    if room.room_humidity_percent > 0:
        dew_c = dew_point_c(room.room_c, room.room_humidity_percent)
        if lowest_c < dew_c:
            yield Hazard(
                "caution",
                "Condensation",
                f"the unit goes to {lowest_c:g} °C; room air at {room.room_c:g} °C and "
                f"{room.room_humidity_percent:g} % has its dew point at {dew_c:.1f} °C",
                "water on a powered board shorts and corrodes it",
                f"open the door only when unit and fixture are well above {dew_c:.0f} °C and bias is off",
                "dew point: Alduchov & Eskridge 1996",
            )
    yield from _chamber(part, chamber, highest_c)


def _chamber(part: Part, chamber: ChamberEntry, highest_c: float) -> Iterator[Hazard]:
    limiter = "not stated in the bench file" if chamber.limiter_c is None else f"stated as {chamber.limiter_c:g} °C"
    yield Hazard(
        "danger",
        "Chamber out of control",
        f"highest set point {highest_c:g} °C; independent over-temperature limiter {limiter}; "
        f"the part stands {part.absolute_maximum.temperature_c.max:g} °C",
        "a failed controller heats until something burns",
        "set and test the independent limiter a few kelvin above the highest set point, below the weakest item inside",
        "DIN 12880 limiter classes, as chamber manuals describe them",
    )
    if chamber.cooling != "compressor":
        gas = "oxygen" if chamber.cooling == "liquid nitrogen" else "carbon dioxide (an oxygen monitor is not enough)"
        yield Hazard(
            "danger",
            "Suffocation",
            f"the chamber is cooled with {chamber.cooling}",
            "escaping gas displaces the air of the room without warning",
            f"ventilate; a monitor for {gas} must alarm before anyone enters",
            "29 CFR 1910.146 (19.5 % oxygen); local codes decide",
        )


def _unattended(bench: Bench) -> Iterator[Hazard]:
    if bench.is_simulated:
        return
    yield Hazard(
        "danger",
        "Nobody at the bench",
        "the run goes on unattended",
        "a fault that software does not see is seen by nobody",
        "leave name and telephone number at the door; say what to switch off and how",
        "common practice of laboratories, no source",
    )


def _short(condition: Condition) -> str:
    return f"code {condition.gain_code}, {condition.load_ohm:g} Ω, {condition.tone_level_dbm:g} dBm per tone"
