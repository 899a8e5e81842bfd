"""What can hurt a person, a unit or an instrument, named before power-up.

Pure: the three files and the conditions in, hazards out. Violations of a rating never come this far: they are file
faults of ``sequences.cross_checks``. What stands here holds of a permitted run, and whoever starts it must know it.
Numbers are in ``hazard_numbers``; ``acknowledgements`` refuses to start.

Rule: a simulated bench hurts nobody. What would refuse to start, or ask for an acknowledgement, is a warning there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from bench.bring_up import CHAMBER_MARGIN_K
from bench.dew_point import dew_point_c
from bench.electrical_hazards import rf_hazards, supply_hazards
from bench.hazard import Hazard
from bench.hazard_numbers import (
    BURN_C,
    BURN_SOURCE,
    CHILL_C,
    CHILL_SOURCE,
    CO2_AVERAGE_PPM,
    CO2_SHORT_PPM,
    CO2_SOURCE,
    COMMON,
    DRY_AIR_PERCENT,
    ESD_DEVICE_V,
    ESD_HUMAN_V,
    ESD_SOURCE,
    FROST_SOURCE,
    FROSTBITE_C,
    LEAST_OXYGEN_PERCENT,
    LIMITER_LEAST_K,
    LIMITER_MOST_K,
    LIMITER_SOURCE,
    NITROGEN_EXPANSION,
    OXYGEN_SOURCE,
    RAMP_SHARE,
    WARM_C,
)
from sequences.bench_file import Bench
from sequences.chamber_entry import ChamberEntry
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.read_files import Setup
from sequences.source_levels import unit_input_levels_dbm

#: Two equal tones have twice the power of one.
TWO_TONES_DB = 10 * math.log10(2)

#: Hazards that a run with a through does not have: those of a unit.
OF_A_UNIT = ("unit-input", "static-discharge")


def hazards(setup: Setup, conditions: tuple[Condition, ...]) -> tuple[Hazard, ...]:
    """Hazards of running ``conditions``, the gravest first; none where nothing is left to run."""
    if not conditions:
        return ()
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    condensation = tuple(_condensation(bench, conditions))
    found = [
        *supply_hazards(part, bench, conditions, wet=bool(condensation)),
        *rf_hazards(part, bench, sequence, setup.path_losses, conditions),
        *_temperature(part, bench, conditions),
        *condensation,
        _static_discharge(bench),
        *_unattended(bench),
    ]
    if bench.is_simulated:
        found = [_of_nobody(hazard) for hazard in found]
    return gravest_first(found)


def gravest_first(found: list[Hazard]) -> tuple[Hazard, ...]:
    """Blocking ones, those to be acknowledged, warnings, notes."""
    ranks = {"blocking": 0, "warning": 2, "note": 3}
    return tuple(sorted(found, key=lambda hazard: ranks[hazard.severity] - hazard.acknowledge))


def _of_nobody(hazard: Hazard) -> Hazard:
    """The hazard on a simulated bench: shown, so that it can be learnt from, but no reason to refuse."""
    severity = "warning" if hazard.severity == "blocking" else hazard.severity
    return replace(hazard, severity=severity, acknowledge=False)


def through_hazards(setup: Setup, found: tuple[Hazard, ...], conditions: tuple[Condition, ...]) -> tuple[Hazard, ...]:
    """``found`` for a run with a through: no unit's input to be hurt, unless a unit was left in its place."""
    part, sequence = setup.part.model, setup.sequence.model
    highest_dbm = max(max(unit_input_levels_dbm(item, part, sequence.tones)) for item in conditions) + TWO_TONES_DB
    left_in = Hazard(
        "warning",
        "unit-left-in",
        "Unit left in its place",
        f"the sources give up to {highest_dbm:.1f} dBm in both tones where the unit's input is, and bias stays off",
        "RF into a unit without bias damages it",
        "take the unit out and put the through in its place before you start",
        COMMON,
    )
    return gravest_first([*(hazard for hazard in found if hazard.name not in OF_A_UNIT), left_in])


