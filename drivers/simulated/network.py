"""The simulated network analyzer's inside: the two-port between its ports, and what it makes of it.

What it reads differs from what is there by errors that are drawn once per bench, and by noise:

    S21 read = S21 / ((1 − M1·S11)·(1 − M2·S22) − M1·M2·S21·S12) · 10^(e/20) · exp(jφ) + noise

M1 and M2 are what calibration has left of source and load match; e and φ are a constant, a straight line between knots
10 MHz apart, and a slope with the level of S21. S12 likewise. S11 read = D1 + S11/(1 − M1·S11) + noise with D1 what is
left of directivity; S22 likewise with D2 and M2. D and M lie anywhere in a disk, the same at all frequencies.

Between the ports stand the declared two-ports of the bench file; the true ones have a little more or less loss and
phase at the analyzer's end, one draw each per entry.
"""

from __future__ import annotations

import cmath
import math
from typing import TYPE_CHECKING

from drivers.simulated.amplifier import ISOLATION_DB
from drivers.simulated.analyzer import SAMPLE_SPACING
from drivers.simulated.drawing import KNOT_HZ, fraction, normal, seed_of, within
from drivers.simulated.small_signal import complex_gain, unit_chain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from drivers.simulated.rig import Rig
    from drivers.simulated.rig_setup import NetworkAnalyzerSetup, TwoPortSetup

    Matrices = NDArray[np.complex128]
    Numbers = NDArray[np.float64]

#: Errors of S21: name of the draw → (constant, at knots, per 10 dB) as fields of the setup.
_ERRORS = {
    "magnitude": ("magnitude_db", "tracking_db", "linearity_db_per_10db"),
    "phase": ("phase_deg", "phase_tracking_deg", "linearity_deg_per_10db"),
}

_DIRECTIONS = 2


def sweep_s(points: int, bandwidth_hz: float) -> float:
    """Time of a sweep in both directions."""
    return _DIRECTIONS * points * SAMPLE_SPACING / bandwidth_hz


class NetworkModel:
    """One network analyzer with its drawn errors, the two-ports on its leads, and its own noise generator."""

    def __init__(self, setup: NetworkAnalyzerSetup, two_ports: tuple[TwoPortSetup, ...], seed: int) -> None:
        import numpy as np

        self._setup = setup
        self._two_ports = two_ports
        self._seed = seed
        self._chance = np.random.default_rng(seed_of("network analyzer noise", seed))
        radius = 10 ** (setup.residual_db / 20)
        self._residuals = {name: _in_disk(radius, seed, name) for name in ("D1", "D2", "M1", "M2")}
        self.path_errors = tuple(
            cmath.rect(
                10 ** (-normal(entry.magnitude_uncertainty_db / 2, seed, f"two-port magnitude {index}") / 20),
                math.radians(normal(entry.phase_uncertainty_deg / 2, seed, f"two-port phase {index}")),
            )
            for index, entry in enumerate(two_ports)
        )

    def read(self, true: Matrices, frequency_hz: Numbers, power_dbm: float, bandwidth_hz: float) -> Matrices:
        """S-parameters as read, (n, 2, 2), for those that stand between the ports."""
        import numpy as np

        source, load = self._residuals["M1"], self._residuals["M2"]
        s11, s21, s12, s22 = true[:, 0, 0], true[:, 1, 0], true[:, 0, 1], true[:, 1, 1]
        loop = (1 - source * s11) * (1 - load * s22) - source * load * s21 * s12
        found = np.empty_like(true)
        found[:, 0, 0] = self._residuals["D1"] + s11 / (1 - source * s11)
        found[:, 1, 1] = self._residuals["D2"] + s22 / (1 - load * s22)
        for row, column, through in ((1, 0, s21), (0, 1, s12)):
            found[:, row, column] = through / loop * self.transmission_error(frequency_hz, np.abs(through))
        noise_w = 10 ** (self._setup.noise_dbm_per_hz / 10) * bandwidth_hz
        size = math.sqrt(noise_w / 10 ** (power_dbm / 10) / 2)
        noise: Numbers = self._chance.standard_normal((2, *true.shape)) * size
        read: Matrices = found + noise[0] + 1j * noise[1]
        return read

    def transmission_error(self, frequency_hz: Numbers, magnitude: Numbers) -> Matrices:
        """Factor by which a transmission of this magnitude is read wrong, shapes (n,)."""
        import numpy as np

        # What is not there at all has no level; it is read as noise anyway.
        level_db = 20 * np.log10(np.maximum(magnitude, 1e-15))
        errors = []
        for name, (constant, knots, slope) in _ERRORS.items():
            widths = [getattr(self._setup, field) for field in (constant, knots, slope)]
            error = within(widths[0], self._seed, f"network {name}")
            errors.append(
                error
                + self._ripple(frequency_hz, widths[1], name)
                + within(widths[2], self._seed, f"network {name} linearity") * level_db / 10
            )
        return np.asarray(10 ** (errors[0] / 20) * np.exp(1j * np.radians(errors[1])), dtype=np.complex128)

    def _ripple(self, frequency_hz: Numbers, half_width: float, name: str) -> Numbers:
        import numpy as np

        position = frequency_hz / KNOT_HZ
        first, last = int(position.min()), int(position.max()) + 1
        knots = [within(half_width, self._seed, f"network {name} at knot {index}") for index in range(first, last + 1)]
        ripple: Numbers = np.interp(position, np.arange(first, last + 1), knots)
        return ripple

    def between_ports(self, rig: Rig, frequency_hz: Numbers) -> Matrices:
        """What really stands between the ports now, (n, 2, 2) in the analyzer's reference; open if nothing does."""
        import numpy as np

        channel, load_ohm = rig.network_channel, rig.load_ohm
        if channel is None or load_ohm is None:
            return np.tile(np.eye(2, dtype=np.complex128), (len(frequency_hz), 1, 1))
        reference_ohm = self._setup.reference_ohm
        before, after = (self._path(path, channel, load_ohm) for path in ("input", "output"))
        chain = _unit(rig, channel, load_ohm, frequency_hz)
        ends = [1.0 + 0j, 1.0 + 0j]
        if before is not None:
            chain = chain_of_s(self._two_ports[before].s_parameters(frequency_hz), reference_ohm) @ chain
            ends[0] = self.path_errors[before]
        if after is not None:
            chain = chain @ chain_of_s(self._two_ports[after].s_parameters(frequency_hz), reference_ohm)
            ends[1] = self.path_errors[after]
        # A matched piece of line at each end: every wave that passes an end is turned and weakened by it.
        return s_of_chain(chain, reference_ohm) * np.outer(ends, ends)

    def input_loss_db(self, channel: str, load_ohm: float, frequency_hz: Numbers) -> float:
        """Least loss between port 1 and the unit, for the unit's rating."""
        import numpy as np

        index = self._path("input", channel, load_ohm)
        if index is None:
            return 0.0
        s = self._two_ports[index].s_parameters(frequency_hz)
        return float(-20 * np.log10(np.abs(s[:, 1, 0]).max()))

    def _path(self, path: str, channel: str, load_ohm: float) -> int | None:
        """The most specific entry that fits; None for a bare connection."""
        fitting = [
            ((entry.channel is not None) + (entry.load_ohm is not None), -index)
            for index, entry in enumerate(self._two_ports)
            if entry.path == path and entry.channel in (None, channel) and entry.load_ohm in (None, load_ohm)
        ]
        return -max(fitting)[1] if fitting else None


