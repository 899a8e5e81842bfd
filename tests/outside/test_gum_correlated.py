"""Correlated inputs and sub-budgets of the worked examples of JCGM 100:2008 (GU rows of the README)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from reports.uncertainty import Cause, IntArray, Uncertain, linear, product, ratio, standard
from reports.unit_statistics import mean_and_deviation

FloatArray = NDArray[np.float64]

#: JCGM 100:2008, Table H.2: five simultaneous readings of voltage in V, current in A and phase in rad.
VOLTAGE_V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
CURRENT_A = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
PHASE_RAD = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def _mean_of(readings: FloatArray, instances: IntArray) -> Uncertain:
    """Mean of readings, each reading's deviation one draw: (x − mean)/√(n(n − 1)), so that u is s/√n (4.2.3).

    Quantities that were read together share the draws; their covariance is then that of 5.2.3, equation (17).
    """
    count = len(readings)
    mean, _ = mean_and_deviation(readings)
    contribution = ((readings - mean) / np.sqrt(count * (count - 1)))[None, :]
    cause = Cause(contribution, instances[None, :], kind="A", distribution="normal")
    return Uncertain.of(np.array([mean]), {"readings": cause})


def _correlation(first: Uncertain, second: Uncertain) -> float:
    """From u²(x + y) = u²(x) + u²(y) + 2·r·u(x)·u(y), x and y each scaled to a standard uncertainty of 1."""
    both = first.scaled(1 / first.standard[0]) + second.scaled(1 / second.standard[0])
    return float(both.standard[0] ** 2 / 2 - 1)


@dataclass(frozen=True)
class _Impedance:
    """Voltage, current and phase, and what follows from them; read together or each apart."""

    together: bool = True

    def _read(self, number: int, readings: FloatArray) -> Uncertain:
        return _mean_of(readings, np.arange(5, dtype=np.int64) + (0 if self.together else 5 * number))

    @property
    def voltage(self) -> Uncertain:
        return self._read(0, VOLTAGE_V)

    @property
    def current(self) -> Uncertain:
        return self._read(1, CURRENT_A)

    @property
    def phase(self) -> Uncertain:
        return self._read(2, PHASE_RAD)

    @property
    def magnitude(self) -> Uncertain:
        return ratio(self.voltage, self.current)

    @property
    def resistance(self) -> Uncertain:
        turn = self.phase
        return product(self.magnitude, linear([(-np.sin(turn.value), turn)], value=np.cos(turn.value)))

    @property
    def reactance(self) -> Uncertain:
        turn = self.phase
        return product(self.magnitude, linear([(np.cos(turn.value), turn)], value=np.sin(turn.value)))


def test_means_and_correlations_of_readings_taken_together() -> None:
    """GU-04: 4.9990 V, 19.6610 mA, 1.04446 rad, correlated by −0.3553, 0.8576, −0.6451; JCGM 100:2008, H.2, printed.

    u is s/√5 for each; 0.0032 V, 0.0095 mA, 0.00075 rad in the same table (from memory, not seen).
    """
    read = _Impedance()
    quantities = (read.voltage, read.current, read.phase)

    assert [float(one.value[0]) for one in quantities] == pytest.approx([4.9990, 19.6610e-3, 1.04446], rel=1e-6)
    assert [float(one.standard[0]) for one in quantities] == pytest.approx([0.0032, 0.0095e-3, 0.00075], rel=0.01)
    for one, readings in zip(quantities, (VOLTAGE_V, CURRENT_A, PHASE_RAD), strict=True):
        assert one.standard[0] == pytest.approx(mean_and_deviation(readings)[1] / np.sqrt(5), rel=1e-12)
    assert _correlation(read.voltage, read.current) == pytest.approx(-0.3553, abs=1e-3)
    assert _correlation(read.voltage, read.phase) == pytest.approx(0.8576, abs=1e-3)
    assert _correlation(read.current, read.phase) == pytest.approx(-0.6451, abs=1e-3)


def test_resistance_reactance_and_impedance_with_correlations() -> None:
    """GU-05: R 127.732 ± 0.0711 Ω, X 219.847 ± 0.2956 Ω, Z 254.260 ± 0.2363 Ω; −0.588, −0.485, 0.9925 between them.

    JCGM 100:2008, H.2, equation (16); printed to three digits, the others computed with a library (GTC).
    """
    read = _Impedance()
    results = (read.resistance, read.reactance, read.magnitude)

    assert [float(one.value[0]) for one in results] == pytest.approx([127.732, 219.847, 254.260], abs=1e-3)
    assert [float(one.standard[0]) for one in results] == pytest.approx([0.0711, 0.2956, 0.2363], abs=1e-4)
    assert _correlation(read.resistance, read.reactance) == pytest.approx(-0.588, abs=1e-3)
    assert _correlation(read.resistance, read.magnitude) == pytest.approx(-0.485, abs=1e-3)
    assert _correlation(read.reactance, read.magnitude) == pytest.approx(0.9925, abs=1e-3)


def test_dropping_the_correlations_gives_another_uncertainty() -> None:
    """GU-06: the same readings with draws of their own: u(R) differs by more than 20 %, the values do not."""
    together, apart = _Impedance(), _Impedance(together=False)

    assert apart.resistance.value == pytest.approx(together.resistance.value, rel=1e-12)
    assert abs(_correlation(apart.voltage, apart.phase)) < 1e-12
    assert abs(apart.resistance.standard[0] / together.resistance.standard[0] - 1) > 0.2


def _part(name: str, u: float, dof: float = np.inf) -> Uncertain:
    return Uncertain.of(np.zeros(1), {name: Cause.of(u, rows=1, dof=dof)})


def test_sub_budgets_of_the_end_gauge() -> None:
    """GU-03: the difference of lengths from 5.8 nm (24), 3.9 nm (5), 6.7 nm (8): 9.682 nm with 25.4 degrees of freedom.

    The temperature from 0.2 and 0.35 °C: 0.4031 °C. JCGM 100:2008, H.1.3.2 to H.1.3.4 (6.7 nm with 8, 0.2 and 0.35 °C
    from memory, not seen); printed 9.7 nm and 25.6, from rounded inputs, and 0.41 °C, from 0.5 °C/√2 unrounded.
    """
    length = _part("comparisons", 5.8, 24) + _part("random", 3.9, 5) + _part("systematic", 6.7, 8)
    test_bed = _part("mean of the test bed", 0.2)
    temperature = test_bed + _part("cycles", 0.35)
    unrounded = test_bed + _part("cycles", standard(0.5, "U-shaped"))

    assert length.standard[0] == pytest.approx(9.682, abs=1e-3)
    assert length.dof[0] == pytest.approx(25.6, abs=0.25)
    assert length.dof[0] == pytest.approx(25.4, abs=0.05)
    assert temperature.standard[0] == pytest.approx(0.4031, abs=1e-4)
    assert round(float(unrounded.standard[0]), 2) == 0.41
