"""The network analyzer's curves of a run, repeats averaged, and the unit's complex gain behind the two-ports.

Rule: no uncertainty here; ``reports.sweeps`` says how wrong all this may be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reports.errors import ShapeFault
from reports.frames import S_PARAMETERS
from reports.two_ports import ComplexArray, chain_of_s, voltage_gain, without

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.partners import Grid
    from sequences.path_losses import Path

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Step of the numerical derivatives: far above float noise, far below where the function bends.
_STEP = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """All sweeps of a run, c of them over f frequencies, repeats averaged.

    Attributes:
        frequency_hz: Shape (f,).
        s: As read, shape (c, f, 2, 2).
        rows: Position in ``RunFrames.conditions`` of each sweep's condition, shape (c,).
        repeats: How many each mean is of, shape (c,).
        spread: Experimental standard deviation of a single S21 about the mean, relative to it, of the part along it
            (gain) and across it (phase, rad); shape (2, c, f); 0 where there is one repeat.
    """

    frequency_hz: FloatArray
    s: ComplexArray
    rows: NDArray[np.intp]
    repeats: FloatArray
    spread: FloatArray

    @classmethod
    def of(cls, frames: RunFrames) -> Curves:
        """The sweeps of a run with curves. Raises ShapeFault if they are not all over the same frequencies."""
        table = frames.curves.sort_values(["condition", "repeat", "frequency_hz"], kind="stable")
        frequency_hz = np.unique(table["frequency_hz"].to_numpy(dtype=np.float64))
        points = len(frequency_hz)
        if len(table) % points or not np.array_equal(
            table["frequency_hz"].to_numpy().reshape(-1, points),
            np.broadcast_to(frequency_hz, (len(table) // points, points)),
        ):
            raise ShapeFault("curves: not every sweep is over the same frequencies")
        parts = [table[f"{name}_re"].to_numpy() + 1j * table[f"{name}_im"].to_numpy() for name in S_PARAMETERS]
        s11, s21, s12, s22 = (part.reshape(-1, points) for part in parts)
        every = np.stack([np.stack([s11, s12], axis=-1), np.stack([s21, s22], axis=-1)], axis=-2)
        numbers, sweep, count = np.unique(
            table["condition"].to_numpy().reshape(-1, points)[:, 0], return_inverse=True, return_counts=True
        )
        total = np.zeros((len(numbers), points, 2, 2), dtype=np.complex128)
        np.add.at(total, sweep, every)
        mean = total / count[:, None, None, None]
        off = every[:, :, 1, 0] / mean[sweep][:, :, 1, 0] - 1
        squares = np.zeros((2, len(numbers), points))
        for part, deviation in enumerate((off.real, off.imag)):
            np.add.at(squares[part], sweep, deviation**2)
        spread = np.sqrt(squares / np.maximum(count - 1, 1)[None, :, None])
        rows = frames.conditions.index.get_indexer(pd.Index(numbers))
        if (rows < 0).any():
            raise ShapeFault("curves: one belongs to a condition that is not in the run")
        return cls(frequency_hz, mean, rows.astype(np.intp), count.astype(np.float64), spread)


def serving(grid: Grid, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """Sweep of each condition: that of the condition with the same channel, code, temperature, mode and load."""
    key = grid.key.copy()
    for axis in ("tone_level_dbm", "frequency_hz"):
        key -= grid.codes[axis] * grid.strides[axis]
    found, first = np.unique(key[rows], return_index=True)
    if not len(found):
        return np.full(len(key), -1, dtype=np.intp)
    place = np.minimum(np.searchsorted(found, key), len(found) - 1)
    return np.where(found[place] == key, first[place], -1).astype(np.intp)


def de_embedded(frames: RunFrames, curves: Curves, reference_ohm: float) -> tuple[ComplexArray, ComplexArray, IntArray]:
    """Voltage gain (c, f), its logarithm's change with S11 and S22 (2, c, f), and the entries that serve (2, c)."""
    conditions = frames.conditions.iloc[curves.rows]
    channels = conditions["channel"].to_numpy(dtype=object)
    loads = conditions["load_ohm"].to_numpy(dtype=np.float64)
    shape = curves.s.shape[:2]
    gain = np.empty(shape, dtype=np.complex128)
    change = np.empty((2, *shape), dtype=np.complex128)
    entries = np.empty((2, shape[0]), dtype=np.int64)
    for channel, load in sorted(set(zip(channels.tolist(), loads.tolist(), strict=True))):
        these = np.flatnonzero((channels == channel) & (loads == load))
        before, after = path_chains(frames, str(channel), load, curves.frequency_hz, reference_ohm)
        input_ohm = frames.part.part.input_resistance_ohm

        def gain_of(s: ComplexArray, ends: tuple[ComplexArray, ComplexArray, float, float]) -> ComplexArray:
            chain = without(chain_of_s(s, reference_ohm), ends[0], ends[1])
            return voltage_gain(chain, ends[2], ends[3])

        ends = (before, after, input_ohm, load)
        gain[these] = gain_of(curves.s[these], ends)
        paths: tuple[Path, Path] = ("input", "output")
        for port, path in enumerate(paths):
            entries[port, these] = frames.de_embedding.entry_number(path, str(channel), load)
            moved = curves.s[these].copy()
            moved[:, :, port, port] += _STEP
            change[port, these] = np.log(gain_of(moved, ends) / gain[these]) / _STEP
    return gain, change, entries


def path_chains(
    frames: RunFrames, channel: str, load_ohm: float, frequency_hz: FloatArray, reference_ohm: float
) -> tuple[ComplexArray, ComplexArray]:
    """Chain matrices of the input and the output path, each (f, 2, 2). Raises NotServed or NotCovered."""
    known = frames.de_embedding
    return (
        chain_of_s(known.s_parameters("input", channel, load_ohm, frequency_hz), reference_ohm),
        chain_of_s(known.s_parameters("output", channel, load_ohm, frequency_hz), reference_ohm),
    )


def unwrapped(gain: ComplexArray) -> FloatArray:
    """Phase in rad over frequency without jumps; at the lowest all are within half a turn of the first.

    Otherwise a unit that inverts, near ±180°, would seem to turn by 360° from one condition to the next.
    """
    first = np.angle(gain[0, 0]) + np.angle(gain[:, 0] / gain[0, 0])
    phase = np.unwrap(np.angle(gain), axis=1)
    found: FloatArray = phase - phase[:, :1] + first[:, None]
    return found
