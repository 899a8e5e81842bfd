"""Noise of the simulated bench: thermal noise of the source, the unit's own, and what of both reaches the analyzer.

Powers are available noise powers in 1 Hz, W. Noise figures refer to 290 K whatever the room is (IEEE definition, as in
H. T. Friis, Noise Figures of Radio Receivers, Proc. IRE 32, 1944; from memory, not seen).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from drivers.simulated.amplifier import AmplifierModel
from drivers.simulated.drawing import normal, within

if TYPE_CHECKING:
    from drivers.simulated.rig import Operating, Rig

#: J/K, exact: SI Brochure, 9th edition, 2019, 2.2.
BOLTZMANN_J_PER_K = 1.380649e-23

#: Temperature to which noise figures and excess noise ratios refer.
REFERENCE_K = 290.0

ZERO_C_K = 273.15

#: Noise figure at the highest gain. Of the size of such amplifiers (common practice, no source).
_HIGHEST_GAIN_DB = 8.0

#: The attenuator stands before the amplifier, so each dB of it costs a dB, less what the stages behind it share.
_PER_DB_OF_GAIN = 0.92


def noise_figure_db(unit: AmplifierModel, channel: str, code: int, die_c: float, mode: str) -> float:
    """Noise figure of a unit in dB: rises as the gain falls, with temperature, and with less supply current."""
    highest = max(unit.nominal_gain_db.values())
    current = unit.modes[mode].typical_current_a / max(item.typical_current_a for item in unit.modes.values())
    figure = _HIGHEST_GAIN_DB + _PER_DB_OF_GAIN * (highest - unit.nominal_gain_db[code])
    figure += 0.012 * (die_c - unit.reference_die_c) - 1.0 * math.log(current)
    seed = unit.unit_seed
    return figure + normal(0.15, seed, "noise", at_most=2) + normal(0.05, seed, f"noise {channel}", at_most=2)


def source_k(rig: Rig, channel: str, frequency_hz: float) -> float:
    """Noise temperature at a channel's input: the room's, and what a noise source that is on sends through the path."""
    room_k = rig.room_c + ZERO_C_K
    source = rig.setup.noise_source
    if source is None or not rig.noise_on:
        return room_k
    enr_db = source.enr_db(frequency_hz) + within(source.enr_error_db, rig.setup.seed, "noise source")
    hot_k = REFERENCE_K * (1 + 10 ** (enr_db / 10))
    return room_k + (hot_k - room_k) * 10 ** (-rig.paths.input_db(channel, frequency_hz) / 10)


def excess_at_connector_w_per_hz(rig: Rig, operating: Operating, frequency_hz: float) -> float:
    """Noise power in 1 Hz at the analyzer's connector beyond what a resistor at room temperature gives there.

    A path at room temperature passes thermal noise of the room unchanged, so only the excess is attenuated; and the
    analyzer's own noise is stated with such a resistor at its input. May be negative for a source colder than the room.
    """
    channel, load_ohm = rig.channel, rig.load_ohm
    if channel is None or load_ohm is None or not (rig.setup.through or operating.mode is not None):
        return 0.0
    room_k = rig.room_c + ZERO_C_K
    at_input_k = source_k(rig, channel, frequency_hz)
    unit = rig.setup.unit
    if rig.setup.through or operating.mode is None:
        in_load_k = at_input_k
    else:
        code = rig.code(channel)
        gain_db = unit.gain_db(channel, code, operating.die_c, operating.mode, load_ohm, frequency_hz)
        power_gain = 10 ** (gain_db / 10) * unit.input_resistance_ohm / load_ohm
        figure = noise_figure_db(unit, channel, code, operating.die_c, operating.mode)
        in_load_k = power_gain * (at_input_k + REFERENCE_K * (10 ** (figure / 10) - 1))
    loss_db = rig.paths.output_db(channel, load_ohm, frequency_hz)
    return BOLTZMANN_J_PER_K * (in_load_k - room_k) * 10 ** (-loss_db / 10)
