"""The characteristics that can be derived: word, unit, title, definition and where the definition comes from.

Rule: this table is the only list of them. A limit may name any of these words and no other.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Definition:
    """What one characteristic is.

    Attributes:
        unit: Unit of every value in the tables.
        title: Name for people.
        formula: One-line definition.
        source: Where the definition was published, or that it is common practice.
        assumptions: What must hold for the figure to mean what its title says; empty if nothing beyond the formula.
    """

    unit: str
    title: str
    formula: str
    source: str
    assumptions: str = ""


_INTERCEPT = "K. Kundert, Accurate and Rapid Measurement of IP2 and IP3, 2002 (from memory, not seen)"
_PRACTICE = "common practice, no source"
_STEPS = "common practice of makers of digitally controlled amplifiers, no single source"
_FRIIS = "H. T. Friis, Noise Figures of Radio Receivers, Proc. IRE 32, 1944 (from memory, not seen)"
_Y_FACTOR = "Y-factor method, as vendors' application notes on noise figure give it (from memory, not seen)"
_BOX = "box method, as data sheets of voltage references define their temperature coefficient"

CHARACTERISTICS: dict[str, Definition] = {
    "oip3": Definition(
        "dBm",
        "Output third-order intercept",
        "the smaller of the intercepts from the lower and the upper third-order product",
        _INTERCEPT,
    ),
    "oip3_lower": Definition(
        "dBm", "OIP3 from the lower product", "(2·P1 + P2 − P(2f1−f2)) / 2, levels in the load per tone", _INTERCEPT
    ),
    "oip3_upper": Definition(
        "dBm", "OIP3 from the upper product", "(P1 + 2·P2 − P(2f2−f1)) / 2, levels in the load per tone", _INTERCEPT
    ),
    "im3": Definition(
        "dBc",
        "Third-order product",
        "the larger of P(2f1−f2) − P1 and P(2f2−f1) − P2, levels in the load",
        _PRACTICE,
    ),
    "im3_slope": Definition(
        "",
        "Slope of the third-order product",
        "rise of the products per rise of the tones, in dB per dB, from one measured tone level to the next; means in "
        "dB of both products and of both tones; stated at the upper level",
        _INTERCEPT,
        "3 where the third order rules; levels are those measured in the load, not settings",
    ),
    "im3_departure_level": Definition(
        "dBm",
        "Tone level where the products leave 3:1",
        "tone level at which the slope of the products over 2.5 dB or the next wider step is off 3 by more than 0.2 "
        "and by more than its own U; between two levels interpolated over power; stated at the lowest level",
        _PRACTICE,
        "a fifth-order term bends the slope, so that the deviation grows with power; the slope between two levels "
        "stands for that at their middle",
    ),
    "im3_knee_level": Definition(
        "dBm",
        "Tone level at the knee",
        "tone level at which the products are 1 dB above their 3:1 extrapolation from the lowest level (from the "
        "lowest two, where there are four); between two levels interpolated over power; stated at the lowest level",
        _PRACTICE,
        "the lowest levels lie well below the knee: what they are above the third order themselves is missed",
    ),
    "oip2": Definition(
        "dBm", "Output second-order intercept", "P1 + P2 − P(f1+f2), levels in the load per tone", _INTERCEPT
    ),
    "hd2": Definition(
        "dBc", "Second harmonic", "level at 2·f1 less level at f1, in the load, both tones present", _PRACTICE
    ),
    "hd3": Definition(
        "dBc", "Third harmonic", "level at 3·f1 less level at f1, in the load, both tones present", _PRACTICE
    ),
    "gain": Definition(
        "dB",
        "Voltage gain",
        "output level − input level + 10·log10(R_load / R_in), mean of both tones",
        "P = V²/R; the mean of both tones is common practice, no source",
    ),
    "gain_step_error": Definition(
        "dB",
        "Gain step error",
        "(gain of the next higher step − gain) − the nominal difference, at the code where the step ends",
        _STEPS,
    ),
    "cumulative_gain_error": Definition(
        "dB",
        "Cumulative gain error",
        "(gain at the code of highest gain − gain) − the nominal difference; the running sum of the step errors",
        _STEPS,
    ),
    "gain_step": Definition(
        "dB",
        "Gain step",
        "gain of the next higher step − gain, at the code where the step ends; above 0 the gain is monotonic",
        _STEPS,
    ),
    "gain_monotonicity": Definition(
        "dB",
        "Smallest gain step",
        "smallest of the gain steps over all codes, all else equal; stated at the last code. The gain is monotonic "
        "where it is above 0",
        _STEPS,
    ),
    "gain_range": Definition(
        "dB",
        "Gain range",
        "gain at the code of highest nominal gain − gain at the code of lowest, all else equal; stated at the latter",
        _STEPS,
    ),
    "gain_end_point_error": Definition(
        "dB",
        "Gain error from the end-point line",
        "gain − the straight line through the gains at the highest and the lowest code, over nominal gain",
        "IEEE Std 1241, integral nonlinearity in its end-point form (from memory, not seen), for gains",
    ),
    "gain_best_fit_error": Definition(
        "dB",
        "Gain error from the best-fit line",
        "gain − the least-squares straight line over nominal gain through every measured code, all else equal",
        "IEEE Std 1241, integral nonlinearity in its best-fit form (from memory, not seen), for gains",
        "depends on which codes were measured; it is not the cumulative error",
    ),
    "gain_flatness": Definition(
        "dB",
        "Gain flatness over frequency",
        "highest − lowest gain over the frequencies, all else equal; stated at the lowest frequency",
        _PRACTICE,
        "only the frequencies that were measured count; noise makes it larger, never smaller",
    ),
    "gain_tempco": Definition(
        "dB/K",
        "Gain temperature coefficient",
        "least-squares slope of gain over temperature, all else equal; stated at the temperature nearest the reference",
        _PRACTICE,
        "one straight line stands for all temperatures",
    ),
    "level_load_change": Definition(
        "dB",
        "Output level against load",
        "level in the load − level into the reference load, at the same level at the input",
        "P = V²/R",
    ),
    "oip3_load_change": Definition(
        "dB", "OIP3 against load", "OIP3 − OIP3 into the reference load, all else equal", _PRACTICE
    ),
    "output_resistance": Definition(
        "Ω",
        "Output resistance",
        "Ro of gain = A + 20·log10(R / (R + Ro)), fitted to the gains into all loads R with the inverse of their "
        "covariance as weights; stated at the load nearest the reference",
        "voltage divider; generalised least squares (A. C. Aitken, 1935, from memory, not seen)",
        "output and loads are resistive, the loads are as stated, the tones lie well below saturation",
    ),
    "series_resistor": Definition(
        "Ω",
        "Series resistor for a matched output",
        "(R_ref − Ro) / 2: each of two, one in either line, that make the output look like the reference load",
        "voltage divider",
        "as for the output resistance; the resistors are ideal",
    ),
    "series_resistor_loss": Definition(
        "dB",
        "Loss of the series resistors",
        "20·log10(2·R_ref / (Ro + R_ref)): level into the reference load without them − level with them",
        "voltage divider",
        "as for the output resistance; the resistors are ideal",
    ),
    "gain_match": Definition(
        "dB",
        "Gain match between channels",
        "gain of the part's first channel − gain of the other, all else equal; stated at the other channel",
        _PRACTICE,
    ),
    "single_gain": Definition(
        "dB",
        "Voltage gain of a single tone",
        "output level − input level + 10·log10(R_load / R_in), the other tone off",
        "P = V²/R",
    ),
    "small_signal_gain": Definition(
        "dB",
        "Small-signal voltage gain",
        "20·log10|S21| + 10·log10(R_load / R_in), S21 of the unit between its input resistance and the load, at the "
        "condition's frequency",
        "K. Kurokawa, Power Waves and the Scattering Matrix, IEEE Trans. MTT 13, 1965 (from memory, not seen)",
        "the network analyzer's two ports, baluns and pads included, are taken off as the bench file's two-ports",
    ),
    "small_signal_flatness": Definition(
        "dB", "Small-signal gain flatness", "highest − lowest small-signal gain over the sweep's frequencies", _PRACTICE
    ),
    "small_signal_gain_match": Definition(
        "dB",
        "Small-signal gain match between channels",
        "small-signal gain of the first channel − that of the other, all else equal; stated at the other channel",
        _PRACTICE,
    ),
    "phase": Definition(
        "°", "Phase of the gain", "angle of S21 of the unit at the condition's frequency, from input to load", _PRACTICE
    ),
    "phase_change": Definition(
        "°",
        "Phase change over gain codes",
        "phase − phase at the code of highest gain, all else equal",
        _PRACTICE,
    ),
    "phase_match": Definition(
        "°",
        "Phase match between channels",
        "phase of the first channel − that of the other, all else equal; stated at the other channel",
        _PRACTICE,
    ),
    "image_rejection": Definition(
        "dB",
        "Image rejection that the channels' match allows",
        "10·log10((1 + 2g·cos φ + g²) / (1 − 2g·cos φ + g²)), g the ratio of the channels' gains, φ the phase match",
        "textbook result, as in B. Razavi, RF Microelectronics (from memory, not seen)",
        "the two channels carry signals in exact quadrature and nothing else of the receiver differs",
    ),
    "group_delay": Definition(
        "s",
        "Group delay",
        "−Δφ / (360°·Δf) between 5 MHz below and above the condition's frequency",
        _PRACTICE,
    ),
    "op1db": Definition(
        "dBm",
        "Output 1 dB compression point",
        "level of a single tone in the load at which its gain is 1 dB below that at the lowest levels of the sweep; "
        "between two levels the fall grows as a power of the output; stated at the lowest level",
        _PRACTICE,
        "the lowest level is a small signal: what its gain has fallen already counts as uncertainty",
    ),
    "noise_figure": Definition(
        "dB",
        "Noise figure",
        "from the Y-factor or from the gain, whichever is known better",
        _FRIIS,
        "source and paths are at the room's temperature; the figure refers to 290 K",
    ),
    "noise_figure_y": Definition(
        "dB",
        "Noise figure by the Y-factor",
        "10·log10(1 + (T_hot − Y·T_cold) / ((Y − 1)·290 K)), Y the ratio of the noise in the load with the source on "
        "and off, the analyzer's own noise subtracted",
        _Y_FACTOR,
        "as for the noise figure; the noise source's excess noise ratio is that of its certificate",
    ),
    "noise_figure_gain": Definition(
        "dB",
        "Noise figure by the gain method",
        "10·log10(1 + (N / (k·G) − T_source) / 290 K), N the noise density in the load, the analyzer's own noise "
        "subtracted, G the measured power gain",
        _FRIIS,
        "as for the noise figure; the analyzer's noise bandwidth is its resolution bandwidth",
    ),
    "supply_current": Definition("A", "Supply current", "mean reading in the supply line", _PRACTICE),
    "supply_current_change": Definition(
        "A", "Supply-current change", "current − current at the reference temperature, all else equal", _PRACTICE
    ),
    "supply_current_drift": Definition(
        "%",
        "Supply-current drift",
        "100 · (current / current at the reference temperature − 1), all else equal",
        _PRACTICE,
    ),
    "supply_current_box": Definition(
        "ppm/K",
        "Supply-current temperature coefficient",
        "10⁶ · (highest − lowest) / (current at the reference temperature · temperature span), over all temperatures",
        _BOX,
    ),
    "supply_current_slope": Definition(
        "ppm/K",
        "Supply-current slope over temperature",
        "10⁶ · least-squares slope of the current over temperature / current at the reference temperature",
        _PRACTICE,
        "one straight line stands for all temperatures",
    ),
    "supply_power": Definition("W", "Power taken from the supply", "supply voltage · supply current", "P = V·I"),
    "mode_power_saving": Definition(
        "%",
        "Power saved by the supply mode",
        "100 · (1 − supply power / supply power in the part's first mode), all else equal",
        _PRACTICE,
    ),
    "dissipated_power": Definition(
        "W",
        "Power turned into heat",
        "supply power + power of both tones at the input − power of both tones in the load",
        "conservation of energy",
        "products and harmonics are left out, and so is what the other channels do",
    ),
}
