r"""What the definitions page says of the characteristics from sweeps of the network analyzer.

Each is group, formula, symbols, readings and uncertainty, as ``reports.explanations.Explanation`` takes them.
"""

from __future__ import annotations

_SWEEP = "sweep of the four S-parameters between the network analyzer's ports, and the two-ports of the paths"
_BOTH = f"{_SWEEP}, at both channels"
_ALIKE = (
    "Constants, tracking, match and directivity of the network analyzer are the same for both channels and cancel. "
    "What is left: the two-ports of each channel, noise, and linearity over the difference."
)

SWEEP_EXPLANATIONS: dict[str, tuple[str, str, str, str, str]] = {
    "small_signal_gain": (
        "Gain",
        r"G = 20 \log_{10} |S_{21}| + 10 \log_{10} \frac{R_{\text{load}}}{R_{\text{in}}}",
        "S21: of the unit alone, with its input resistance Rin and the load as references",
        _SWEEP,
        "Magnitude, tracking, linearity, match and directivity of the network analyzer, both two-ports, noise.",
    ),
    "small_signal_flatness": (
        "Gain",
        r"\max(G) - \min(G)",
        "G: small-signal gain at the frequencies of the sweep",
        _SWEEP,
        "What is the same at all frequencies cancels. What is left: tracking, and how match and directivity turn over "
        "frequency.",
    ),
    "phase": (
        "Gain",
        r"\varphi = \arg(S_{21})",
        "S21: of the unit alone, from the plane of its input to that of its load",
        _SWEEP,
        "Phase, tracking, linearity, match and directivity of the network analyzer, both two-ports, noise.",
    ),
    "phase_change": (
        "Gain",
        r"\varphi - \varphi_{\text{highest gain}}",
        "both at the same condition but for the code",
        f"{_SWEEP}, at both codes",
        "All that does not depend on the code cancels. What is left: linearity over the change of level, noise.",
    ),
    "group_delay": (
        "Gain",
        r"-\frac{\varphi(f + d) - \varphi(f - d)}{360 \cdot 2 d}",
        "φ in degrees, d = 5 MHz",
        _SWEEP,
        "Constants cancel. What is left: phase tracking, match and directivity as they turn over frequency, noise.",
    ),
    "small_signal_gain_match": (
        "Matching",
        r"G_{\text{first}} - G_{\text{other}}",
        "G: small-signal gain of each channel",
        _BOTH,
        _ALIKE,
    ),
    "phase_match": (
        "Matching",
        r"\varphi_{\text{first}} - \varphi_{\text{other}}",
        "φ: phase of the gain of each channel",
        _BOTH,
        _ALIKE,
    ),
    "image_rejection": (
        "Matching",
        r"10 \log_{10} \frac{1 + 2 g \cos \varphi + g^2}{1 - 2 g \cos \varphi + g^2}",
        "g: ratio of the channels' gains, φ: phase match",
        _BOTH,
        "Those of gain match and phase match, times how steeply the rejection follows each. Where the mismatch is not "
        "four times its standard uncertainty the value is a bound: at least what a mismatch larger by 2.5 of them "
        "leaves.",
    ),
}
