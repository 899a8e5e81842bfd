r"""What the definitions page says beyond the definition: group, typeset formula, readings, how the uncertainty is made.

Rule: nothing here changes a number. A characteristic without an entry is still derived, drawn and listed, under
``OTHER``; a test says which one lacks its entry.
"""

from __future__ import annotations

from dataclasses import dataclass

from reports.sweep_explanations import SWEEP_EXPLANATIONS

#: Groups in the order in which pages and figures show them.
GROUPS = (
    "Distortion",
    "Gain",
    "Matching",
    "Supply",
    "Load",
    "Noise and compression",
    "Cascade",
)

#: Group of a characteristic that has no entry.
OTHER = "Other"


@dataclass(frozen=True, slots=True)
class Explanation:
    """One characteristic for people.

    Attributes:
        group: One of ``GROUPS``.
        formula: In the notation of ``reports.mathml``.
        symbols: What the formula's symbols mean.
        needs: The readings without which there is none.
        uncertainty: Which errors of the bench count, and which cancel.
    """

    group: str
    formula: str
    symbols: str
    needs: str
    uncertainty: str


_TONES = "levels of both tones"
_THIRD = f"{_TONES} and of both third-order products"
_SOURCES = f"{_TONES}, settings of both sources or their levels by a power meter"
_CURRENT = "supply current, board temperature"
_LEVELS = "P1, P2: the tones of frequency f1 < f2 in the load, dBm each"
_LINES = (
    "The errors of each line (analyzer level, scale, response and attenuator, output path and its mismatch at the "
    "line's frequency, scatter) enter with the line's factor in the formula. What all lines share enters once, with "
    "the sum of the factors."
)
_RATIO = (
    "A ratio: analyzer level and output path cancel. What is left: scale, attenuator steps, scatter, and the response "
    "and the output path's mismatch as far as they differ between the two frequencies."
)
_OWN = (
    " The analyzer's own product, of unknown phase, counts in full; where it or the noise could explain the line, the "
    "value is a bound."
)
_MEASURED = (
    " Where a power meter has read the tones, its errors and the coupler's take the place of the sources', and are "
    "shared by both tones."
)
_WITHIN = (
    "Differences of gains of one night: constant errors of the analyzer, the path and the sources' levels cancel. "
    "What is left: the source's setting at each level, attenuator steps, scale over the levels that differ, scatter."
)
_FIT = (
    "A straight-line fit is a fixed sum of the gains: each error of the bench counts as far as the fit does not take "
    "it up. Constant errors of the analyzer, the path and the sources' levels cancel; scale, settings, attenuator "
    "steps and scatter are left."
)
_OVER_LOADS = (
    "Analyzer level and input path are shared by all loads and cancel. What is left: the output path of each load and "
    "its mismatch, attenuator steps, the source's settings, scatter."
)
_DRIFT = (
    "The meter's offset cancels and its gain error nearly does. What is left: scatter, and the board thermometer and "
    "distance from the stated temperature, through the current's own slope over temperature."
)

