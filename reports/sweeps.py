"""From the network analyzer's curves to the unit's gain in dB and phase in degrees, with the causes of their errors.

Rule: every error of the network analyzer and of its two-ports enters here, once, under its cause. The model of a sweep
is that of the bench file: S21 read = S21 · 10^(e/20) · exp(jφ) · (1 + M1·S11 + M2·S22) + noise, S11 read = S11 + D1 +
M1·S11² + noise, S22 alike; what S11 and S22 do to the gain is what they do in taking the two-ports off.

Instances, that is, which draws are shared:

    network analyzer magnitude, phase,
    their linearity                     one for the bench
    their tracking                      one for each knot, 10 MHz apart; a line between two knots takes from both
    network analyzer match, directivity real and imaginary part at each port, one for the bench; gain and phase share
                                        them
    input and output two-port,
    their phase                         one for each entry of the bench file
    noise in the sweep,
    scatter of repeated sweeps          one for each frequency of each sweep; apart for gain and phase
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reports.curves import Curves, de_embedded, serving, unwrapped
from reports.errors import CannotDerive
from reports.two_ports import ComplexArray
from reports.uncertainty import Cause, Naming, Uncertain, linear, standard

if TYPE_CHECKING:
    from reports.frames import RunFrames
    from reports.partners import Grid
    from reports.wide_readings import WideReadings
    from sequences.bench_file import NetworkAnalyzerEntry
    from sequences.de_embedding import DeEmbedding

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Distance of the knots of the tracking errors, Hz; what the bench file's ``tracking`` accuracies are declared for.
KNOT_HZ = 10e6

#: Change of a gain in dB, and of a phase in degrees, for a change of its logarithm by 1, and by j.
DB_PER_NEPER = 20.0 / np.log(10.0)
DEG_PER_RADIAN = 180.0 / np.pi

#: Draws of a residual: an unknown complex number at each port.
_RESIDUALS = ("real part, port 1", "imaginary part, port 1", "real part, port 2", "imaginary part, port 2")


@dataclass(frozen=True, eq=False)
class Sweeps:
    """Gain and phase of the unit from the sweeps, and how wrong they may be.

    Attributes:
        curves: As read.
        of_row: Which sweep serves each condition, shape (conditions,); −1 for none.
        gain_db, phase_deg: De-embedded, shape (c, f); phases unwrapped over frequency, and within a half turn of
            each other at the lowest.
        to_reflection: Change of the gain's logarithm per change of S11 and of S22 as read, shape (2, c, f).
    """

    curves: Curves
    of_row: NDArray[np.intp]
    gain_db: FloatArray
    phase_deg: FloatArray
    to_reflection: ComplexArray
    _entry: NetworkAnalyzerEntry
    _de_embedding: DeEmbedding
    _entries: IntArray
    _noise: FloatArray
    _names: Naming

    @classmethod
    def of(cls, frames: RunFrames, wide: WideReadings, grid: Grid) -> Sweeps:
        """From a run that has curves.

        Raises:
            CannotDerive: The bench has no network analyzer.
            ShapeFault: The curves contradict themselves.
            NotServed, NotCovered: From the two-ports.
        """
        entry = frames.bench.instrument.network_analyzer
        if entry is None:
            raise CannotDerive("small_signal_gain", "the bench has no network analyzer")
        curves = Curves.of(frames)
        gain, to_reflection, entries = de_embedded(frames, curves, entry.reference_ohm)
        power_dbm = wide.of("small_signal_power_dbm")[curves.rows]
        noise_dbm = entry.noise_dbm_per_hz + 10 * np.log10(wide.of("small_signal_bandwidth_hz")[curves.rows])
        # Of each part, real and imaginary: half the noise power each.
        noise = np.sqrt(10 ** ((noise_dbm - power_dbm) / 10) / 2 / curves.repeats)
        numbers = frames.conditions.index.to_numpy()[curves.rows]
        points = len(curves.frequency_hz)

        def name(number: int) -> str:
            sweep, point = divmod(number, points)
            return f"{curves.frequency_hz[point] / 1e6:g} MHz of the sweep at condition {numbers[sweep]}"

        return cls(
            curves,
            serving(grid, curves.rows),
            20 * np.log10(np.abs(gain)),
            np.degrees(unwrapped(gain)),
            to_reflection,
            entry,
            frames.de_embedding,
            entries,
            noise,
            name,
        )

    def at(self, frequency_hz: FloatArray) -> tuple[Uncertain, Uncertain]:
        """Gain in dB and phase in degrees of each condition at a frequency of its own, shape (conditions,).

        Between two points of the sweep both are linear in frequency. NaN where there is no sweep, or beyond its ends.
        """
        known = self.curves.frequency_hz
        inside = (frequency_hz >= known[0]) & (frequency_hz <= known[-1])
        above = np.clip(np.searchsorted(known, frequency_hz), 1, len(known) - 1)
        share = (frequency_hz - known[above - 1]) / (known[above] - known[above - 1])
        ends = (self.at_points(above - 1), self.at_points(above))
        found = []
        for lower, upper in zip(*ends, strict=True):
            between = linear([(1.0 - share, lower), (share, upper)])
            found.append(Uncertain(np.where(inside, between.value, np.nan), between.causes, between.bound))
        return found[0], found[1]

    def at_points(self, point: NDArray[np.intp]) -> tuple[Uncertain, Uncertain]:
        """As ``at``, at points of the sweep: their numbers, shape (conditions,)."""
        sweep = np.maximum(self.of_row, 0)
        missing = self.of_row < 0
        gain = np.where(missing, np.nan, self.gain_db[sweep, point])
        phase = np.where(missing, np.nan, self.phase_deg[sweep, point])
        return Uncertain.of(gain, self._gain_causes(sweep, point)), Uncertain.of(
            phase, self._phase_causes(sweep, point)
        )

    def _gain_causes(self, sweep: NDArray[np.intp], point: NDArray[np.intp]) -> dict[str, Cause]:
        accuracy = self._entry.accuracy
        widths = (accuracy.magnitude_db, accuracy.tracking_db, accuracy.linearity_db_per_10db)
        certified = np.array([entry.magnitude_uncertainty_db for entry in self._de_embedding.entries])
        return {
            **self._transmission(sweep, point, "magnitude", "dB", widths),
            **self._two_ports(sweep, certified, "", "dB"),
            **self._random(sweep, point, 0, DB_PER_NEPER, "gain", "dB"),
            **self._reflections(sweep, point, DB_PER_NEPER, turned=False),
        }

    def _phase_causes(self, sweep: NDArray[np.intp], point: NDArray[np.intp]) -> dict[str, Cause]:
        accuracy = self._entry.accuracy
        widths = (accuracy.phase_deg, accuracy.phase_tracking_deg, accuracy.linearity_deg_per_10db)
        certified = np.array([entry.phase_uncertainty_deg for entry in self._de_embedding.entries])
        return {
            **self._transmission(sweep, point, "phase", "°", widths),
            **self._two_ports(sweep, certified, " phase", "°"),
            **self._random(sweep, point, 1, DEG_PER_RADIAN, "phase", "°"),
            **self._reflections(sweep, point, DEG_PER_RADIAN, turned=True),
        }

    def _transmission(
        self, sweep: NDArray[np.intp], point: NDArray[np.intp], what: str, unit: str, widths: tuple[float, float, float]
    ) -> dict[str, Cause]:
        """What makes S21 wrong whatever the unit is: a constant, a ripple over frequency, a slope with its level."""
        constant, knot, slope = (standard(width, "rectangular") for width in widths)
        rows = len(sweep)
        level_db = 20 * np.log10(np.abs(self.curves.s[sweep, point, 1, 0]))
        position = self.curves.frequency_hz[point] / KNOT_HZ
        below = np.floor(position)
        weight = position - below
        name = f"network analyzer {what}"
        return {
            name: Cause.of(
                constant, rows=rows, standard=constant, unit=unit, name_of=lambda _: f"network analyzer: {what}"
            ),
            f"{name} tracking": Cause(
                np.stack([(1.0 - weight) * knot, weight * knot], axis=1),
                np.stack([below, below + 1.0], axis=1).astype(np.int64),
                standard=knot,
                unit=unit,
                name_of=lambda number: f"network analyzer: {what} tracking at {number * KNOT_HZ / 1e6:g} MHz",
            ),
            f"{name} linearity": Cause.of(
                slope * level_db / 10.0,
                rows=rows,
                standard=slope,
                unit=f"{unit}/10 dB",
                name_of=lambda _: f"network analyzer: {what} linearity, 10 dB from 0 dB",
            ),
        }

    def _two_ports(self, sweep: NDArray[np.intp], certified: FloatArray, what: str, unit: str) -> dict[str, Cause]:
        causes = {}
        for place, path in enumerate(("input", "output")):
            number = self._entries[place][sweep]
            known = certified[number] / 2
            causes[f"{path} two-port{what}"] = Cause.of(
                known,
                number,
                rows=len(sweep),
                distribution="normal, k = 2",
                standard=known,
                unit=unit,
                name_of=lambda which, path=path: f"de_embedding no. {which + 1}, {path}: {what.strip() or 'magnitude'}",  # type: ignore[misc]  # the default binds this turn's path
            )
        return causes

    def _random(
        self, sweep: NDArray[np.intp], point: NDArray[np.intp], part: int, factor: float, what: str, unit: str
    ) -> dict[str, Cause]:
        """Receiver noise as declared, of S21 and through S11 and S22; and what repeats show beyond it."""
        through = np.abs(self.to_reflection[:, sweep, point]) ** 2
        relative = np.sqrt(1 / np.abs(self.curves.s[sweep, point, 1, 0]) ** 2 + through.sum(axis=0))
        noise = factor * self._noise[sweep] * relative
        number = (sweep * len(self.curves.frequency_hz) + point).astype(np.int64)
        name = self._names
        causes = {
            f"noise in the sweep of {what}": Cause.of(
                noise,
                number,
                rows=len(sweep),
                distribution="normal",
                standard=noise,
                unit=unit,
                name_of=lambda which: f"network analyzer: noise, {what} at {name(which)}",
            )
        }
        between, dof = self._between_repeats(part)
        if between > 0:
            repeated = factor * between / np.sqrt(self.curves.repeats[sweep])
            causes[f"scatter of repeated sweeps of {what}"] = Cause.of(
                repeated,
                number,
                rows=len(sweep),
                kind="A",
                distribution="normal",
                dof=np.full(len(sweep), dof),
                standard=repeated,
                unit=unit,
                name_of=lambda which: f"scatter of the repeats, {what} at {name(which)}",
            )
        return causes

    def _between_repeats(self, part: int) -> tuple[float, float]:
        """Standard deviation of one repeat beyond the declared noise, relative, pooled over the run; and its dof."""
        weight = np.maximum(self.curves.repeats - 1, 0.0)[:, None] * np.ones_like(self.gain_db)
        dof = float(weight.sum())
        if dof == 0:
            return 0.0, np.inf
        single = self._noise * np.sqrt(self.curves.repeats)
        expected = (single[:, None] / np.abs(self.curves.s[:, :, 1, 0])) ** 2
        excess = float((weight * (self.curves.spread[part] ** 2 - expected)).sum()) / dof
        return float(np.sqrt(max(excess, 0.0))), dof

    def _reflections(
        self, sweep: NDArray[np.intp], point: NDArray[np.intp], factor: float, *, turned: bool
    ) -> dict[str, Cause]:
        """What calibration leaves of match and directivity, evenly spread over a disk: half its radius for each part.

        Second moment of a part over a disk of radius r: r²/4 (integral of x² over it, divided by its area).
        """
        known = 10 ** (self._entry.residual_db / 20) / 2
        causes = {}
        for name, first_order in (("match", True), ("directivity", False)):
            slots = []
            for port in (0, 1):
                reflection = self.curves.s[sweep, point, port, port]
                through = self.to_reflection[port][sweep, point]
                coefficient = reflection + through * reflection**2 if first_order else through
                # Real and imaginary part of coefficient · (x + jy), for x and for y.
                slots += [coefficient.imag, coefficient.real] if turned else [coefficient.real, -coefficient.imag]
            causes[f"network analyzer {name}"] = Cause(
                factor * known * np.stack(slots, axis=1),
                np.broadcast_to(np.arange(4, dtype=np.int64), (len(sweep), 4)),
                distribution="disk",
                standard=known,
                unit="1",
                name_of=lambda which, name=name: f"network analyzer: residual {name}, {_RESIDUALS[which]}",  # type: ignore[misc]  # the default binds this turn's name
            )
        return causes
