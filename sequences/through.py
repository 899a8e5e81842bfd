"""A run with a through in the unit's place: what sources, combiner and analyzer contribute by themselves.

A through is a piece of line without voltage gain. The sources are set so that the analyzer sees the tones at the levels
at which a unit would give them; so gain code, supply mode and temperature mean nothing, and what a run with a unit does
at each of them is done once.
"""

from __future__ import annotations

from dataclasses import replace

from sequences.bench_file import Instruments
from sequences.conditions import Condition
from sequences.part_file import GainCodes, Part
from sequences.products import output_level_dbm
from sequences.read_files import Setup
from sequences.sequence_file import Tones

#: Serial number that stands for no unit.
NO_UNIT = "through"

#: Places that a through has no use for, and that stay as they are.
WITHOUT_UNIT = ("supply", "current_meter", "board_thermometer", "chamber", "code_port", "network_analyzer")


def through_setup(setup: Setup) -> Setup:
    """The files of a run with a unit as they are for a through: gain 0 dB, no limits, no bias, no chamber.

    The texts stay those that a person wrote.
    """
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    codes = part.gain_codes.codes
    flat = GainCodes(codes=codes, nominal_gain_db=(0.0,) * len(codes))
    kept = {place: entry for place, entry in bench.instrument.present.items() if place not in WITHOUT_UNIT}
    tones = Tones(**(sequence.tones.model_dump() | {"level_at": "output"}))
    measure = sequence.measure.model_copy(update={"supply": False, "compression": False, "small_signal": None})
    return replace(
        setup,
        part=replace(setup.part, model=part.model_copy(update={"gain_codes": flat, "limit": ()})),
        bench=replace(setup.bench, model=bench.model_copy(update={"instrument": Instruments.model_validate(kept)})),
        sequence=replace(setup.sequence, model=sequence.model_copy(update={"tones": tones, "measure": measure})),
    )


def through_conditions(setup: Setup, conditions: tuple[Condition, ...]) -> tuple[Condition, ...]:
    """What is left to do of the conditions of a run with a unit, each once, in their order.

    Args:
        setup: The files as they are for the unit.
        conditions: Of the run with the unit.
    """
    part, sequence = setup.part.model, setup.sequence.model
    code, mode = min(part.gain_codes.gain_of), part.supply_mode[0].name
    room_c = setup.bench.model.fixture.room_c
    found = {
        Condition(
            channel=one.channel,
            gain_code=code,
            temperature_c=room_c,
            supply_mode=mode,
            load_ohm=one.load_ohm,
            tone_level_dbm=_output_dbm(one, part, sequence.tones),
            frequency_hz=one.frequency_hz,
        )
        for one in conditions
    }
    # Sets have no order, and the plan of a run must not depend on a hash.
    return tuple(sorted(found, key=lambda one: tuple(one.as_dict().values())))


def _output_dbm(condition: Condition, part: Part, tones: Tones) -> float:
    """Level of the lower tone in the load of a nominal unit, to the 0.01 dB that sources resolve."""
    if tones.level_at == "output":
        return condition.tone_level_dbm
    gain_db = part.gain_codes.gain_of[condition.gain_code]
    level = output_level_dbm(condition.tone_level_dbm, gain_db, condition.load_ohm, part.part.input_resistance_ohm)
    return round(level, 2)
