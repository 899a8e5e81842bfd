"""What the two sources must be set to for a condition: from the wanted level back through gain and input path."""

from __future__ import annotations

from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import input_level_dbm, tone_frequencies_hz
from sequences.sequence_file import Tones


def unit_input_levels_dbm(condition: Condition, part: Part, tones: Tones) -> tuple[float, float]:
    """Level of the lower and the upper tone at the unit's input, dBm into its input resistance."""
    lower = condition.tone_level_dbm
    if tones.level_at == "output":
        gain_db = part.gain_codes.gain_of[condition.gain_code]
        lower = input_level_dbm(lower, gain_db, condition.load_ohm, part.part.input_resistance_ohm)
    return lower, lower + tones.upper_minus_lower_db


def source_levels_dbm(condition: Condition, part: Part, tones: Tones, path_losses: PathLosses) -> tuple[float, float]:
    """Settings of ``tone_1`` (lower) and ``tone_2`` (upper) in dBm, rounded to the 0.01 dB that sources resolve."""
    levels = unit_input_levels_dbm(condition, part, tones)
    frequencies = tone_frequencies_hz(condition.frequency_hz, tones.spacing_hz)
    lower, upper = (
        round(level + path_losses.loss_db("input", condition.channel, condition.load_ohm, frequency), 2)
        for level, frequency in zip(levels, frequencies, strict=True)
    )
    return lower, upper
