"""Algebra of two-ports: S-parameters and chain matrices, cascades taken apart, gain between given resistances.

Conversions: D. A. Frickey, Conversions between S, Z, Y, h, ABCD, and T parameters which are valid for complex source
and load impedances, IEEE Trans. MTT 42, 1994 (from memory, not seen), for one real reference resistance at both ports.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ComplexArray = NDArray[np.complex128]


def chain_of_s(s: ComplexArray, reference_ohm: float) -> ComplexArray:
    """Chain (ABCD) matrices of S-parameters, both of shape (…, 2, 2); S21 must not be 0."""
    s11, s12, s21, s22 = s[..., 0, 0], s[..., 0, 1], s[..., 1, 0], s[..., 1, 1]
    loop = s12 * s21
    rows = (
        ((1 + s11) * (1 - s22) + loop, reference_ohm * ((1 + s11) * (1 + s22) - loop)),
        (((1 - s11) * (1 - s22) - loop) / reference_ohm, (1 - s11) * (1 + s22) + loop),
    )
    return _matrix(rows) / (2 * s21)[..., None, None]


def s_of_chain(chain: ComplexArray, reference_ohm: float) -> ComplexArray:
    """Inverse of ``chain_of_s``."""
    a, b = chain[..., 0, 0], chain[..., 0, 1] / reference_ohm
    c, d = chain[..., 1, 0] * reference_ohm, chain[..., 1, 1]
    rows = ((a + b - c - d, 2 * (a * d - b * c)), (2 * np.ones_like(a), -a + b - c + d))
    return _matrix(rows) / (a + b + c + d)[..., None, None]


def without(measured: ComplexArray, before: ComplexArray, after: ComplexArray) -> ComplexArray:
    """What stands between two known two-ports of a cascade; chain matrices, each of shape (…, 2, 2)."""
    found: ComplexArray = np.linalg.inv(before) @ measured @ np.linalg.inv(after)
    return found


def voltage_gain(chain: ComplexArray, input_ohm: float, load_ohm: float) -> ComplexArray:
    """Voltage into ``load_ohm`` over half the voltage of a source of ``input_ohm``, (…, 2, 2) to (…,).

    That is S21·√(load/input) with these two as references, and the voltage gain from input to output where the input
    resistance is ``input_ohm``: 2·R_L / (A·R_L + B + C·R_i·R_L + D·R_i).
    """
    a, b, c, d = chain[..., 0, 0], chain[..., 0, 1], chain[..., 1, 0], chain[..., 1, 1]
    found: ComplexArray = 2 * load_ohm / (a * load_ohm + b + c * input_ohm * load_ohm + d * input_ohm)
    return found


def _matrix(rows: tuple[tuple[ComplexArray, ComplexArray], tuple[ComplexArray, ComplexArray]]) -> ComplexArray:
    found: ComplexArray = np.stack([np.stack(row, axis=-1) for row in rows], axis=-2)
    return found
