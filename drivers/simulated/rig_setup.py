"""All that a simulated bench is told: plain frozen data, no file format, no instrument address.

Accuracies are half-widths of a rectangular distribution; each true error is drawn within them from ``RigSetup.seed``.
An instrument that is None is not on the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from drivers.simulated.amplifier import AmplifierModel
from drivers.simulated.latches import LatchSetup, ShiftRegisterSetup
from drivers.simulated.paths import PathLossSetup

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class ToneSourceSetup:
    """Level error = constant within ±``level_db`` + one within ±``setting_db`` for each distinct setting.

    ``harmonics_dbc`` are the second and third harmonic at the unit's input at most; the true ones are drawn within the
    3 dB below. None for a pure tone.
    """

    level_db: float
    setting_db: float
    highest_level_dbm: float
    harmonics_dbc: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class NoiseSourceSetup:
    """Excess noise ratio in dB at a frequency in Hz; the true one is within ±``enr_error_db``, one draw for all."""

    enr_db: Callable[[float], float]
    enr_error_db: float


@dataclass(frozen=True, slots=True)
class AnalyzerSetup:
    """Errors as half-widths; noise and intercepts at 0 dB attenuation, both rise dB for dB with it.

    ``noise_db`` is the half-width of the noise, ``flatness_db`` holds at knots 10 MHz apart. ``tune_s`` is added to the
    first sweep at a new frequency.
    """

    level_db: float
    scale_db_per_10db: float
    flatness_db: float
    attenuator_db: float
    noise_dbm_per_hz: float
    intercept2_dbm: float
    intercept3_dbm: float
    attenuations_db: tuple[float, ...]
    bandwidths_hz: tuple[float, ...]
    highest_input_dbm: float
    tune_s: float = 0.01
    noise_db: float = 0.0


@dataclass(frozen=True, slots=True)
class NetworkAnalyzerSetup:
    """Errors of S21 as half-widths, see ``network``; ``residual_db`` bounds what calibration leaves of the others."""

    magnitude_db: float
    tracking_db: float
    linearity_db_per_10db: float
    phase_deg: float
    phase_tracking_deg: float
    linearity_deg_per_10db: float
    noise_dbm_per_hz: float
    residual_db: float
    highest_power_dbm: float
    reference_ohm: float = 50.0


@dataclass(frozen=True, slots=True)
class TwoPortSetup:
    """A declared two-port between network analyzer and unit: Hz (n,) to S-parameters (n, 2, 2).

    Its S-parameters are in the network analyzer's reference; both uncertainties are expanded, k = 2.
    """

    path: Literal["input", "output"]
    channel: str | None
    load_ohm: float | None
    s_parameters: Callable[[NDArray[np.float64]], NDArray[np.complex128]]
    magnitude_uncertainty_db: float
    phase_uncertainty_deg: float


@dataclass(frozen=True, slots=True)
class SupplySetup:
    """Set voltage within ±``voltage_v``, readings within ±``voltage_reading_v`` and ±``current_a``.

    ``output`` is the one of several that the unit is wired to; None for a supply with one output.
    """

    voltage_v: float
    voltage_reading_v: float
    current_a: float
    highest_voltage_v: float
    highest_current_a: float
    output: int | None = None


@dataclass(frozen=True, slots=True)
class CurrentMeterSetup:
    """Reading = I·(1 + g) + o with g within ±``gain`` and o within ±``offset_a``; takes ``reading_s``.

    ``noise_a`` is the standard deviation of a reading. Time and noise hold for one cycle of the mains.
    """

    offset_a: float
    gain: float
    reading_s: float = 0.04
    noise_a: float = 0.0


@dataclass(frozen=True, slots=True)
class ThermometerSetup:
    """Reading within ±``temperature_k`` of the board; takes ``reading_s`` at one cycle of the mains.

    ``sensor`` is what is wired to it, in so many wires: ``Pt100``, ``Pt1000``, or ``thermocouple`` and its letter; None
    for a Pt100 in four wires.
    """

    temperature_k: float
    reading_s: float = 0.04
    sensor: str | None = None
    wires: int | None = None


@dataclass(frozen=True, slots=True)
class PowerMeterSetup:
    """A sensor behind ``coupling_db`` at a frequency in Hz, from a source's connector, with U (k = 2) beside it.

    Errors: a constant within ±``level_db``, a slope within ±``linearity_db_per_10db`` from 0 dBm, and in each reading
    anything within ± the power ``noise_dbm``.
    """

    level_db: float
    linearity_db_per_10db: float
    noise_dbm: float
    coupling_db: Callable[[float], float]
    coupling_uncertainty_db: float
    highest_input_dbm: float
    reading_s: float = 0.02


@dataclass(frozen=True, slots=True)
class ChamberSetup:
    """The chamber's own sensor, which it controls to, is within ±``temperature_k``; a second one shows the board."""

    temperature_k: float
    lowest_c: float
    highest_c: float
    ramp_k_per_min: float
    second_sensor: bool = False


