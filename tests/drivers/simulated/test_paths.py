"""Mismatch on the simulated paths: within its limits, as declared, a phase for each path and knot."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.paths import PathLossSetup, Paths

#: |Γ1·Γ2| of ratios of 1.5 and 1.2.
PRODUCT = 0.2 / 11

KNOTS_HZ = [knot * 10e6 for knot in range(1, 41)]


def _paths(seed: int, vswr: tuple[float, float] = (1.5, 1.2), uncertainty_db: float = 0.0) -> Paths:
    """An input path of 7 dB and two output paths of 11 dB."""
    output = [PathLossSetup("output", channel, None, lambda _: 11.0, uncertainty_db, vswr) for channel in ("A", "B")]
    return Paths((PathLossSetup("input", None, None, lambda _: 7.0, uncertainty_db, vswr), *output), seed)


def test_mismatch_errors_are_those_of_a_phase_that_may_be_anything() -> None:
    """20·log10|1 ± 0.01818|: +0.1565, −0.1594 dB at most, both nearly met over 8000 knots; in between arcsine."""
    drawn = np.array([_paths(seed).output_db("A", 200.0, hz) - 11.0 for seed in range(200) for hz in KNOTS_HZ])

    assert drawn.max() == pytest.approx(0.1565, abs=5e-4)
    assert drawn.min() == pytest.approx(-0.1594, abs=5e-4)
    assert float(np.mean(drawn)) == pytest.approx(0.0, abs=0.004)
    # Half of an arcsine distribution lies within its half-width over √2.
    assert float(np.mean(np.abs(drawn) < 0.158 / 2**0.5)) == pytest.approx(0.5, abs=0.02)


def test_between_two_knots_the_mismatch_is_on_a_straight_line_in_db() -> None:
    """53 MHz takes 0.7 of the knot at 50 MHz and 0.3 of the one at 60 MHz, as the analyzer's response does."""
    at = {hz: _paths(3).output_db("A", 200.0, hz) - 11.0 for hz in (50e6, 53e6, 60e6)}

    assert at[50e6] != at[60e6]
    assert at[53e6] == pytest.approx(0.7 * at[50e6] + 0.3 * at[60e6], abs=1e-12)


def test_each_path_has_a_phase_of_its_own_and_keeps_it() -> None:
    """Channels and sides differ; loads that share an entry do not; the same seed is the same bench."""
    paths, again = _paths(5), _paths(5)
    errors = [paths.input_db("A", 60e6) - 7, paths.output_db("A", 200.0, 60e6) - 11, paths.output_db("B", 200.0, 60e6)]

    assert len({round(error, 9) for error in errors}) == 3
    assert paths.output_db("A", 200.0, 60e6) == paths.output_db("A", 100.0, 60e6) == again.output_db("A", 50.0, 60e6)


@pytest.mark.parametrize("vswr", [(1.0, 1.0), (1.0, 3.0), (3.0, 1.0)])
def test_an_end_that_reflects_nothing_leaves_the_declared_loss(vswr: tuple[float, float]) -> None:
    """Waves run to and fro only between two reflecting ends."""
    assert _paths(1, vswr).output_db("A", 200.0, 63e6) == 11.0


def test_mismatch_comes_on_top_of_the_certificate() -> None:
    """The error of the loss itself is the same draw with and without reflecting ends."""
    both, certificate, mismatch = _paths(2, uncertainty_db=0.06), _paths(2, (1.0, 1.0), 0.06), _paths(2)

    assert both.input_db("A", 47e6) - 7.0 == pytest.approx(
        certificate.input_db("A", 47e6) - 7.0 + mismatch.input_db("A", 47e6) - 7.0, abs=1e-12
    )
