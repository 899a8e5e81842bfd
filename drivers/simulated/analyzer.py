"""The inside of the simulated spectrum analyzer: what it makes of the lines at its connector.

A reading is the true level plus a chain of errors, each drawn once per bench, plus noise, plus the analyzer's own
second- and third-order products. Their phase against the tones is one draw per bench and line; the unit's products have
their own, so nobody knows how the two add.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from drivers.simulated.drawing import between_knots, fraction, seed_of, within
from drivers.simulated.rig_setup import AnalyzerSetup

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: Samples of a bandwidth-limited power are independent when they are this many reciprocal bandwidths apart.
SAMPLE_SPACING = 1.5

#: Preamplifier: noise goes down, and intercepts more (ours, of the usual size).
_PREAMPLIFIER_NOISE_DB = 10.0
_PREAMPLIFIER_INTERCEPT_DB = 20.0

#: The mixer is overloaded this far below its third-order intercept: about 5 dB under its 1 dB compression, which for a
#: cubic lies 9.6 dB below the input intercept (10 dB is the usual rule).
_OVERLOAD_BELOW_INTERCEPT_DB = 15.0

#: Bandwidths beyond which the filter lets nothing through: a Gaussian is more than 700 dB down there.
FILTER_REACH = 8


@dataclass(frozen=True, slots=True)
class SweepState:
    """How the analyzer looks. ``span_hz`` 0 is zero span: all points at ``centre_hz``."""

    centre_hz: float
    span_hz: float
    bandwidth_hz: float
    attenuation_db: float
    points: int
    preamplifier: bool


class Line(NamedTuple):
    """One spectral line at the connector: complex peak amplitude in √W, so that |amplitude|² is its power in W."""

    frequency_hz: float
    amplitude: complex


class AnalyzerModel:
    """One analyzer with its drawn errors and its own noise generator."""

    def __init__(self, setup: AnalyzerSetup, seed: int) -> None:
        import numpy as np

        self._setup = setup
        self._seed = seed
        self._chance = np.random.default_rng(seed_of("analyzer noise", seed))
        self.level_error_db = within(setup.level_db, seed, "analyzer level")
        self.scale_error_db_per_10db = within(setup.scale_db_per_10db, seed, "analyzer scale")
        self.noise_error_db = within(setup.noise_db, seed, "analyzer noise level")
        self._responses_db: dict[float, float] = {}
        self._attenuators_db: dict[float, float] = {}
        names = ("im3_lower", "im3_upper", "im2_sum", "hd2", "hd3")
        self._own_turn = {name: cmath.exp(2j * math.pi * fraction(seed, f"analyzer phase {name}")) for name in names}

    def response_db(self, frequency_hz: float) -> float:
        """Error of the frequency response: straight lines between knots at multiples of 10 MHz."""
        known = self._responses_db.get(frequency_hz)
        if known is None:
            known = self._responses_db[frequency_hz] = between_knots(
                frequency_hz, lambda knot: within(self._setup.flatness_db, self._seed, f"analyzer response {knot}")
            )
        return known

    def attenuator_db(self, attenuation_db: float) -> float:
        """Error of one attenuator setting."""
        known = self._attenuators_db.get(attenuation_db)
        if known is None:
            name = f"analyzer attenuator {attenuation_db:g}"
            known = self._attenuators_db[attenuation_db] = within(self._setup.attenuator_db, self._seed, name)
        return known

    def own_product_w(self, line: str, tones_dbm: tuple[float, float], state: SweepState) -> complex:
        """The analyzer's own product on a line in √W, turned by its phase; 0 for a tone's line.

        ``tones_dbm`` are the levels of lower and upper tone at the connector, −inf for a tone that is off.
        IM3: 2·Pa + Pb − 2·(IP3 + att). IM2: Pa + Pb − (IP2 + att). HD2 and HD3 lie 6.02 and 9.54 dB below those of
        two tones of that level (closed form of a power series).
        """
        turn = self._own_turn.get(line)
        if turn is None:
            return 0j
        shift = state.attenuation_db - (_PREAMPLIFIER_INTERCEPT_DB if state.preamplifier else 0.0)
        ip2, ip3 = self._setup.intercept2_dbm + shift, self._setup.intercept3_dbm + shift
        lower, upper = tones_dbm
        if line == "im3_lower":
            level = 2 * lower + upper - 2 * ip3
        elif line == "im3_upper":
            level = 2 * upper + lower - 2 * ip3
        elif line == "im2_sum":
            level = lower + upper - ip2
        elif line == "hd2":
            level = 2 * lower - ip2 - 20 * math.log10(2)
        else:
            level = 3 * lower - 2 * ip3 - 20 * math.log10(3)
        return turn * 10 ** ((level - 30) / 20)

    def add_own_products(
        self, lines: Mapping[str, Line], tones_dbm: tuple[float, float], state: SweepState
    ) -> list[Line]:
        """Lines as the detector meets them: each product plus the analyzer's own."""
        return [
            Line(line.frequency_hz, line.amplitude + self.own_product_w(name, tones_dbm, state))
            for name, line in lines.items()
        ]

    def is_overloaded(self, total_dbm: float, state: SweepState) -> bool:
        """Whether the mixer is driven too hard to be believed."""
        preamplifier_db = _PREAMPLIFIER_INTERCEPT_DB if state.preamplifier else 0.0
        at_mixer_dbm = total_dbm - state.attenuation_db + preamplifier_db
        return at_mixer_dbm > self._setup.intercept3_dbm - _OVERLOAD_BELOW_INTERCEPT_DB

    def sweep_dbm(self, lines: list[Line], state: SweepState, excess_w_per_hz: float = 0.0) -> NDArray[np.float64]:
        """One sweep as power samples in dBm, shape (points,); each is |line + complex Gaussian noise|².

        ``excess_w_per_hz`` is the noise that comes in beyond that of a resistor at room temperature.
        """
        import numpy as np

        points = state.points
        shift = state.attenuation_db - (_PREAMPLIFIER_NOISE_DB if state.preamplifier else 0.0)
        own_w_per_hz = 10 ** ((self._setup.noise_dbm_per_hz + self.noise_error_db + shift - 30) / 10)
        noise_w = (own_w_per_hz + excess_w_per_hz) * state.bandwidth_hz
        parts = self._chance.standard_normal((2, points)) * math.sqrt(noise_w / 2)
        error_db: float | NDArray[np.float64]
        if state.span_hz == 0:
            parts[0] += math.sqrt(_selected_w(lines, state.centre_hz, state.bandwidth_hz))
            error_db = self.response_db(state.centre_hz)
        else:
            frequencies = state.centre_hz + state.span_hz * np.linspace(-0.5, 0.5, points)
            parts[0] += [math.sqrt(_selected_w(lines, f, state.bandwidth_hz)) for f in frequencies]
            error_db = np.array([self.response_db(float(f)) for f in frequencies])
        true_dbm = 10 * np.log10(parts[0] * parts[0] + parts[1] * parts[1]) + 30
        error_db += self.level_error_db + self.attenuator_db(state.attenuation_db)
        scale = self.scale_error_db_per_10db / 10
        samples: NDArray[np.float64] = true_dbm * (1 + scale) + (20 * scale + error_db)
        return samples


def sweep_s(state: SweepState) -> float:
    """Shortest time of a sweep whose samples are independent."""
    return state.points * SAMPLE_SPACING / state.bandwidth_hz


def _selected_w(lines: list[Line], frequency_hz: float, bandwidth_hz: float) -> float:
    """Power of all lines through a Gaussian filter, 3 dB down at half its bandwidth.

    Lines at different frequencies within the filter add in power, as they do in the mean over their beat.
    """
    total = 0.0
    for line_hz, amplitude in lines:
        offset = (line_hz - frequency_hz) / bandwidth_hz
        if abs(offset) < FILTER_REACH:
            total += abs(amplitude) ** 2 * 0.5 ** (4 * offset * offset)
    return total
