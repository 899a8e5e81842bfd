"""What lies between the network analyzer's two ports and the unit, as two-ports against frequency.

An entry of the bench file names a Touchstone file (.s2p). In a file of the input path port 1 is at the analyzer and
port 2 at the unit; in a file of the output path port 1 is at the unit and port 2 at the analyzer. Between the points of
a file S21 and S12 are interpolated in dB and unwrapped phase, so that a delay costs nothing, S11 and S22 in real and
imaginary part. Beyond its ends nothing is known, so the module refuses, as it does when no entry, or more than one,
holds for a path.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sequences.bench_file import Bench
from sequences.errors import FileFault, FileFaults, NotCovered, NotServed
from sequences.path_entries import DeEmbeddingEntry
from sequences.path_losses import Path, parse_touchstone, serving

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class TwoPort:
    """S-parameters of one path, shape (points, 2, 2), at rising frequencies in Hz, in a real reference resistance."""

    frequency_hz: FloatArray
    s: ComplexArray
    reference_ohm: float

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """S-parameters at other frequencies within its own, shape (n, 2, 2)."""
        found = np.empty((len(frequency_hz), 2, 2), dtype=np.complex128)
        for row, column in np.ndindex(2, 2):
            known = self.s[:, row, column]
            if row == column:
                found[:, row, column] = np.interp(frequency_hz, self.frequency_hz, known)
            else:
                level = np.interp(frequency_hz, self.frequency_hz, np.log(np.abs(known)))
                angle = np.interp(frequency_hz, self.frequency_hz, np.unwrap(np.angle(known)))
                found[:, row, column] = np.exp(level + 1j * angle)
        return found


class DeEmbedding:
    """The two-ports between network analyzer and unit, and how well they are known.

    Args:
        entries: The ``[[de_embedding]]`` tables, in file order.
        attachments: Text of each Touchstone file, by the name that an entry gives it.

    Raises:
        FileFaults: A Touchstone text is missing, is not a two-port, or lets nothing through.
    """

    def __init__(self, entries: Iterable[DeEmbeddingEntry] = (), attachments: Mapping[str, str] | None = None) -> None:
        self.entries = tuple(entries)
        self.two_ports = tuple(_two_port(entry.touchstone, attachments or {}) for entry in self.entries)

    @classmethod
    def of(cls, bench: Bench, attachments: Mapping[str, str] | None = None) -> DeEmbedding:
        """What a bench file describes."""
        return cls(bench.de_embedding, attachments)

    def serving(self, path: Path, channel: str, load_ohm: float) -> tuple[int, ...]:
        """Indices of all entries that hold for a path; a sound bench file gives exactly one."""
        return serving(self.entries, path, channel, load_ohm)

    def entry_number(self, path: Path, channel: str, load_ohm: float) -> int:
        """Index of the one entry that holds for a path, in file order from 0. Raises NotServed."""
        found = self.serving(path, channel, load_ohm)
        if len(found) != 1:
            raise NotServed(path, channel, load_ohm, len(found))
        return found[0]

    def covered_hz(self, path: Path, channel: str, load_ohm: float) -> tuple[float, float]:
        """Lowest and highest frequency in Hz at which the path is known. Raises NotServed."""
        known = self.two_ports[self.entry_number(path, channel, load_ohm)].frequency_hz
        return float(known[0]), float(known[-1])

    def s_parameters(self, path: Path, channel: str, load_ohm: float, frequency_hz: FloatArray) -> ComplexArray:
        """S-parameters of a path, Hz (n,) to (n, 2, 2), in its file's reference. Raises NotServed, NotCovered."""
        lowest, highest = self.covered_hz(path, channel, load_ohm)
        outside = ~((frequency_hz >= lowest) & (frequency_hz <= highest))
        if outside.any():
            first = float(frequency_hz[int(np.argmax(outside))])
            raise NotCovered(path, channel, load_ohm, first, lowest, highest)
        return self.two_ports[self.entry_number(path, channel, load_ohm)].at(frequency_hz)


def _two_port(name: str, attachments: Mapping[str, str]) -> TwoPort:
    network = parse_touchstone(name, attachments, "what is taken off a measurement")
    frequency_hz = np.asarray(network.f, dtype=np.float64)
    s = np.asarray(network.s, dtype=np.complex128)
    impedance = np.unique(np.asarray(network.z0))
    if len(frequency_hz) < 2 or not np.all(np.diff(frequency_hz) > 0):
        problem = "a two-port needs two or more points with rising frequency"
        raise FileFaults([FileFault("contradiction", name, problem=problem)])
    if not np.isfinite(s).all() or np.any(s[:, 1, 0] == 0) or np.any(s[:, 0, 1] == 0):
        problem = "S21 or S12 is zero, or a value is not a number, at some frequency"
        raise FileFaults([FileFault("not allowed", name, problem=problem)])
    if len(impedance) != 1 or impedance[0].imag != 0 or impedance[0].real <= 0:
        raise FileFaults([FileFault("not allowed", name, problem="the reference impedance must be one resistance")])
    return TwoPort(frequency_hz, s, float(impedance[0].real))
