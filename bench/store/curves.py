"""Curves as rows: a complex quantity against frequency as two blobs, the same bytes on every database.

Rule: a curve that was read comes back bit for bit; nothing is thinned, rounded or derived.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

#: Little-endian doubles and pairs of doubles, whatever the machine: a store may be moved.
_REAL, _COMPLEX = "<f8", "<c16"


@dataclass(frozen=True, slots=True)
class Curve:
    """One curve of one condition.

    Attributes:
        name: What was read, such as ``s21``; a name of ``reports.frames.CURVES``.
        x: Frequencies in Hz, rising.
        y: Complex values, one for each frequency.
        repeat: Repeat of the condition, from 0.
    """

    name: str
    x: tuple[float, ...]
    y: tuple[complex, ...]
    repeat: int = 0


def pack_curve(curve: Curve) -> tuple[bytes, bytes]:
    """Blobs of x and y. Raises ValueError for lengths that differ, no point, or a value that is not finite."""
    import numpy as np  # loaded here, as a store that is only listed does not need it

    if len(curve.x) != len(curve.y) or not curve.x:
        raise ValueError(f"curve {curve.name} has {len(curve.x)} frequencies and {len(curve.y)} values")
    x, y = np.array(curve.x, dtype=_REAL), np.array(curve.y, dtype=_COMPLEX)
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError(f"curve {curve.name} holds a value that is not finite")
    return x.tobytes(), y.tobytes()


def unpack_curve(x: bytes, y: bytes) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.complex128]]:
    """Inverse of ``pack_curve``; both of shape (points,)."""
    import numpy as np

    return np.frombuffer(x, dtype=_REAL).astype(np.float64), np.frombuffer(y, dtype=_COMPLEX).astype(np.complex128)
