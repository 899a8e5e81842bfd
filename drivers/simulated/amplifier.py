"""One specimen of a digitally controlled variable gain amplifier, as pure functions of its operating point.

The model is a memoryless power series around the linear output voltage u = a1·x into the load,
y = u + b2·u² + b3·u³ + b5·u⁵, written with b = a/a1ⁿ so that its coefficients follow from the output intercepts.
b3 gives the 3:1 slope of IM3; b5 has the same sign and bends it upwards: the knee. u is limited softly before.

All that makes this specimen differ from another is drawn from ``unit_seed``. Spreads are invented, of the size that
is common for such parts (common practice, no source). Temperatures are those of the die.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

from drivers.simulated.drawing import fraction, normal, within

#: Line → (n, m) in n·f1 + m·f2: what the model answers for.
LINE_ORDERS: dict[str, tuple[int, int]] = {
    "tone_lower": (1, 0),
    "tone_upper": (0, 1),
    "im3_lower": (2, -1),
    "im3_upper": (-1, 2),
    "im2_sum": (1, 1),
    "hd2": (2, 0),
    "hd3": (3, 0),
}

#: Channel, code, mode, load in Ω, frequency in Hz.
_Point = tuple[str, int, str, float, float]

#: Leakage from input to output of a unit that has no supply: of the size of a cold amplifier's feed-through.
ISOLATION_DB = 60.0

#: How sharply the output bends into saturation; high, so that nothing is bent 10 dB below it (0.001 dB).
_LIMITER_ORDER = 8.0


@dataclass(frozen=True, slots=True)
class BiasMode:
    """One supply mode of the part.

    Attributes:
        supply_v: Nominal supply voltage.
        mode_word: Word on the mode pins.
        typical_current_a: Current at the nominal voltage and the reference temperature.
        oip3_dbm: Small-signal OIP3 at high gain into the reference load, at reference frequency and temperature.
    """

    supply_v: float
    mode_word: int
    typical_current_a: float
    oip3_dbm: float


@dataclass(frozen=True, slots=True)
class WeakStep:
    """A faulty gain step: from ``code`` on, ``channel`` is off by ``error_db``, only below ``below_c`` if given."""

    channel: str
    code: int
    error_db: float
    below_c: float | None = None


class Series(NamedTuple):
    """Coefficients a1, a2, a3, a5 of the power series; a2 in 1/V, a3 in 1/V², a5 in 1/V⁴ (times V/V)."""

    a1: float
    a2: float
    a3: float
    a5: float


def series_lines_v(series: Series, lower_v: float, upper_v: float) -> dict[str, float]:
    """Signed peak amplitudes of the lines of y = a1·x + a2·x² + a3·x³ + a5·x⁵ in V.

    x = lower_v·cos(2πf1·t) + upper_v·cos(2πf2·t), peak volts. Closed form from the products of cosines; the terms to
    third order as in Kundert, "Accurate and Rapid Measurement of IP2 and IP3", 2002 (from memory of it, not seen).
    """
    a1, a2, a3, a5 = series
    p, q = lower_v * lower_v, upper_v * upper_v
    return {
        "tone_lower": lower_v * (a1 + a3 * (0.75 * p + 1.5 * q) + a5 * (0.625 * p * p + 3.75 * p * q + 1.875 * q * q)),
        "tone_upper": upper_v * (a1 + a3 * (0.75 * q + 1.5 * p) + a5 * (0.625 * q * q + 3.75 * p * q + 1.875 * p * p)),
        "im3_lower": p * upper_v * (0.75 * a3 + a5 * (1.25 * p + 1.875 * q)),
        "im3_upper": q * lower_v * (0.75 * a3 + a5 * (1.25 * q + 1.875 * p)),
        "im2_sum": a2 * lower_v * upper_v,
        "hd2": 0.5 * a2 * p,
        "hd3": p * lower_v * (0.25 * a3 + a5 * (0.3125 * p + 1.25 * q)),
    }


def peak_v(level_dbm: float, resistance_ohm: float) -> float:
    """Peak voltage of a sine of ``level_dbm`` in ``resistance_ohm``: P = V²/(2R)."""
    return math.sqrt(2e-3 * resistance_ohm * 10 ** (level_dbm / 10))


def level_dbm(voltage_peak_v: float, resistance_ohm: float) -> float:
    """Inverse of ``peak_v``; −inf for no voltage."""
    if voltage_peak_v == 0:
        return -math.inf
    return 10 * math.log10(voltage_peak_v * voltage_peak_v / (2e-3 * resistance_ohm))


@dataclass(frozen=True)
class AmplifierModel:
    """One unit.

    Attributes:
        channels: Names of the amplifiers in the package.
        input_resistance_ohm: Differential input resistance.
        nominal_gain_db: Voltage gain into ``reference_load_ohm`` by gain code.
        reference_load_ohm: Load at which gain and intercepts are stated.
        modes: Supply modes by name.
        unit_seed: Draws everything that is special about this unit.
        output_resistance_ohm: Differential output resistance.
        hd2_dbc: Typical second harmonic at ``hd2_level_dbm`` per tone.
        knee_dbm: Tone level at which the fifth-order term makes IM3 1 dB larger than the 3:1 slope would.
        saturated_output_dbm: Largest power that the output can put into the load.
        thermal_resistance_k_per_w: Die above board, per watt of supply power.
        reference_frequency_hz, reference_die_c: Where typical values hold; 40 °C is a board at 25 °C and 1 W.
        weak_step: What is broken, if anything.
    """

    channels: tuple[str, ...]
    input_resistance_ohm: float
    nominal_gain_db: Mapping[int, float]
    reference_load_ohm: float
    modes: Mapping[str, BiasMode]
    unit_seed: int
    output_resistance_ohm: float = 10.0
    hd2_dbc: float = -72.0
    hd2_level_dbm: float = 3.0
    knee_dbm: float = 9.0
    saturated_output_dbm: float = 20.0
    thermal_resistance_k_per_w: float = 15.0
    reference_frequency_hz: float = 60e6
    reference_die_c: float = 40.0
    weak_step: WeakStep | None = None

    def mode_of_word(self, mode_word: int) -> str | None:
        """Name of the supply mode that the pins ask for; None for a word that the part does not know."""
        return self._mode_of_word.get(mode_word)

    def gain_db(self, channel: str, code: int, die_c: float, mode: str, load_ohm: float, frequency_hz: float) -> float:
        """Small-signal voltage gain in dB into ``load_ohm``. Raises KeyError for an unknown channel, code or mode."""
        key = (channel, code, mode, load_ohm, frequency_hz)
        gain = self._reference_gains_db.get(key)
        if gain is None:
            gain = self._reference_gains_db[key] = self._reference_gain_db(*key)
        gain += self._gain_tempco_db_per_k[channel] * (die_c - self.reference_die_c)
        weak = self.weak_step
        if weak and weak.channel == channel and code >= weak.code and (weak.below_c is None or die_c < weak.below_c):
            gain += weak.error_db
        return gain

    def phase_deg(self, channel: str, code: int) -> float:
        """Phase of a channel at a code in degrees, against the same of a perfect unit."""
        return self._phase_deg[channel, code]

    def oip3_dbm(self, channel: str, code: int, die_c: float, mode: str, load_ohm: float, frequency_hz: float) -> float:
        """Small-signal OIP3 in dBm into ``load_ohm``. Raises KeyError for an unknown channel, code or mode."""
        key = (channel, code, mode, load_ohm, frequency_hz)
        oip3 = self._reference_oip3s_dbm.get(key)
        if oip3 is None:
            oip3 = self._reference_oip3s_dbm[key] = self._reference_oip3_dbm(*key)
        return oip3 - 0.02 * (die_c - self.reference_die_c)

    def oip2_dbm(self, channel: str) -> float:
        """Small-signal OIP2 (sum product) in dBm: HD2 + 6.02 dB is IM2, and OIP2 lies that far above the tone."""
        typical = self.hd2_level_dbm - self.hd2_dbc - 20 * math.log10(2)
        return typical + self._oip2_error_db[channel]

    def lines_v(
        self,
        channel: str,
        code: int,
        die_c: float,
        mode: str,
        load_ohm: float,
        lower: tuple[float, float] | None,
        upper: tuple[float, float] | None,
    ) -> dict[str, complex]:
        """Complex peak voltages across ``load_ohm`` of all lines of ``LINE_ORDERS``.

        ``lower`` and ``upper`` are (level in dBm at the input, frequency in Hz), or None for a tone that is off.
        Lines of tones that are off are 0. A product's phase against the tones is that of this unit at this channel,
        code, mode, load and frequency; the tones' level does not change it.
        """
        u_lower = self._linear_output_v(channel, code, die_c, mode, load_ohm, lower)
        u_upper = self._linear_output_v(channel, code, die_c, mode, load_ohm, upper)
        limit = self._limiter(u_lower, u_upper, load_ohm)
        frequencies = [tone[1] for tone in (lower, upper) if tone is not None]
        if not frequencies:
            return dict.fromkeys(LINE_ORDERS, 0j)
        centre_hz = sum(frequencies) / len(frequencies)
        oip3 = self.oip3_dbm(channel, code, die_c, mode, load_ohm, centre_hz)
        series = self._series(oip3, self.oip2_dbm(channel), load_ohm)
        turns = self._turns((channel, code, mode, load_ohm, centre_hz))
        signed = series_lines_v(series, u_lower * limit, u_upper * limit)
        return {line: turns[line] * amplitude for line, amplitude in signed.items()}

    def is_biased(self, supply_v: float, mode_word: int) -> bool:
        """Whether the unit amplifies: the pins name a mode and the supply is above its turn-on voltage."""
        mode = self.mode_of_word(mode_word)
        return mode is not None and supply_v >= self.turn_on_v(mode)

    def turn_on_v(self, mode: str) -> float:
        """Supply voltage below which the unit starves: 70 % of the mode's nominal."""
        return 0.7 * self.modes[mode].supply_v

    def supply_current_a(self, die_c: float, mode_word: int, supply_v: float) -> float:
        """Current drawn at the unit's terminals in A.

        Rises 0.04 %/K with slight curvature, 3 %/V above nominal, and in proportion to the voltage below turn-on.
        A word on the mode pins that names no mode shuts the unit down to 1 mA.
        """
        if supply_v <= 0:
            return 0.0
        name = self.mode_of_word(mode_word)
        if name is None:
            return 1e-3
        mode = self.modes[name]
        warmer_k = die_c - self.reference_die_c
        current = mode.typical_current_a * self._current_factor
        current *= 1 + self._current_tempco_per_k * warmer_k + 1.5e-6 * warmer_k * warmer_k
        current *= 1 + 0.03 * (supply_v - mode.supply_v)
        return current * min(1.0, supply_v / self.turn_on_v(name))

    def die_c(self, board_c: float, mode_word: int, supply_v: float) -> float:
        """Die temperature in °C that the unit's own heat leads to on a board at ``board_c``.

        Current depends on the die by a few percent only, so each round leaves less than a hundredth of the error
        before: three leave microkelvins.
        """
        die = board_c
        for _ in range(3):
            power_w = supply_v * self.supply_current_a(die, mode_word, supply_v)
            die = board_c + self.thermal_resistance_k_per_w * power_w
        return die

    def _reference_gain_db(self, channel: str, code: int, mode: str, load_ohm: float, frequency_hz: float) -> float:
        """Gain at the reference temperature, without a weak step."""
        gain = self.nominal_gain_db[code] + self._gain_error_db[channel, code] + self._mode_gain_db[mode]
        # Low output resistance: the voltage hardly depends on the load, so the power nearly doubles as it halves.
        ro, reference = self.output_resistance_ohm, self.reference_load_ohm
        gain += 20 * math.log10(load_ohm * (reference + ro) / ((load_ohm + ro) * reference))
        # One pole at 1 GHz, relative to the reference frequency: about 0.1 dB down at 150 MHz (common, no source).
        return gain - 10 * math.log10((1 + (frequency_hz / 1e9) ** 2) / (1 + (self.reference_frequency_hz / 1e9) ** 2))

    def _reference_oip3_dbm(self, channel: str, code: int, mode: str, load_ohm: float, frequency_hz: float) -> float:
        """OIP3 at the reference temperature: falls towards the last code, above the reference frequency, with load."""
        steps = len(self.nominal_gain_db) - 1
        position = self._code_position[code] / steps if steps else 0.0
        octaves_of_load = math.log2(load_ohm / self.reference_load_ohm)
        oip3 = self.modes[mode].oip3_dbm + self._oip3_error_db[channel, code]
        oip3 -= 2.5 * position * position
        # A parabola through −2 dB at half the reference load and −0.5 dB at twice.
        oip3 += octaves_of_load * (0.75 - 1.25 * octaves_of_load)
        return oip3 - 2.0 * max(0.0, math.log2(frequency_hz / self.reference_frequency_hz))

    def _linear_output_v(
        self,
        channel: str,
        code: int,
        die_c: float,
        mode: str,
        load_ohm: float,
        tone: tuple[float, float] | None,
    ) -> float:
        if tone is None:
            return 0.0
        gain = self.gain_db(channel, code, die_c, mode, load_ohm, tone[1])
        return peak_v(tone[0], self.input_resistance_ohm) * 10 ** (gain / 20)

    def _turns(self, point: _Point) -> dict[str, complex]:
        """Unit phasor of each line: the channel's phase for a tone, any for a product."""
        turns = self._known_turns.get(point)
        if turns is None:
            turns = dict.fromkeys(LINE_ORDERS, cmath.exp(1j * math.radians(self._phase_deg[point[0], point[1]])))
            for line in LINE_ORDERS.keys() - {"tone_lower", "tone_upper"}:
                whole_turns = fraction(self.unit_seed, f"phase of {line} at {point}")
                turns[line] = cmath.exp(2j * math.pi * whole_turns)
            self._known_turns[point] = turns
        return turns

    def _limiter(self, u_lower_v: float, u_upper_v: float, load_ohm: float) -> float:
        """Factor on both tones that keeps their joint power below saturation: soft, of order ``_LIMITER_ORDER``."""
        power_w = (u_lower_v * u_lower_v + u_upper_v * u_upper_v) / (2 * load_ohm)
        ratio = power_w / (1e-3 * 10 ** (self.saturated_output_dbm / 10))
        return float((1 + ratio ** (_LIMITER_ORDER / 2)) ** (-1 / _LIMITER_ORDER))

    def _series(self, oip3_dbm: float, oip2_dbm: float, load_ohm: float) -> Series:
        """Series of the output voltage: at the intercept each product would equal the tone.

        IM3: ¾·|b3|·V² = 1 at V(OIP3). IM2: b2·V = 1 at V(OIP2). Knee: fifth against third order of equal tones is
        (25/8·b5·V⁵)/(¾·b3·V³) = 10^(1/20) − 1.
        """
        b2 = 1 / peak_v(oip2_dbm, load_ohm)
        b3 = -4 / (3 * peak_v(oip3_dbm, load_ohm) ** 2)
        b5 = b3 * (10 ** (1 / 20) - 1) * 6 / 25 / peak_v(self.knee_dbm, load_ohm) ** 2
        return Series(1.0, b2, b3, b5)

    @cached_property
    def _reference_gains_db(self) -> dict[_Point, float]:
        """What ``_reference_gain_db`` gave; a sweep comes back to the same points thousands of times."""
        return {}

    @cached_property
    def _known_turns(self) -> dict[_Point, dict[str, complex]]:
        """What ``_turns`` gave."""
        return {}

    @cached_property
    def _reference_oip3s_dbm(self) -> dict[_Point, float]:
        """What ``_reference_oip3_dbm`` gave."""
        return {}

    @cached_property
    def _mode_of_word(self) -> dict[int, str]:
        return {mode.mode_word: name for name, mode in self.modes.items()}

    @cached_property
    def _code_position(self) -> dict[int, int]:
        return {code: index for index, code in enumerate(self.nominal_gain_db)}

    @cached_property
    def _gain_error_db(self) -> dict[tuple[str, int], float]:
        """Unit + channel + slope + code, in dB. The code errors are mostly common to the channels of one die."""
        seed = self.unit_seed
        unit = normal(0.10, seed, "gain", at_most=2)
        unit_slope = normal(0.002, seed, "gain slope", at_most=2)
        errors = {}
        for channel in self.channels:
            offset = unit + normal(0.04, seed, f"gain {channel}", at_most=1.5)
            slope = unit_slope + normal(0.0005, seed, f"gain slope {channel}", at_most=2)
            for code, position in self._code_position.items():
                common = normal(0.025, seed, f"gain code {code}", at_most=2)
                own = normal(0.015, seed, f"gain {channel} code {code}", at_most=2)
                errors[channel, code] = offset + slope * position + common + own
        return errors

    @cached_property
    def _gain_tempco_db_per_k(self) -> dict[str, float]:
        unit = -0.004 + normal(0.0004, self.unit_seed, "gain tempco", at_most=2)
        return {
            channel: unit + normal(0.0001, self.unit_seed, f"gain tempco {channel}", at_most=2)
            for channel in self.channels
        }

    @cached_property
    def _mode_gain_db(self) -> dict[str, float]:
        """A mode with less current has slightly less gain: 0.5 dB for each factor of e in current."""
        reference = max(mode.typical_current_a for mode in self.modes.values())
        return {name: 0.5 * math.log(mode.typical_current_a / reference) for name, mode in self.modes.items()}

    @cached_property
    def _phase_deg(self) -> dict[tuple[str, int], float]:
        seed = self.unit_seed
        return {
            (channel, code): normal(0.5, seed, f"phase {channel}", at_most=2)
            + normal(0.1, seed, f"phase {channel} code {code}", at_most=2)
            for channel in self.channels
            for code in self.nominal_gain_db
        }

    @cached_property
    def _oip3_error_db(self) -> dict[tuple[str, int], float]:
        seed = self.unit_seed
        unit = normal(0.4, seed, "oip3", at_most=2)
        return {
            (channel, code): unit
            + normal(0.2, seed, f"oip3 {channel}", at_most=2)
            + normal(0.2, seed, f"oip3 {channel} code {code}", at_most=2)
            for channel in self.channels
            for code in self.nominal_gain_db
        }

    @cached_property
    def _oip2_error_db(self) -> dict[str, float]:
        return {channel: normal(1.0, self.unit_seed, f"oip2 {channel}", at_most=2) for channel in self.channels}

    @cached_property
    def _current_factor(self) -> float:
        return 1 + normal(0.02, self.unit_seed, "current", at_most=2)

    @cached_property
    def _current_tempco_per_k(self) -> float:
        return 4e-4 + within(5e-5, self.unit_seed, "current tempco")