def _temperature(part: Part, bench: Bench, conditions: tuple[Condition, ...]) -> Iterator[Hazard]:
    chamber = bench.instrument.chamber
    if chamber is None:
        return
    temperatures = {condition.temperature_c for condition in conditions}
    highest_c, lowest_c = max(temperatures), min(temperatures)
    if highest_c >= BURN_C:
        yield Hazard(
            "warning",
            "hot-surfaces",
            "Hot surfaces",
            f"the chamber goes to {highest_c:g} °C; bare metal burns from {BURN_C:g} °C",
            "metal at this temperature burns skin within seconds",
            "keep the door shut; wear gloves; label the chamber",
            BURN_SOURCE,
        )
    elif highest_c >= WARM_C:
        yield Hazard(
            "note",
            "warm-surfaces",
            "Warm surfaces",
            f"the chamber goes to {highest_c:g} °C; from {WARM_C:g} °C metal burns if it is held",
            "long contact burns",
            "do not hold on to fixture and unit",
            BURN_SOURCE,
        )
    if lowest_c <= FROSTBITE_C:
        yield Hazard(
            "warning",
            "cold-surfaces",
            "Cold surfaces",
            f"the chamber goes to {lowest_c:g} °C; metal freezes skin from {FROSTBITE_C:g} °C",
            "metal at this temperature freezes skin on contact",
            "keep the door shut; wear gloves",
            FROST_SOURCE,
        )
    elif lowest_c < CHILL_C:
        yield Hazard(
            "note",
            "chilled-surfaces",
            "Chilled surfaces",
            f"the chamber goes to {lowest_c:g} °C; there is a risk of frostbite below {CHILL_C:g} °C",
            "longer contact with metal hurts skin",
            "do not hold on to fixture and unit",
            CHILL_SOURCE,
        )
    yield from _ratings(part, bench, chamber, lowest_c, highest_c)
    yield _limiter(part, bench, chamber, highest_c)
    yield from _gas(chamber)


def _condensation(bench: Bench, conditions: tuple[Condition, ...]) -> Iterator[Hazard]:
    room, lowest_c = bench.fixture, min(condition.temperature_c for condition in conditions)
    if bench.instrument.chamber is None or room.room_humidity_percent <= 0:
        return
    dew_c = dew_point_c(room.room_c, room.room_humidity_percent)
    if lowest_c < dew_c:
        yield Hazard(
            "warning",
            "condensation",
            "Condensation",
            f"the unit goes to {lowest_c:g} °C; room air at {room.room_c:g} °C and "
            f"{room.room_humidity_percent:g} % has its dew point at {dew_c:.1f} °C",
            "water on a powered board shorts and corrodes it",
            f"open the door only when unit and fixture are well above {dew_c:.0f} °C and bias is off",
            "dew point: Alduchov & Eskridge 1996",
        )


def _ratings(part: Part, bench: Bench, chamber: ChamberEntry, lowest_c: float, highest_c: float) -> Iterator[Hazard]:
    spans = (
        ("the part", part.absolute_maximum.temperature_c),
        ("the fixture with its cables", bench.fixture.temperature_c),
        ("the chamber", chamber.temperature_c),
    )
    near = [
        f"{who} stands {span.min:g} … {span.max:g} °C"
        for who, span in spans
        if highest_c + CHAMBER_MARGIN_K > span.max or lowest_c - CHAMBER_MARGIN_K < span.min
    ]
    if near:
        yield Hazard(
            "warning",
            "temperature-margin",
            "Temperature near a rating",
            f"set points from {lowest_c:g} to {highest_c:g} °C, and a chamber may overshoot by "
            f"{CHAMBER_MARGIN_K:g} K; {', '.join(near)}",
            "what is overheated ages or burns; what is too cold becomes brittle",
            "narrow the temperatures, or make sure of the chamber's overshoot first",
            "ours: room for a chamber's overshoot",
        )
    rating = part.absolute_maximum.ramp_k_per_min
    if chamber.ramp_k_per_min > RAMP_SHARE * rating:
        yield Hazard(
            "warning",
            "ramp-rate",
            "Ramp near its rating",
            f"the chamber ramps at {chamber.ramp_k_per_min:g} K/min; the part stands {rating:g} K/min",
            "a fast change of temperature cracks solder joints and packages",
            "lower ramp_k_per_min in the bench file",
            "ours; IEC 60068-2-14 tests with 1 to 15 K/min (from memory, not seen)",
        )