@dataclass(frozen=True, slots=True)
class UnitRatings:
    """Absolute maximum ratings of the unit; the rig notes when one is passed."""

    supply_v: float
    input_level_dbm: float
    highest_die_c: float


@dataclass(frozen=True, slots=True)
class RigSetup:
    """A whole simulated bench with one unit on it.

    Attributes:
        unit: The specimen.
        ratings: What it survives.
        seed: Draws the errors of the instruments and the noise.
        load_routes, channel_routes: Relay channel → load in Ω, or channel; without a switch the reference load and
            the first channel are wired.
        channel_ports, mode_port: Port → channel whose gain code it carries; port of the mode pins.
        latches: Of these numbers the word does not come from a port but from a latch or shift register of the unit.
        path_losses: Declared losses with their uncertainty.
        network_routes: Relay channel of the channel switch → channel that it connects the network analyzer to.
        two_ports: What is declared to lie between the network analyzer and the unit.
        combiner_intercept3_dbm: Intercept at which the sources intermodulate, in emitted levels; None for never.
        through: A piece of line stands where the unit would: 0 dB of voltage gain, no bias, nothing of its own.
        board_time_constant_s: Lag of the board behind the chamber's air.
        room_c, room_within_k: The room's temperature, and how far the true one may be off it.
        serials: Serial number that an instrument tells, by place; ``0`` where none is given.
        latency_s: Time that each message to an instrument takes.
    """

    unit: AmplifierModel
    ratings: UnitRatings
    seed: int
    tone_1: ToneSourceSetup | None = None
    tone_2: ToneSourceSetup | None = None
    noise_source: NoiseSourceSetup | None = None
    analyzer: AnalyzerSetup | None = None
    supply: SupplySetup | None = None
    current_meter: CurrentMeterSetup | None = None
    board_thermometer: ThermometerSetup | None = None
    chamber: ChamberSetup | None = None
    load_routes: Mapping[int, float] = field(default_factory=dict)
    channel_routes: Mapping[int, str] = field(default_factory=dict)
    channel_ports: Mapping[int, str] = field(default_factory=dict)
    mode_port: int | None = None
    latches: Mapping[int, LatchSetup | ShiftRegisterSetup] = field(default_factory=dict)
    path_losses: tuple[PathLossSetup, ...] = ()
    network_analyzer: NetworkAnalyzerSetup | None = None
    network_routes: Mapping[int, str] = field(default_factory=dict)
    two_ports: tuple[TwoPortSetup, ...] = ()
    combiner_intercept3_dbm: float | None = None
    power_meter: PowerMeterSetup | None = None
    through: bool = False
    board_time_constant_s: float = 180.0
    room_c: float = 23.0
    room_within_k: float = 0.0
    serials: Mapping[str, str] = field(default_factory=dict)
    latency_s: float = 0.001
