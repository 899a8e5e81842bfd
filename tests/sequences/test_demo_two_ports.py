"""The shipped Touchstone files of what lies between the network analyzer and the unit, and how they were made.

To make them again after a change here: ``python tests/sequences/test_demo_two_ports.py``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from sequences.read_files import demo_file, read_bench

FOLDER = demo_file("nimbus-network.bench.toml").parent

REFERENCE_OHM = 50.0
FREQUENCY_HZ = np.arange(10e6, 301e6, 5e6)

#: File → loss of pad, balun and cable at 60 MHz in dB, and delay of the cable in s. Sizes of an ordinary fixture.
PATHS = {
    "input-a.s2p": (7.23, 4.10e-9),
    "input-b.s2p": (7.28, 4.16e-9),
    "output-a-200.s2p": (11.01, 5.20e-9),
    "output-b-200.s2p": (11.05, 5.27e-9),
}

#: Turns of the balun from 50 Ω to the 200 Ω of the unit's input and of its load, and what it has across its 50 Ω side.
TURNS = 2.0
STRAY_F = 0.6e-12

Matrices = npt.NDArray[np.complex128]


def line_chain(loss_db: npt.NDArray[np.float64], delay_s: float) -> Matrices:
    """A matched piece of line with a pad in it."""
    exponent = loss_db * np.log(10) / 20 + 2j * np.pi * FREQUENCY_HZ * delay_s
    a, b = np.cosh(exponent), np.sinh(exponent)
    return np.moveaxis(np.array([[a, b * REFERENCE_OHM], [b / REFERENCE_OHM, a]]), -1, 0)


def two_port(name: str) -> Matrices:
    """S-parameters of one path, shape (points, 2, 2), in the order in which the signal runs."""
    loss_at_60_mhz_db, delay_s = PATHS[name]
    line = line_chain(loss_at_60_mhz_db + 0.12 * (np.sqrt(FREQUENCY_HZ / 60e6) - 1), delay_s)
    stray = np.zeros_like(line)
    stray[:, 0, 0] = stray[:, 1, 1] = 1.0
    stray[:, 1, 0] = 2j * np.pi * FREQUENCY_HZ * STRAY_F
    up = np.diag([1 / TURNS, TURNS])
    chain = line @ stray @ up if name.startswith("input") else np.linalg.inv(up) @ stray @ line
    a, b, c, d = chain[:, 0, 0], chain[:, 0, 1] / REFERENCE_OHM, chain[:, 1, 0] * REFERENCE_OHM, chain[:, 1, 1]
    whole = a + b + c + d
    s = np.array([[a + b - c - d, 2 * np.ones_like(a)], [2 * np.ones_like(a), -a + b - c + d]]) / whole
    return np.moveaxis(s, -1, 0)


def text_of(name: str) -> str:
    """The file: Touchstone 1.1, real and imaginary parts, S11 S21 S12 S22."""
    ends = "port 1: network analyzer, port 2: unit" if name.startswith("input") else "port 1: unit, port 2: analyzer"
    lines = [f"! invented fixture of bench Nimbus, {ends}", f"# HZ S RI R {REFERENCE_OHM:g}"]
    for hertz, s in zip(FREQUENCY_HZ.tolist(), two_port(name), strict=True):
        parts = [part for value in (s[0, 0], s[1, 0], s[0, 1], s[1, 1]) for part in (value.real, value.imag)]
        lines.append(" ".join([f"{hertz:.0f}", *(f"{part:.9f}" for part in parts)]))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("name", PATHS)
def test_a_shipped_two_port_is_what_this_file_makes(name: str) -> None:
    """Nobody has edited it by hand."""
    assert (FOLDER / name).read_text(encoding="ascii") == text_of(name)


def test_the_demo_bench_names_every_shipped_two_port_and_no_other() -> None:
    """Each file is used, and read with the bench."""
    bench = read_bench(FOLDER / "nimbus-network.bench.toml")

    assert set(bench.attachments) == set(PATHS) == {path.name for path in FOLDER.glob("*.s2p")}


@pytest.mark.parametrize("name", PATHS)
def test_a_shipped_two_port_is_matched_to_200_ohm_and_passive(name: str) -> None:
    """Seen from the unit it is a 200 Ω resistance but for a few percent; no power comes out of it."""
    s = two_port(name)
    at_unit = s[:, 1, 1] if name.startswith("input") else s[:, 0, 0]
    seen_ohm = REFERENCE_OHM * (1 + at_unit) / (1 - at_unit)

    assert np.abs((seen_ohm - 200) / (seen_ohm + 200)).max() < 0.04
    assert np.linalg.svd(s, compute_uv=False).max() < 1.0


if __name__ == "__main__":
    for name in PATHS:
        Path(FOLDER / name).write_text(text_of(name), encoding="ascii")