def _limiter(part: Part, bench: Bench, chamber: ChamberEntry, highest_c: float) -> Hazard:
    """The independent limiter: only a person can have set and tested it, so a real bench asks for a name."""
    weakest_c, item = min(
        (part.absolute_maximum.temperature_c.max, "the part"), (bench.fixture.temperature_c.max, "the fixture")
    )
    limiter_c = chamber.limiter_c
    advice = (
        f"set and test the independent limiter {LIMITER_LEAST_K:g} to {LIMITER_MOST_K:g} K above the highest set "
        "point, below the weakest item inside"
    )
    if limiter_c is None:
        stated = "not stated in the bench file"
        advice += ", and state it as limiter_c in the bench file"
    else:
        margin_k = limiter_c - highest_c
        stated = f"stated as {limiter_c:g} °C, {margin_k:g} K above that"
        if margin_k < LIMITER_LEAST_K:
            stated += f", less than the {LIMITER_LEAST_K:g} K that an overshoot needs"
    wrong = limiter_c is None or limiter_c > weakest_c
    return Hazard(
        "blocking" if wrong else "warning",
        "limiter",
        "Chamber out of control",
        f"highest set point {highest_c:g} °C; independent over-temperature limiter {stated}; "
        f"{item} stands {weakest_c:g} °C",
        "a failed controller heats until something burns",
        advice,
        LIMITER_SOURCE,
        acknowledge=not wrong,
    )


def _gas(chamber: ChamberEntry) -> Iterator[Hazard]:
    if chamber.cooling == "liquid nitrogen":
        yield Hazard(
            "warning",
            "liquid-nitrogen",
            "Suffocation",
            f"the chamber is cooled with liquid nitrogen, of which a litre makes {NITROGEN_EXPANSION} litres of gas; "
            f"air with less than {LEAST_OXYGEN_PERCENT:g} % oxygen is deficient",
            "escaping gas displaces the air of the room without warning",
            "ventilate; a monitor for oxygen must alarm before anyone enters",
            OXYGEN_SOURCE,
            acknowledge=True,
        )
    if chamber.cooling == "carbon dioxide":
        yield Hazard(
            "warning",
            "carbon-dioxide",
            "Suffocation",
            f"the chamber is cooled with carbon dioxide, of which air may hold {CO2_AVERAGE_PPM} ppm over 8 hours and "
            f"{CO2_SHORT_PPM} ppm for a short time",
            "escaping gas poisons long before oxygen runs short, and displaces the air of the room without warning",
            "ventilate; a monitor for carbon dioxide (an oxygen monitor is not enough) must alarm before anyone enters",
            CO2_SOURCE,
            acknowledge=True,
        )


def _static_discharge(bench: Bench) -> Hazard:
    humidity = bench.fixture.room_humidity_percent
    dry = humidity < DRY_AIR_PERCENT
    return Hazard(
        "warning" if dry else "note",
        "static-discharge",
        "Static discharge",
        f"the room has {humidity:g} % humidity{f', below {DRY_AIR_PERCENT:g} %' if dry else ''}; usual precautions "
        f"are for parts that stand {ESD_HUMAN_V} V from a person and {ESD_DEVICE_V} V of their own charge, and an RF "
        "part may stand less",
        "a discharge that nobody feels weakens or destroys the unit",
        "wear a wrist strap, discharge cables before they are mated, mate them with bias off",
        ESD_SOURCE,
    )


def _unattended(bench: Bench) -> Iterator[Hazard]:
    if bench.is_simulated:
        return
    yield Hazard(
        "warning",
        "unattended",
        "Nobody at the bench",
        "the run goes on unattended, and what is switched on stays on if this computer dies",
        "a fault that software does not see is seen by nobody",
        "leave name and telephone number at the door; say what to switch off and how",
        "common practice of laboratories, no source",
        acknowledge=True,
    )
