"""Where a statement of uncertainty does not hold: errors that were not declared, and what the run could not show.

Rule: each caveat is one sentence that says what is missing and what that leaves out of U.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reports.levels import path_name
from sequences.products import LINES, LOOKS

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.wide_readings import WideReadings

#: Places whose accuracies go into a characteristic, with the readings that need them.
_USED = {
    "tone_1": "source_1_level_dbm",
    "tone_2": "source_2_level_dbm",
    "power_meter": "source_1_measured_dbm",
    "analyzer": "tone_lower_level_dbm",
    "supply": "supply_voltage_v",
    "current_meter": "supply_current_a",
    "board_thermometer": "board_temperature_c",
}

#: Accuracies that no characteristic needs: a supply is read, not believed, and its current only without a meter; a
#: meter's noise shows in the repeats.
_NOT_USED = {"supply": {"voltage_v"}, "current_meter": {"noise_a"}}


def caveats(frames: RunFrames, wide: WideReadings) -> tuple[str, ...]:
    """Sentences for the report, in the order of the signal's way."""
    return (
        *_undeclared(frames, wide),
        *_unmatched(frames, wide),
        *_unchecked(frames),
        *_not_shown(frames, wide),
    )


def _undeclared(frames: RunFrames, wide: WideReadings) -> list[str]:
    found = []
    for place, entry in frames.bench.instrument.present.items():
        if place not in _USED or not _read(wide, _USED[place]):
            continue
        ignored = set(_NOT_USED.get(place, ()))
        if place == "supply" and "current_meter" in frames.bench.instrument.present:
            ignored.add("current_a")
        accuracy: dict[str, float] = entry.accuracy.model_dump() if hasattr(entry, "accuracy") else {}
        found += [f"{place}.accuracy.{key}" for key, value in accuracy.items() if value == 0 and key not in ignored]
    meter = frames.bench.instrument.power_meter
    if meter is not None and meter.coupling_uncertainty_db == 0 and _read(wide, _USED["power_meter"]):
        found.append("power_meter.coupling_uncertainty_db")
    found += [f"{path_name(entry)}: loss" for entry in frames.bench.path_loss if entry.uncertainty_db == 0]
    if not found:
        return []
    return [
        f"U does not hold unless these errors are negligible, which the bench file declares as 0: {', '.join(found)}."
    ]


def _unmatched(frames: RunFrames, wide: WideReadings) -> list[str]:
    found = [path_name(entry) for entry in frames.bench.path_loss if entry.vswr is None or 1.0 in entry.vswr]
    if not found or not any(_read(wide, f"{line}_level_dbm") for line in LOOKS):
        return []
    which = "any path" if len(found) == len(frames.bench.path_loss) else "; ".join(found)
    return [
        "What paths and instruments reflect between them is not in U where the bench file declares no vswr, or one "
        f"of 1: {which}."
    ]


def _unchecked(frames: RunFrames) -> list[str]:
    """What the bench's tables of deviations say that could not be looked at."""
    return [f"{place}, by its table of deviations: {'; '.join(gaps)}." for place, gaps in frames.deviation_gaps.items()]


def _not_shown(frames: RunFrames, wide: WideReadings) -> list[str]:
    found = []
    if wide.rows and frames.readings["repeat"].max() < 1:
        found.append(
            "Each condition was measured once, so what differs from one repeat to the next (drift, contacts, relays) "
            "is in U only as far as the scatter within a reading shows it."
        )
    temperatures = frames.conditions["temperature_c"].nunique()
    if temperatures == 1:
        found.append(
            "With one temperature nothing is known of slopes: figures hold at the board's temperature as it was."
        )
    elif temperatures > 1 and frames.bench.instrument.board_thermometer is None:
        found.append("Without a board thermometer the unit's temperature is known only by the rule of the soak.")
    if any(_read(wide, f"{line}_level_dbm") and not _read(wide, f"{line}_points") for line in LINES):
        found.append(
            "The samples of each reading were not counted when this run was made: their scatter counts as known."
        )
    if _read(wide, "im3_lower_level_dbm") or _read(wide, "hd2_level_dbm"):
        found.append("Products in dBc hold at the tone levels that the unit put out, not at the nominal ones.")
    if _read(wide, "supply_current_a"):
        found.append("Supply figures hold at the voltage that the supply put out, not at the nominal one.")
    return found


def _read(wide: WideReadings, quantity: str) -> bool:
    return bool(np.isfinite(wide.of(quantity)).any())