def _unit(rig: Rig, channel: str, load_ohm: float, frequency_hz: Numbers) -> Matrices:
    import numpy as np

    unit, operating = rig.setup.unit, rig.operating()
    if rig.setup.through:
        return np.tile(np.eye(2, dtype=np.complex128), (len(frequency_hz), 1, 1))
    if operating.mode is None:
        leaked = np.full(len(frequency_hz), 10 ** (-ISOLATION_DB / 20), dtype=np.complex128)
        return unit_chain(unit, load_ohm, leaked)
    code = rig.code(channel)
    gain = complex_gain(unit, channel, code, operating.die_c, operating.mode, load_ohm, frequency_hz)
    return unit_chain(unit, load_ohm, gain)


def chain_of_s(s: Matrices, reference_ohm: float) -> Matrices:
    """Chain (ABCD) matrices of S-parameters, (n, 2, 2). D. A. Frickey, IEEE Trans. MTT 42, 1994 (from memory)."""
    import numpy as np

    s11, s21, s12, s22 = s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1]
    across, both = s12 * s21, 2 * s21
    found = np.empty_like(s)
    found[:, 0, 0] = ((1 + s11) * (1 - s22) + across) / both
    found[:, 0, 1] = reference_ohm * ((1 + s11) * (1 + s22) - across) / both
    found[:, 1, 0] = ((1 - s11) * (1 - s22) - across) / both / reference_ohm
    found[:, 1, 1] = ((1 - s11) * (1 + s22) + across) / both
    return found


def s_of_chain(chain: Matrices, reference_ohm: float) -> Matrices:
    """Inverse of ``chain_of_s``."""
    import numpy as np

    a, b = chain[:, 0, 0], chain[:, 0, 1] / reference_ohm
    c, d = chain[:, 1, 0] * reference_ohm, chain[:, 1, 1]
    whole = a + b + c + d
    found = np.empty_like(chain)
    found[:, 0, 0] = (a + b - c - d) / whole
    found[:, 0, 1] = 2 * (a * d - b * c) / whole
    found[:, 1, 0] = 2 / whole
    found[:, 1, 1] = (-a + b - c + d) / whole
    return found


def _in_disk(radius: float, seed: int, name: str) -> complex:
    """A complex number evenly distributed over a disk."""
    distance = radius * math.sqrt(fraction(seed, f"network {name} size"))
    return cmath.rect(distance, 2 * math.pi * fraction(seed, f"network {name} angle"))
