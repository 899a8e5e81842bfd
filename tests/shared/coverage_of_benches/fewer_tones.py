"""One tone or none: noise figures, single-tone gain, compression points; and cascades of the noise nights' channels.

The truth is what the rig's model says of the unit with its board exactly at each condition's temperature: not what a
bench without errors would have read, so the formulas, and what is interpolated between levels, are tested too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coverage_of_benches import cascades
from coverage_of_benches.nights import Point, board_at, drawn, run_night, unit_of
from coverage_of_benches.score import Scored
from coverage_of_benches.two_tone import true_readings
from drivers.simulated.amplifier import level_dbm
from reports.derive import derive

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

#: From where the Y-factor is the better method to where its readings are all but the analyzer's own noise. Fewer
#: samples than the demo takes: each is carried byte by byte.
NOISE = {
    "gain_code = { from = 0, to = 30, step = 3 }": "gain_code = [0, 6, 15, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]",
    'supply_mode = "all"': 'supply_mode = "nominal"',
    "noise_scatter_db = 0.05": "noise_scatter_db = 0.15\nproduct_scatter_db = 1",
}

#: At code 9 the sweep ends where the gain has fallen by nearly 1 dB: most of its points are bounds. Some at code 0
#: are as well, where the source is weak.
COMPRESSION = {
    "gain_code = [0, 6, 12]": "gain_code = [0, 9]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]",
    "[-2, 0, 4, 8, 12, 15, 17, 18, 19, 20, 21, 22]": "[-2, 12, 18, 20, 21]",
    "[tones]": """[[exclude]]
when = { gain_code = 9, tone_level_dbm = 21 }

[[exclude]]
when = { gain_code = 9, load_ohm = 100 }

[tones]""",
}

#: The source's frequency with one tone: half of the spacing below the middle.
TONE_HZ = 59.5e6

NOISE_WORDS = ("noise_figure", "noise_figure_y", "noise_figure_gain")


def noise(seed: int) -> Scored:
    """Noise figures, with and without what a run with a through tells, and the cascades that they are part of."""
    setup = drawn(NOISE, "noise.sequence.toml", seed)
    night = run_night(setup, unit_of(seed), _noise_truth, through=True)
    assert night.with_through is not None
    figure = night.true("noise_figure")
    for behind, frames in (("", night.frames), (", through", night.with_through)):
        derived = derive(frames)
        for word in NOISE_WORDS:
            yield word + behind, derived[word].result, figure[derived[word].rows]
        if behind:
            yield from cascades.scored(seed, frames, derived, night)


def compression(seed: int) -> Scored:
    """Single-tone gain and compression points."""
    setup = drawn(COMPRESSION, "compression.sequence.toml", seed)
    night = run_night(setup, unit_of(seed), _compression_truth)
    derived = derive(night.frames)
    for word in ("single_gain", "op1db"):
        yield word, derived[word].result, night.true(word)[derived[word].rows]


def _noise_truth(rig: Rig, condition: Condition) -> Point:
    with board_at(rig, condition.temperature_c):
        figure = rig.truth.noise_figure_db()
    # Noise was read last, with the tones off; they are still set to what they were.
    were_on = {place: tone.on for place, tone in rig.tones.items()}
    for tone in rig.tones.values():
        tone.on = True
    readings = true_readings(rig, condition)
    for place, tone in rig.tones.items():
        tone.on = were_on[place]
    return {**readings, "noise_figure": figure}


def _compression_truth(rig: Rig, condition: Condition) -> Point:
    tone = rig.input_tone("tone_1", condition.channel)
    assert tone is not None
    assert tone[1] == TONE_HZ
    unit, load_ohm = rig.setup.unit, condition.load_ohm
    with board_at(rig, condition.temperature_c):
        operating, highest = rig.operating(), rig.truth.output_1db_dbm(TONE_HZ)
    assert operating.mode is not None
    lines = unit.lines_v(condition.channel, condition.gain_code, operating.die_c, operating.mode, load_ohm, tone, None)
    power_gain_db = level_dbm(abs(lines["tone_lower"]), load_ohm) - tone[0]
    truth = {"single_gain": float(power_gain_db + 10 * np.log10(load_ohm / unit.input_resistance_ohm))}
    # A compression point stands at its sweep's lowest level.
    return truth | ({"op1db": highest} if condition.tone_level_dbm == -2 else {})
