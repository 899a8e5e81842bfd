"""The unit as a linear two-port: its complex voltage gain against frequency, and the chain matrix that follows.

Magnitude is that of ``AmplifierModel.gain_db``. The phase has a delay, the phase of the pole at 1 GHz that the
magnitude falls with, a step for each code, what the channel has of its own, and a temperature coefficient. Sizes are
invented, of the kind that is common for such parts (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.simulated.amplifier import AmplifierModel
from drivers.simulated.drawing import normal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_DELAY_S = 1.0e-9
_POLE_HZ = 1e9
_STEP_DEG = -0.3
_TEMPCO_DEG_PER_K = -0.010


def phase_deg(
    unit: AmplifierModel, channel: str, code: int, die_c: float, frequency_hz: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Phase of the voltage gain in degrees, not wrapped, Hz (n,) to (n,)."""
    import numpy as np

    seed = unit.unit_seed
    delay_s = (
        _DELAY_S + normal(0.02e-9, seed, "delay", at_most=2) + normal(0.002e-9, seed, f"delay {channel}", at_most=2)
    )
    step = (
        _STEP_DEG
        + normal(0.02, seed, "phase step", at_most=2)
        + normal(0.003, seed, f"phase step {channel}", at_most=2)
    )
    tempco = _TEMPCO_DEG_PER_K + normal(0.001, seed, f"phase tempco {channel}", at_most=2)
    position = list(unit.nominal_gain_db).index(code)
    at_reference = unit.phase_deg(channel, code) + step * position + tempco * (die_c - unit.reference_die_c)
    turning: NDArray[np.float64] = -360.0 * frequency_hz * delay_s - np.degrees(np.arctan(frequency_hz / _POLE_HZ))
    return at_reference + turning


def complex_gain(
    unit: AmplifierModel,
    channel: str,
    code: int,
    die_c: float,
    mode: str,
    load_ohm: float,
    frequency_hz: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Small-signal voltage gain into ``load_ohm``, Hz (n,) to (n,). Raises KeyError for an unknown channel or mode."""
    import numpy as np

    gain_db = np.array([unit.gain_db(channel, code, die_c, mode, load_ohm, hertz) for hertz in frequency_hz.tolist()])
    turn = np.exp(1j * np.radians(phase_deg(unit, channel, code, die_c, frequency_hz)))
    return np.asarray(10 ** (gain_db / 20) * turn, dtype=np.complex128)


def unit_chain(unit: AmplifierModel, load_ohm: float, gain: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Chain matrix of a unit that has the voltage gain ``gain`` into ``load_ohm``, (n,) to (n, 2, 2).

    An input resistance, and behind it a source of the open-circuit gain with the output resistance; nothing comes back.
    """
    import numpy as np

    output_ohm, input_ohm = unit.output_resistance_ohm, unit.input_resistance_ohm
    unloaded = gain * (load_ohm + output_ohm) / load_ohm
    shape = np.array([[1.0, output_ohm], [1.0 / input_ohm, output_ohm / input_ohm]])
    found: NDArray[np.complex128] = shape / unloaded[:, None, None]
    return found
