"""What is lost between the sources and the unit, and between the unit's load and the analyzer, against frequency.

An entry of the bench file gives one number, a table or a Touchstone file. Between the points of a table the loss in dB
is linear in frequency; beyond its ends nothing is known, so the module refuses (it never extrapolates), and it refuses
as well when no entry, or more than one, holds for a path.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from sequences.bench_file import Bench
from sequences.errors import FileFault, FileFaults, NotCovered, NotServed
from sequences.path_entries import DeEmbeddingEntry, LossTable, PathLossEntry

Path = Literal["input", "output"]
FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class _Curve:
    """Loss in dB at rising frequencies in Hz; one point means the same at every frequency."""

    frequency_hz: FloatArray
    loss_db: FloatArray

    @property
    def ends_hz(self) -> tuple[float, float]:
        if len(self.frequency_hz) == 1:
            return 0.0, math.inf
        return float(self.frequency_hz[0]), float(self.frequency_hz[-1])


def serving(
    entries: Iterable[PathLossEntry | DeEmbeddingEntry], path: Path, channel: str, load_ohm: float
) -> tuple[int, ...]:
    """Indices of all entries that hold for a path; what an entry leaves open, it holds for."""
    return tuple(
        index
        for index, entry in enumerate(entries)
        if entry.path == path
        and entry.channel in (None, channel)
        and (entry.load_ohm is None or math.isclose(entry.load_ohm, load_ohm, rel_tol=1e-9))
    )


class PathLosses:
    """Loss and its uncertainty for every path of a bench.

    Args:
        entries: The ``[[path_loss]]`` tables, in file order.
        attachments: Text of each Touchstone file, by the name that an entry gives it.

    Raises:
        FileFaults: A Touchstone text is missing or is not a two-port.
    """

    def __init__(self, entries: Iterable[PathLossEntry], attachments: Mapping[str, str] | None = None) -> None:
        self.entries = tuple(entries)
        self._attachments = dict(attachments or {})
        self._curves = tuple(self._curve(entry) for entry in self.entries)
        self._served: dict[tuple[Path, str, float], int] = {}

    @classmethod
    def of(cls, bench: Bench, attachments: Mapping[str, str] | None = None) -> PathLosses:
        """The path losses that a bench file describes."""
        return cls(bench.path_loss, attachments)

    def serving(self, path: Path, channel: str, load_ohm: float) -> tuple[int, ...]:
        """Indices of all entries that hold for a path; a sound bench file gives exactly one."""
        return serving(self.entries, path, channel, load_ohm)

    def entry_number(self, path: Path, channel: str, load_ohm: float) -> int:
        """Index of the one entry that holds for a path, in file order from 0. Raises NotServed."""
        key = (path, channel, load_ohm)
        if key not in self._served:
            found = self.serving(path, channel, load_ohm)
            if len(found) != 1:
                raise NotServed(path, channel, load_ohm, len(found))
            self._served[key] = found[0]
        return self._served[key]

    def covered_hz(self, path: Path, channel: str, load_ohm: float) -> tuple[float, float]:
        """Lowest and highest frequency in Hz at which the loss is known; 0 and infinity for a plain number."""
        return self._curves[self.entry_number(path, channel, load_ohm)].ends_hz

    def ends_hz(self, number: int) -> tuple[float, float]:
        """Lowest and highest frequency at which an entry, counted from 0, is known; 0 and infinity for a number."""
        return self._curves[number].ends_hz

    def loss_db(self, path: Path, channel: str, load_ohm: float, frequency_hz: float) -> float:
        """Loss in dB at ``frequency_hz``. Raises NotServed or NotCovered."""
        curve = self._curves[self.entry_number(path, channel, load_ohm)]
        lowest, highest = curve.ends_hz
        # Written so that a frequency that is not a number is refused too.
        if not lowest <= frequency_hz <= highest:
            raise NotCovered(path, channel, load_ohm, frequency_hz, lowest, highest)
        return float(np.interp(frequency_hz, curve.frequency_hz, curve.loss_db))

    def standard_uncertainty_db(self, path: Path, channel: str, load_ohm: float) -> float:
        """Standard uncertainty of the loss in dB: half of the stated expanded one (k = 2; JCGM 100:2008, 4.3.3)."""
        return self.entries[self.entry_number(path, channel, load_ohm)].uncertainty_db / 2

    def entry_index(self, path: Path, channels: npt.ArrayLike, loads: npt.ArrayLike) -> IntArray:
        """Which entry serves each row: names (n,) and Ω (n,) to indices (n,). Rows of one entry share its error.

        Raises NotServed.
        """
        names = np.asarray(channels, dtype=object)
        ohms = np.asarray(loads, dtype=np.float64)
        names, ohms = np.broadcast_arrays(names, ohms)
        # A run has thousands of rows, two names and a handful of loads: each pair is looked for once.
        distinct, which = np.unique(ohms, return_inverse=True)
        which = which.reshape(ohms.shape)
        found = np.empty(names.shape, dtype=np.int64)
        for name in dict.fromkeys(names.ravel().tolist()):
            rows = names == name
            number_of = np.full(len(distinct), -1, dtype=np.int64)
            for place in np.unique(which[rows]).tolist():
                number_of[place] = self.entry_number(path, name, float(distinct[place]))
            found[rows] = number_of[which[rows]]
        return found

    def losses_db(
        self, path: Path, channels: npt.ArrayLike, loads: npt.ArrayLike, frequencies: npt.ArrayLike
    ) -> FloatArray:
        """Loss in dB of each row: names (n,), Ω (n,), Hz (n,) to (n,). Raises NotServed or NotCovered."""
        hz = np.asarray(frequencies, dtype=np.float64)
        index, hz = np.broadcast_arrays(self.entry_index(path, channels, loads), hz)
        losses = np.empty(hz.shape, dtype=np.float64)
        for number in np.unique(index).tolist():
            rows = index == number
            curve = self._curves[number]
            lowest, highest = curve.ends_hz
            outside = rows & ~((hz >= lowest) & (hz <= highest))
            if outside.any():
                first = np.unravel_index(int(np.argmax(outside)), outside.shape)
                name = np.broadcast_to(np.asarray(channels, dtype=object), hz.shape)[first]
                ohm = np.broadcast_to(np.asarray(loads, dtype=np.float64), hz.shape)[first]
                raise NotCovered(path, str(name), float(ohm), float(hz[first]), lowest, highest)
            losses[rows] = np.interp(hz[rows], curve.frequency_hz, curve.loss_db)
        return losses

    def standard_uncertainties_db(self, path: Path, channels: npt.ArrayLike, loads: npt.ArrayLike) -> FloatArray:
        """Standard uncertainty in dB of each row: names (n,), Ω (n,) to (n,). Raises NotServed."""
        return self.entry_uncertainties_db[self.entry_index(path, channels, loads)]

    @cached_property
    def entry_uncertainties_db(self) -> FloatArray:
        """Standard uncertainty in dB of each entry, shape (entries,)."""
        return np.array([entry.uncertainty_db / 2 for entry in self.entries], dtype=np.float64)

    def measured(self, number: int) -> tuple[object, ...]:
        """What tells one measurement of a path from another: its entry and its loss at every known frequency.

        Two bench files whose entries give the same rest on the same measurement, or on a copy of it.
        """
        entry, curve = self.entries[number], self._curves[number]
        declared = (entry.path, entry.channel, entry.load_ohm, entry.uncertainty_db)
        return (*declared, tuple(curve.frequency_hz.tolist()), tuple(curve.loss_db.tolist()))

    def _curve(self, entry: PathLossEntry) -> _Curve:
        if entry.touchstone is not None:
            return _touchstone_curve(entry.touchstone, self._attachments)
        if isinstance(entry.loss_db, LossTable):
            return _Curve(np.array(entry.loss_db.frequency_hz), np.array(entry.loss_db.loss_db))
        return _Curve(np.zeros(1), np.array([entry.loss_db], dtype=np.float64))


def _touchstone_curve(name: str, attachments: Mapping[str, str]) -> _Curve:
    """Loss = −20·log10|S21|: power lost between matched ends (D. M. Pozar, Microwave Engineering, from memory)."""
    network = parse_touchstone(name, attachments, "a path loss")
    frequency_hz = np.asarray(network.f, dtype=np.float64)
    magnitude = np.abs(np.asarray(network.s[:, 1, 0]))
    if len(frequency_hz) < 2 or not np.all(np.diff(frequency_hz) > 0):
        problem = "a loss needs two or more points with rising frequency"
        raise FileFaults([FileFault("contradiction", name, problem=problem)])
    if not (np.all(np.isfinite(magnitude)) and np.all(magnitude > 0)):
        raise FileFaults([FileFault("not allowed", name, problem="S21 is zero or not a number at some frequency")])
    return _Curve(frequency_hz, -20 * np.log10(magnitude))


def parse_touchstone(name: str, attachments: Mapping[str, str], what: str) -> Any:
    """The two-port of a Touchstone text as a network of scikit-rf; ``what`` it is meant for. Raises FileFaults."""
    if name not in attachments:
        raise FileFaults([FileFault("no file", name, problem="the text of this Touchstone file is missing")])
    if not name.lower().endswith(".s2p"):
        raise FileFaults([FileFault("wrong file", name, problem=f"{what} is a two-port", allowed="a .s2p file")])
    return _network(name, attachments[name])


def _network(name: str, text: str) -> Any:
    import warnings

    import skrf

    stream = io.StringIO(text)
    stream.name = name
    try:
        with warnings.catch_warnings():
            # The parser warns about what it skips; a path loss must come from a file that it takes as a whole.
            warnings.simplefilter("error")
            return skrf.Network(stream)
    except Exception as error:
        # A parser of others: whatever it raises, the text is not Touchstone.
        problem = f"not a Touchstone two-port that can be read ({type(error).__name__})"
        raise FileFaults([FileFault("unreadable file", name, problem=problem)]) from error
