"""Two tones and supply: a night with every kind of partner, and one over the level of the tones.

The truth comes from the rig: levels and currents as they would be with the board exactly at each condition's
temperature, handed to the derivation as readings of a bench without errors. So a coverage that is off is a fault of the
uncertainty and of nothing else; that the formulas are right is tested elsewhere.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from coverage_of_benches.nights import Night, Point, board_at, drawn, run_night, unit_of
from coverage_of_benches.score import Scored
from drivers.simulated.amplifier import level_dbm
from reports.derive import Derived, derive
from reports.frames import READINGS, RunFrames
from sequences.products import LINES, line_frequency_hz

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

#: Few conditions with every kind of partner: codes in a row, both channels, two temperatures, modes, loads, levels and
#: frequencies; all but the codes at code 0 only.
EDITS = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 1, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 60]",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = [100, 200]',
    "tone_level_dbm = 3\nfrequency_mhz = 60": "tone_level_dbm = [0, 3]\nfrequency_mhz = [45, 60]",
    "[tones]": """[[exclude]]
when = { gain_code = [1, 30] }
unless = { supply_mode = "nominal", load_ohm = 200, tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { supply_mode = "low power" }
unless = { load_ohm = 200, tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { load_ohm = 100 }
unless = { tone_level_dbm = 3, frequency_mhz = 60 }

[[exclude]]
when = { tone_level_dbm = 0, frequency_mhz = 45 }

[tones]""",
}

#: Characteristics into which the level at the input goes.
OF_INPUT = {
    "gain", "gain_step_error", "gain_flatness", "gain_match", "gain_tempco", "level_load_change", "output_resistance",
    "dissipated_power",
}  # fmt: skip

#: From well below the knee to well above it, with little noise: what is looked for is a decibel and less.
LEVELS = {
    'channel = "all"': 'channel = "A"',
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 0",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
    "tone_level_dbm = 3\nfrequency_mhz = 60": "tone_level_dbm = [0, 3, 6, 9, 12]\nfrequency_mhz = 60",
    "[soak]": "[measure]\nharmonics = false\nsupply = false\nproduct_scatter_db = 0.05\n\n[soak]",
}

#: A power meter on the bench of the partners: gains and inputs from measured levels, behind a coupler that errs.
MEASURED = EDITS | {
    "[combiner]\n": """[instrument.power_meter]
resource = "TCPIP0::power-meter.nimbus.example::5025::SOCKET"
coupling_db = { frequency_mhz = [10, 100], loss_db = [25.9, 26.2] }
coupling_uncertainty_db = 0.05
noise_dbm = -60
highest_input_dbm = 20
accuracy = { level_db = 0.05, linearity_db_per_10db = 0.01 }

[combiner]
""",
}

#: An analyzer setting that makes noise and own products vanish from readings that have none.
CLEAN = {"attenuation_db": 100.0, "bandwidth_hz": 1e-9, "scatter_db": 0.0, "points": 21.0}


def true_readings(rig: Rig, condition: Condition) -> Point:
    """What the unit would do as it stands, with its board exactly at the condition's temperature."""
    channel, load_ohm, unit = condition.channel, condition.load_ohm, rig.setup.unit
    with board_at(rig, condition.temperature_c):
        operating = rig.operating()
        voltage_v, current_a = rig.truth.supply_voltage_v, rig.truth.supply_current_a
    assert operating.mode is not None
    tones = [rig.input_tone(place, channel) for place in ("tone_1", "tone_2")]
    lines = unit.lines_v(channel, rig.code(channel), operating.die_c, operating.mode, load_ohm, *tones)
    readings = {f"{line}_level_dbm": level_dbm(abs(lines[line]), load_ohm) for line in LINES}
    for number, tone in enumerate(tones, start=1):
        assert tone is not None
        readings[f"source_{number}_level_dbm"] = tone[0]
    return readings | {
        "supply_voltage_v": voltage_v,
        "supply_current_a": current_a,
        "board_temperature_c": condition.temperature_c,
        "air_temperature_c": condition.temperature_c,
    }


def true_figures(night: Night) -> Derived:
    """Characteristics of the truth: readings that give it when they are corrected with the declared path losses."""
    frames = night.frames
    readings = [{name: value for name, value in point.items() if name in READINGS} for point in night.truth]
    wide = pd.DataFrame(readings, index=frames.conditions.index)
    conditions = frames.conditions
    channels, loads = conditions["channel"].to_numpy(dtype=object), conditions["load_ohm"].to_numpy(dtype=np.float64)
    centre, spacing_hz = conditions["frequency_hz"].to_numpy(dtype=np.float64), frames.sequence.tones.spacing_hz
    for line in LINES:
        frequency_hz = np.array([line_frequency_hz(line, one, spacing_hz) for one in centre])
        wide[f"{line}_level_dbm"] -= frames.path_losses.losses_db("output", channels, loads, frequency_hz)
        for kind, value in CLEAN.items():
            wide[f"{line}_{kind}"] = value
        if line in ("tone_lower", "tone_upper"):
            source = f"source_{1 if line == 'tone_lower' else 2}_level_dbm"
            wide[source] += frames.path_losses.losses_db("input", channels, loads, frequency_hz)
    long = wide.rename_axis("condition").reset_index().melt("condition", var_name="quantity")
    clean: RunFrames = replace(frames, readings=long.assign(repeat=0).astype({"quantity": "category"}))
    return derive(clean)


def partners(seed: int) -> Scored:
    """Every characteristic of two tones and the supply but what is told from many levels."""
    return _scored(run_night(drawn(EDITS, "quick.sequence.toml", seed), unit_of(seed), true_readings))


def measured(seed: int) -> Scored:
    """What hangs on the level at the input, with a power meter that has read each tone alone."""
    night = run_night(drawn(MEASURED, "quick.sequence.toml", seed), unit_of(seed), true_readings)
    return ((f"{word}, measured", result, true) for word, result, true in _scored(night) if word in OF_INPUT)


def levels(seed: int) -> Scored:
    """What is told from the level of the tones."""
    night = run_night(drawn(LEVELS, "quick.sequence.toml", seed), unit_of(seed), true_readings)
    return (found for found in _scored(night) if found[0].startswith("im3_"))


def _scored(night: Night) -> Scored:
    true = true_figures(night)
    for word, one in derive(night.frames).items():
        value = np.full(len(night.frames.conditions), np.nan)
        value[true[word].rows] = np.where(true[word].result.bound == 0, true[word].result.value, np.nan)
        yield word, one.result, value[one.rows]