EXPLANATIONS: dict[str, Explanation] = {
    "oip3": Explanation(
        "Distortion",
        r"\text{OIP3} = \min(\text{OIP3}_{\text{lower}}, \text{OIP3}_{\text{upper}})",
        "the two intercepts are defined below",
        _THIRD,
        "That of the intercept that was taken.",
    ),
    "oip3_lower": Explanation(
        "Distortion",
        r"\text{OIP3}_{\text{lower}} = \frac{2 P_1 + P_2 - P_{2 f_1 - f_2}}{2}",
        _LEVELS,
        _THIRD,
        _LINES + _OWN,
    ),
    "oip3_upper": Explanation(
        "Distortion",
        r"\text{OIP3}_{\text{upper}} = \frac{P_1 + 2 P_2 - P_{2 f_2 - f_1}}{2}",
        _LEVELS,
        _THIRD,
        _LINES + _OWN,
    ),
    "oip2": Explanation(
        "Distortion",
        r"\text{OIP2} = P_1 + P_2 - P_{f_1 + f_2}",
        _LEVELS,
        f"{_TONES} and of the second-order sum",
        _LINES + _OWN,
    ),
    "hd2": Explanation(
        "Distortion",
        r"\text{HD2} = P_{2 f_1} - P_1",
        _LEVELS,
        "levels of the lower tone and its second harmonic",
        _RATIO + _OWN,
    ),
    "hd3": Explanation(
        "Distortion",
        r"\text{HD3} = P_{3 f_1} - P_1",
        _LEVELS,
        "levels of the lower tone and its third harmonic",
        _RATIO + _OWN,
    ),
    "im3": Explanation(
        "Distortion",
        r"\text{IM3} = \max(P_{2 f_1 - f_2} - P_1, P_{2 f_2 - f_1} - P_2)",
        _LEVELS,
        _THIRD,
        _RATIO + _OWN,
    ),
    "im3_slope": Explanation(
        "Distortion",
        r"s = \frac{\bar{P}_{\text{IM3},b} - \bar{P}_{\text{IM3},a}}{\bar{P}_b - \bar{P}_a}",
        "a, b: neighbouring tone levels; a bar: mean in dB of both products, or of both tones",
        f"{_THIRD}, at two tone levels or more",
        "Constant errors cancel in both differences; scale, attenuator steps and scatter are left, over a small "
        "difference of levels: wider spaced levels are surer.",
    ),
    "im3_departure_level": Explanation(
        "Distortion",
        r"|s(P) - 3| > 0.2",
        "s: slope of the third-order product at the tone level P; the lowest such P counts",
        f"{_THIRD}, at three tone levels or more",
        "That of the slopes, over how fast the slope changes with the level. Not reached: at least the highest level.",
    ),
    "im3_knee_level": Explanation(
        "Distortion",
        r"\bar{P}_{\text{IM3}}(P) - (\bar{P}_{\text{IM3}}(P_0) + 3 (P - P_0)) = 1",
        "P: tone level in the load, P0: the lowest; all dBm, the right side in dB",
        f"{_THIRD}, at three tone levels or more",
        "That of the products against their extrapolation, over how fast they leave it. Not reached: at least the "
        "highest level.",
    ),
    "gain": Explanation(
        "Gain",
        r"G = \frac{P_1 + P_2 - P_{\text{in},1} - P_{\text{in},2}}{2}"
        r" + 10 \log_{10} \frac{R_{\text{load}}}{R_{\text{in}}}",
        "P1, P2: tones in the load; Pin: tones in the input resistance Rin; all dBm",
        _SOURCES,
        "Analyzer, both paths with their mismatch, and both sources in full; what the tones do not share averages."
        + _MEASURED,
    ),
    "gain_step_error": Explanation(
        "Gain",
        r"e_k = (G_{k-1} - G_k) - (N_{k-1} - N_k)",
        "G: gain, N: nominal gain; k − 1: the code with the next higher nominal gain",
        f"{_SOURCES}, at both codes",
        _WITHIN,
    ),
    "cumulative_gain_error": Explanation(
        "Gain",
        r"c_k = (G_0 - G_k) - (N_0 - N_k) = \sum_{i=1}^{k} e_i",
        "G: gain, N: nominal gain; 0: the code of highest nominal gain",
        f"{_SOURCES}, at both codes",
        _WITHIN,
    ),
    "gain_step": Explanation(
        "Gain",
        r"S_k = G_{k-1} - G_k",
        "G: gain; k − 1: the code with the next higher nominal gain",
        f"{_SOURCES}, at both codes",
        _WITHIN,
    ),
    "gain_monotonicity": Explanation(
        "Gain", r"\min_k S_k", "S: gain steps", f"{_SOURCES}, at all codes", "That of the smallest step."
    ),
    "gain_range": Explanation(
        "Gain",
        r"G_0 - G_n",
        "G: gain at the codes of highest and lowest nominal gain",
        f"{_SOURCES}, at both codes",
        _WITHIN,
    ),
    "gain_end_point_error": Explanation(
        "Gain",
        r"G_k - (G_0 + \frac{G_n - G_0}{N_n - N_0} (N_k - N_0))",
        "G: gain, N: nominal gain; 0 and n: the codes of highest and lowest nominal gain",
        f"{_SOURCES}, at the code and both ends",
        _FIT,
    ),
    "gain_best_fit_error": Explanation(
        "Gain",
        r"G_k - (a + b N_k)",
        "G: gain, N: nominal gain; a, b: least squares over all measured codes",
        f"{_SOURCES}, at three codes or more",
        _FIT,
    ),
    "gain_flatness": Explanation(
        "Gain",
        r"\max_f G(f) - \min_f G(f)",
        "G: gain at each frequency f",
        f"{_SOURCES}, at two frequencies or more",
        "Analyzer level and constant path losses cancel; the analyzer's response and the mismatch of both paths at "
        "either frequency count in full.",
    ),
    "gain_tempco": Explanation(
        "Gain",
        r"\frac{\sum (\theta - \bar{\theta}) (G(\theta) - \bar{G})}{\sum (\theta - \bar{\theta})^2}",
        "G: gain at each temperature θ; a bar: mean over the temperatures",
        f"{_SOURCES}, at two temperatures or more",
        _FIT,
    ),
    "gain_match": Explanation(
        "Matching",
        r"\Delta G = G_{\text{first}} - G_{\text{other}}",
        "G: gain of each channel",
        f"{_SOURCES}, on both channels",
        "Analyzer and sources cancel as far as both channels share them; each channel's own paths count in full, "
        "with their mismatch.",
    ),
    "supply_current": Explanation(
        "Supply",
        r"I = \bar{I}",
        "mean of the readings of all repeats",
        _CURRENT,
        "The meter's gain and offset, scatter; temperature through the current's own slope.",
    ),
    "supply_current_change": Explanation(
        "Supply",
        r"\Delta I(\theta) = I(\theta) - I(\theta_{\text{ref}})",
        "θ: temperature of the condition; ref: the sequence's reference temperature",
        f"{_CURRENT}, also at the reference temperature",
        _DRIFT,
    ),
    "supply_current_drift": Explanation(
        "Supply",
        r"d(\theta) = 100 \cdot (\frac{I(\theta)}{I(\theta_{\text{ref}})} - 1)",
        "θ: temperature of the condition; ref: the sequence's reference temperature",
        f"{_CURRENT}, also at the reference temperature",
        _DRIFT,
    ),
    "supply_current_box": Explanation(
        "Supply",
        r"\text{TC} = 10^6 \cdot \frac{I_{\max} - I_{\min}}{I(\theta_{\text{ref}}) (\theta_{\max} - \theta_{\min})}",
        "Imax, Imin: highest and lowest current over all temperatures, not only at the ends",
        f"{_CURRENT}, at two temperatures or more, one of them the reference temperature",
        _DRIFT,
    ),
    "supply_power": Explanation(
        "Supply",
        r"P = V \cdot I",
        "V: supply voltage, I: supply current",
        "supply voltage, supply current",
        "The supply's voltage reading, and the current as above.",
    ),
    "supply_current_slope": Explanation(
        "Supply",
        r"\frac{10^6}{I(\theta_{\text{ref}})} \cdot"
        r" \frac{\sum (\theta - \bar{\theta}) (I(\theta) - \bar{I})}{\sum (\theta - \bar{\theta})^2}",
        "I: current at each temperature θ; a bar: mean over the temperatures",
        f"{_CURRENT}, at two temperatures or more, one of them the reference temperature",
        _DRIFT,
    ),
    "mode_power_saving": Explanation(
        "Supply",
        r"100 \cdot (1 - \frac{P_{\text{mode}}}{P_{\text{first}}})",
        "P: power taken from the supply, in the mode and in the part's first mode",
        "supply voltage and current in both modes",
        "A ratio: the meter's gain error cancels. What is left: its offset, the supply's voltage reading, scatter.",
    ),
    "dissipated_power": Explanation(
        "Supply",
        r"V I + \sum P_{\text{in}} - \sum P_{\text{out}}",
        "V, I: supply; Pin, Pout: power of both tones at the input and in the load, in W",
        "supply voltage and current, levels of both tones, settings of both sources",
        "That of the supply power, and little from the levels.",
    ),
    "level_load_change": Explanation(
        "Load",
        r"(G(R) - G(R_{\text{ref}})) - 10 \log_{10} \frac{R}{R_{\text{ref}}}",
        "G: gain into the load R and into the reference load",
        f"{_SOURCES}, into both loads",
        _OVER_LOADS,
    ),
    "oip3_load_change": Explanation(
        "Load",
        r"\text{OIP3}(R) - \text{OIP3}(R_{\text{ref}})",
        "R: load, ref: the part's reference load",
        f"{_THIRD}, into both loads",
        _OVER_LOADS,
    ),
    "output_resistance": Explanation(
        "Load",
        r"G(R) = A + 20 \log_{10} \frac{R}{R + R_o}",
        "G: gain into each load R; A and Ro are fitted",
        f"{_SOURCES}, into two loads or more",
        _OVER_LOADS + " The fit weighs each load by the inverse of the gains' covariance.",
    ),
    "series_resistor": Explanation(
        "Load",
        r"R_s = \frac{R_{\text{ref}} - R_o}{2}",
        "Ro: output resistance, Rref: reference load; one resistor in either line",
        "as for the output resistance",
        "Half that of the output resistance.",
    ),
    "series_resistor_loss": Explanation(
        "Load",
        r"20 \log_{10} \frac{2 R_{\text{ref}}}{R_o + R_{\text{ref}}}",
        "Ro: output resistance, Rref: reference load",
        "as for the output resistance",
        "That of the output resistance, through the slope of the formula.",
    ),
    "single_gain": Explanation(
        "Noise and compression",
        r"G = P - P_{\text{in}} + 10 \log_{10} \frac{R_{\text{load}}}{R_{\text{in}}}",
        "P: the tone in the load, Pin: in the input resistance Rin; dBm",
        "level of a single tone, setting of its source or its level by a power meter",
        "Analyzer, both paths with their mismatch, and source in full." + _MEASURED,
    ),
    "op1db": Explanation(
        "Noise and compression",
        r"G(P_0) - G(\text{OP1dB}) = 1",
        "G: gain of a single tone at its level in the load, dB; P0: the lowest levels of the sweep",
        "level of a single tone and setting of its source, over tone levels that span 6 dB or more",
        "The level in full; of the gains what does not cancel between two levels, over how fast the gain falls; the "
        "bend of the gain between two levels. Not reached: at least the highest level.",
    ),
    "noise_figure": Explanation(
        "Noise and compression",
        r"F = 10 \log_{10} (1 + \frac{T_e}{T_0})",
        "Te: noise temperature of the unit at its input, T0 = 290 K",
        "noise level with the tones off; and a noise source, or the gain",
        "That of the method that was taken.",
    ),
    "noise_figure_y": Explanation(
        "Noise and compression",
        r"T_e = \frac{T_{\text{hot}} - Y T_{\text{cold}}}{Y - 1}, Y = \frac{N_{\text{hot}}}{N_{\text{cold}}}",
        "T: temperature of the source behind the input path, on and off; N: noise in the load",
        "noise level with the noise source on and off",
        "Excess noise ratio, input path, scatter; level errors of the analyzer and the output path cancel in Y. Where "
        "the unit is noisy Y is near 1 and little is known.",
    ),
    "noise_figure_gain": Explanation(
        "Noise and compression",
        r"T_e = \frac{N}{k G} - T_{\text{source}}",
        "N: noise density in the load, G: power gain, k: the Boltzmann constant",
        "noise level with the tones off, level of a tone and setting of its source",
        "Source level and input path, scatter, and the analyzer's own noise that was subtracted; level error of the "
        "analyzer and output path cancel between noise and gain.",
    ),
    **{word: Explanation(*words) for word, words in SWEEP_EXPLANATIONS.items()},
}


def group_of(characteristic: str) -> str:
    """The group that a characteristic is shown in."""
    explanation = EXPLANATIONS.get(characteristic)
    return explanation.group if explanation else OTHER
