"""Closed-form uncertainties of whole chains against propagation of distributions (JCGM 101:2008), and against the
uncertainties library with one variable for each error of the bench.

The chain from the readings to five characteristics is written out here once more, from the definitions and the numbers
that the bench file declares; it is fed with samples, and with correlated variables. Standard uncertainties are
compared: where one rectangular error rules, 95.45 % lie within less than 2·u, and U = 2·u is on the safe side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from uncertainties import std_dev, ufloat, umath

from reports.derive import derive
from reports.frames import RunFrames
from reports.wide_readings import WideReadings, wide_readings

MakeNight = Callable[..., tuple[RunFrames, object]]
FloatArray = NDArray[np.float64]

#: They leave a standard deviation known to 0.16 %: 1/√(2·M).
TRIALS = 200_000

#: Between closed form and samples; what the higher orders of the logarithms and the resistance may add.
WITHIN = 0.05

KNOT_HZ = 10e6


@dataclass
class Samples:
    """Each error as a column of samples, drawn once by its name."""

    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))
    drawn: dict[str, FloatArray] = field(default_factory=dict)

    def rectangular(self, name: str, half_width: float) -> Any:
        return self._one(name, lambda: self.rng.uniform(-half_width, half_width, TRIALS))

    def normal(self, name: str, deviation: float) -> Any:
        return self._one(name, lambda: self.rng.normal(0.0, deviation, TRIALS))

    def phase_db(self, name: str, ratio: float) -> Any:
        """Error of a line on which another of that voltage ratio rides with unknown phase."""
        turn = self._one(name, lambda: self.rng.uniform(0.0, 2 * np.pi, TRIALS))
        return 20 * np.log10(np.abs(1 + ratio * np.exp(1j * turn)))

    def _one(self, name: str, draw: Callable[[], FloatArray]) -> FloatArray:
        if name not in self.drawn:
            self.drawn[name] = draw()
        return self.drawn[name]

    @staticmethod
    def log10(value: Any) -> Any:
        return np.log10(value)

    @staticmethod
    def deviation(value: Any) -> float:
        return float(np.std(value))


@dataclass
class Variables:
    """Each error as one variable of the uncertainties library."""

    drawn: dict[str, Any] = field(default_factory=dict)

    def rectangular(self, name: str, half_width: float) -> Any:
        return self.normal(name, half_width / 3**0.5)

    def normal(self, name: str, deviation: float) -> Any:
        return self.drawn.setdefault(name, ufloat(0.0, deviation))

    def phase_db(self, name: str, ratio: float) -> Any:
        """A sine of unknown phase to first order: half-width / √2."""
        return self.normal(name, 20 / np.log(10) * ratio / 2**0.5)

    @staticmethod
    def log10(value: Any) -> Any:
        return umath.log10(value)

    @staticmethod
    def deviation(value: Any) -> float:
        return float(std_dev(value))


@dataclass
class Chain:
    """From readings to characteristics, with errors as ``draws`` makes them."""

    frames: RunFrames
    wide: WideReadings
    draws: Any

    def _of(self, quantity: str, row: int) -> float:
        return float(self.wide.mean[quantity][row])

    def _where(self, row: int) -> tuple[str, float]:
        condition = self.frames.conditions.iloc[row]
        return str(condition["channel"]), float(condition["load_ohm"])

    def output(self, line: str, row: int, frequency_hz: float) -> Any:
        """Level of a line in the load, dBm."""
        draws, reading, attenuation = (
            self.draws,
            self._of(f"{line}_level_dbm", row),
            self._of(f"{line}_attenuation_db", row),
        )
        place = frequency_hz / KNOT_HZ
        below, weight = int(place), place - int(place)
        response = [draws.rectangular(f"response {below + side}", 0.12) for side in (0, 1)]
        found = reading + draws.rectangular("level", 0.25) + draws.rectangular("scale", 0.03) * (reading + 20) / 10
        found = found + (1 - weight) * response[0] + weight * response[1]
        found = found + draws.rectangular(f"attenuator {attenuation}", 0.08)
        found = found + draws.normal(f"noise {line} {row}", self._of(f"{line}_scatter_db", row))
        floor = -155 + attenuation + 10 * np.log10(self._of(f"{line}_bandwidth_hz", row))
        over = found - floor - draws.rectangular("density", 1.0)
        found = found + 10 * draws.log10(1 - 10 ** (-over / 10))
        if not line.startswith("tone"):
            tones = [self._of(f"{tone}_level_dbm", row) for tone in ("tone_lower", "tone_upper")]
            own = 2 * tones[0] + tones[1] - 2 * (26 + attenuation)
            found = found + draws.phase_db(f"phase {line} {row}", 10 ** ((own - reading) / 20))
        channel, load_ohm = self._where(row)
        return (
            found + np.interp(frequency_hz, (1e7, 5e8), (11.0, 11.6)) + draws.normal(f"out {channel} {load_ohm}", 0.03)
        )

    def input(self, number: int, row: int, frequency_hz: float) -> Any:
        """Level of a tone at the unit's input, dBm."""
        setting = self._of(f"source_{number}_level_dbm", row)
        emitted = setting + self.draws.rectangular(f"source {number}", 0.25)
        emitted = emitted + self.draws.rectangular(f"setting {number} {setting:.2f}", 0.04)
        channel = self._where(row)[0]
        return emitted - np.interp(frequency_hz, (1e7, 5e8), (7.0, 7.5)) - self.draws.normal(f"in {channel}", 0.03)

    def oip3_lower(self, row: int) -> Any:
        tones = self.output("tone_lower", row, 59.5e6), self.output("tone_upper", row, 60.5e6)
        return tones[0] + tones[1] / 2 - self.output("im3_lower", row, 58.5e6) / 2

    def gain(self, row: int) -> Any:
        out = self.output("tone_lower", row, 59.5e6) + self.output("tone_upper", row, 60.5e6)
        into = self.input(1, row, 59.5e6) + self.input(2, row, 60.5e6)
        return (out - into) / 2 + 10 * np.log10(self._where(row)[1] / 200)

    def current(self, row: int) -> Any:
        reading = self._of("supply_current_a", row)
        return reading * (1 + self.draws.rectangular("meter gain", 5e-4)) + self.draws.rectangular("meter offset", 2e-5)

    def output_resistance(self, row: int, other: int) -> Any:
        """Ro of the two gains at loads R1 and R2: 10^((G1 − G2)/20) = R1·(R2 + Ro) / (R2·(R1 + Ro))."""
        first, second = self._where(row)[1], self._where(other)[1]
        ratio = 10 ** ((self.gain(row) - self.gain(other)) / 20) * second / first
        return (second - ratio * first) / (ratio - 1)


