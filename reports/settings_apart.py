"""What two benches set differently under one nominal condition, and what that may do to a figure.

A supply that is set to 5 V gives 5.007 V at one bench and 4.996 V at the other; so do the levels of the tones differ. A
figure tells what the unit does there, and its uncertainty is of that. Between two runs the difference of the settings
counts as well. It is known from the readings; how the figure follows it is not, so that its whole effect at the usual
law, either way, is the half-width of one more error (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.uncertainty import Cause, Uncertain, standard

if TYPE_CHECKING:
    import pandas as pd

    from reports.frames import RunFrames

FloatArray = NDArray[np.float64]

#: Characteristic → power of the supply voltage with which it may grow: a current as through a resistor, which is more
#: than a bias circuit lets through; power with one more.
OF_VOLTAGE = {"supply_current": 1.0, "supply_power": 2.0, "dissipated_power": 2.0, "mode_power_saving": 2.0}

#: Characteristic → dB per dB of tone level: a product of order k rises by k − 1 against the tone, below the knee.
OF_LEVEL = {"im3": 2.0, "hd2": 1.0, "hd3": 2.0}

_WHOLE_PERCENT = 100.0


def with_settings(
    word: str,
    difference: Uncertain,
    value: FloatArray,
    runs: tuple[RunFrames, RunFrames],
    numbers: tuple[pd.Index, pd.Index],
) -> Uncertain:
    """``difference`` of a characteristic with what its two conditions were set differently.

    Args:
        word: The characteristic.
        difference: Shape (n,).
        value: Of the first run, shape (n,).
        runs: The two runs.
        numbers: Numbers of the conditions in each run, n each.
    """
    if word in OF_VOLTAGE:
        volts = [_reading(frames, "supply_voltage_v", at) for frames, at in zip(runs, numbers, strict=True)]
        apart = OF_VOLTAGE[word] * np.abs(volts[1] - volts[0]) / np.abs(volts[0])
        # A saving is a ratio of powers less 1: what follows the voltages is the ratio.
        follows = _WHOLE_PERCENT - value if word == "mode_power_saving" else value
        return _with(difference, "supply voltage set differently", apart * np.abs(follows))
    if word in OF_LEVEL:
        levels = [_level(frames, at) for frames, at in zip(runs, numbers, strict=True)]
        return _with(difference, "tone level set differently", OF_LEVEL[word] * np.abs(levels[1] - levels[0]))
    return difference


def _with(difference: Uncertain, name: str, half_width: FloatArray) -> Uncertain:
    known = standard(1.0, "rectangular") * np.nan_to_num(half_width)
    cause = Cause.of(known, rows=len(difference), name_of=lambda _: name)
    return Uncertain(difference.value, {**difference.causes, name: cause}, difference.bound)


def _reading(frames: RunFrames, quantity: str, numbers: pd.Index) -> FloatArray:
    """Mean over the repeats at each condition; NaN where it was not read."""
    rows = frames.readings[frames.readings["quantity"] == quantity]
    result: FloatArray = rows.groupby("condition")["value"].mean().reindex(numbers).to_numpy(dtype=np.float64)
    return result


def _level(frames: RunFrames, numbers: pd.Index) -> FloatArray:
    """Level of the lower tone in the load, dBm, as read and with the loss that the bench file declares."""
    conditions = frames.conditions.loc[numbers]
    loss_db = frames.path_losses.losses_db(
        "output",
        conditions["channel"].to_numpy(dtype=object),
        conditions["load_ohm"].to_numpy(dtype=np.float64),
        conditions["frequency_hz"].to_numpy(dtype=np.float64),
    )
    return _reading(frames, "tone_lower_level_dbm", numbers) + loss_db