@pytest.mark.parametrize("draws", [Samples, Variables])
def test_five_uncertainties_agree_with_an_independent_propagation(
    make_night: MakeNight, draws: type[Samples] | type[Variables]
) -> None:
    """OIP3, gain, step error, supply-current drift, output resistance at channel A: within 5 % of 200,000 samples, and
    of first-order propagation with shared variables.
    """
    frames, _ = make_night(3, load_ohm=(50.0, 200.0), gain_code=(0, 1), temperature_c=(25.0, 85.0))
    wide = wide_readings(frames.conditions.index, frames.readings)
    chain = Chain(frames, wide, draws())
    conditions = frames.conditions.reset_index(drop=True)

    def row(code: int, temperature_c: float, load_ohm: float) -> int:
        is_it = (conditions["channel"] == "A") & (conditions["gain_code"] == code)
        is_it &= (conditions["temperature_c"] == temperature_c) & (conditions["load_ohm"] == load_ohm)
        return int(np.flatnonzero(is_it)[0])

    hot, cold, low, next_code = row(0, 85.0, 200.0), row(0, 25.0, 200.0), row(0, 25.0, 50.0), row(1, 25.0, 200.0)
    expected = {
        ("oip3_lower", cold): chain.oip3_lower(cold),
        ("gain", cold): chain.gain(cold),
        ("gain_step_error", next_code): chain.gain(cold) - chain.gain(next_code) - 0.75,
        ("supply_current_drift", hot): 100 * (chain.current(hot) / chain.current(cold) - 1),
        ("output_resistance", cold): chain.output_resistance(low, cold),
    }
    derived = derive(frames)

    for (word, at), value in expected.items():
        one = derived[word]
        standard = float(one.result.standard[np.flatnonzero(one.rows == at)[0]])
        assert standard == pytest.approx(chain.draws.deviation(value), rel=WITHIN), word
