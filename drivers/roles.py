"""What the sequencer may ask of an instrument, one Protocol per role.

Units ride on the names; levels are dBm at the instrument's own connector. Every method raises only
``drivers.errors.InstrumentError`` kinds. A *begin* returns as soon as the instrument works; its *finish* waits for
it, so that several instruments work at once in one thread. ``make_safe`` is idempotent, sends the shortest message
that works and reads nothing that could hang.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol, runtime_checkable

from drivers.meter_setting import USUAL, MeterQuantity, MeterSetting


@dataclass(frozen=True, slots=True)
class Identity:
    """The four fields of ``*IDN?`` (IEEE 488.2, 10.14); unknown ones are ``"0"``."""

    maker: str
    model: str
    serial: str
    firmware: str


@dataclass(frozen=True, slots=True)
class QueueEntry:
    """One entry of the error queue. ``number`` is never 0."""

    number: int
    text: str


@dataclass(frozen=True, slots=True)
class SweepSetting:
    """How the analyzer looks at one frequency in zero span.

    ``points`` power samples, one per ``1.5 / resolution_bandwidth_hz`` seconds, so that they are independent.
    """

    resolution_bandwidth_hz: float
    attenuation_db: float
    points: int

    @property
    def sweep_s(self) -> float:
        """Time that one zero-span sweep takes."""
        return self.points * 1.5 / self.resolution_bandwidth_hz


@dataclass(frozen=True, slots=True)
class PowerReading:
    """Mean power over one zero-span sweep.

    ``level_dbm`` is the mean of the samples in power (watts), as dBm at the analyzer's connector. ``scatter_db`` is
    the experimental standard deviation of that mean (JCGM 100, 4.2.3) as dB.
    """

    level_dbm: float
    scatter_db: float


class Peak(NamedTuple):
    """The highest line of a span: where it is, and its level in dBm at the analyzer's connector."""

    frequency_hz: float
    level_dbm: float


@dataclass(frozen=True, slots=True)
class NetworkSetting:
    """How the network analyzer sweeps: power of its source at its connector, and bandwidth of its receivers."""

    power_dbm: float
    bandwidth_hz: float


@dataclass(frozen=True, slots=True)
class SParameters:
    """One sweep of a two-port between the network analyzer's own ports, each tuple as long as ``frequencies_hz``."""

    frequencies_hz: tuple[float, ...]
    s11: tuple[complex, ...]
    s21: tuple[complex, ...]
    s12: tuple[complex, ...]
    s22: tuple[complex, ...]


class Instrument(Protocol):
    """What every role can do."""

    def identify(self) -> Identity:
        """Ask who the instrument is."""
        ...

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Read the error queue until it is empty and return what was in it, oldest first."""
        ...

    def make_safe(self) -> None:
        """Remove energy: output off, chamber to idle. Idempotent; never waits for a reply."""
        ...


class ToneSource(Instrument, Protocol):
    """A signal generator that emits one tone."""

    def prepare(self, ceiling_dbm: float) -> None:
        """Output off, level unit dBm, continuous wave, never above ``ceiling_dbm``. Raises Refused if it won't."""
        ...

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the tone's frequency."""
        ...

    def set_level(self, level_dbm: float) -> float:
        """Set the level and return it as the instrument reads it back; raises Refused above the ceiling."""
        ...

    def is_unlevelled(self) -> bool:
        """Whether it says that it does not give the level that is set."""
        ...

    def switch_output(self, *, on: bool) -> None:
        """Switch RF on or off."""
        ...

    def output_is_on(self) -> bool:
        """Read back whether RF is on."""
        ...


class NoiseSource(Instrument, Protocol):
    """A noise source with a known excess noise ratio; off, it is a resistor at room temperature."""

    def prepare(self) -> None:
        """Output off."""
        ...

    def switch_output(self, *, on: bool) -> None:
        """Switch the noise on or off."""
        ...

    def output_is_on(self) -> bool:
        """Read back whether the noise is on."""
        ...


class SpectrumAnalyzer(Instrument, Protocol):
    """A spectrum analyzer used as a selective power meter in zero span."""

    def prepare(self) -> None:
        """Highest attenuation, preamplifier off, single sweep, zero span, sample detector, widest video filter."""
        ...

    def set_reference_level(self, level_dbm: float) -> float:
        """Set the top of the trace and return it as read back; whatever is above it is cut off.

        Raises Refused if it is held lower, as a line might be cut off then.
        """
        ...

    def set_sweep(self, setting: SweepSetting) -> SweepSetting:
        """Set bandwidth, attenuation and points; return them as read back (the instrument may round)."""
        ...

    def begin_power(self, frequency_hz: float) -> None:
        """Tune and start one sweep."""
        ...

    def finish_power(self) -> PowerReading:
        """Wait for the sweep and return its mean power.

        Raises NotUnderstood on overload, if the sweep was too fast for its bandwidth, or for a wrong point count.
        """
        ...

    def find_peak(self, centre_hz: float, span_hz: float) -> Peak:
        """Sweep a span with the bandwidth and attenuation of the last ``set_sweep`` and return its highest line.

        ``set_sweep`` must follow before the next ``begin_power``. Raises Refused if the span is too wide for the
        bandwidth, NotUnderstood as ``finish_power`` does, or if the highest point is an end of the span.
        """
        ...

    def input_overloaded(self) -> bool:
        """Whether the input is overloaded now. Not between ``begin_power`` and ``finish_power``."""
        ...


class NetworkAnalyzer(Instrument, Protocol):
    """A network analyzer with two ports, calibrated at its own connectors."""

    def prepare(self, ceiling_dbm: float) -> None:
        """Source off, never above ``ceiling_dbm``, single sweeps. Raises Refused if it won't."""
        ...

    def set_sweep(self, setting: NetworkSetting) -> NetworkSetting:
        """Set source power and bandwidth; return them as read back. Raises Refused above the ceiling."""
        ...

    def set_frequencies(self, frequencies_hz: tuple[float, ...]) -> None:
        """Set the frequencies of the sweep: two or more, rising. Raises Refused if they are not, or not taken."""
        ...

    def switch_output(self, *, on: bool) -> None:
        """Switch the source on or off."""
        ...

    def output_is_on(self) -> bool:
        """Read back whether the source is on."""
        ...

    def begin_sweep(self) -> None:
        """Start one sweep in both directions."""
        ...

    def finish_sweep(self) -> SParameters:
        """Wait for the sweep and return it. Raises NotUnderstood for a wrong point count."""
        ...


Regulation = Literal["voltage", "current", "off"]
"""What a supply's output holds: the voltage that is set, or, in current limit, the current; or it is off."""


class DCSupply(Instrument, Protocol):
    """One output of a DC supply."""

    def use_output(self, output: int) -> None:
        """Speak to this output of several from now on, and to no other; sends nothing."""
        ...

    def prepare(self, over_voltage_v: float, over_current_a: float, *, remote_sense: bool | None = None) -> None:
        """Output off; arm over-voltage and over-current protection; read both back.

        ``remote_sense`` on or off is set and read back too; None leaves it as it is. Raises Refused if it won't.
        """
        ...

    def set_output(self, voltage_v: float, current_limit_a: float) -> None:
        """Set voltage and current limit; read back; raises Refused if the instrument holds other values."""
        ...

    def switch_output(self, *, on: bool) -> None:
        """Switch the output on or off."""
        ...

    def output_is_on(self) -> bool:
        """Read back whether the output is on."""
        ...

    def read_voltage_v(self) -> float:
        """Measure the output voltage."""
        ...

    def read_current_a(self) -> float:
        """Measure the output current."""
        ...

    def regulation(self) -> Regulation:
        """Whether the output holds its voltage, is in current limit, or is off."""
        ...

    def protection_tripped(self) -> bool:
        """Whether over-voltage or over-current protection has switched the output off."""
        ...

    def clear_protection(self) -> None:
        """Forget that a protection has tripped; the output stays off. Raises Refused if it is tripped still."""
        ...


class Meter(Instrument, Protocol):
    """A multimeter that reads one quantity: current in A, or temperature in °C."""

    def prepare(self, quantity: MeterQuantity, setting: MeterSetting = USUAL) -> None:
        """Choose what to measure and how; read back. Raises Refused if it holds another setting."""
        ...

    def begin_reading(self) -> None:
        """Start one reading."""
        ...

    def finish_reading(self) -> float:
        """Wait for it: A or °C. Raises NotUnderstood on overload or not-a-number."""
        ...


class PowerMeter(Instrument, Protocol):
    """A power meter with one sensor; it reads all the power that reaches it, whatever its frequency."""

    def prepare(self, averages: int) -> None:
        """Single readings in dBm, each the mean of ``averages``; read back."""
        ...

    def zero(self) -> None:
        """Zero the sensor and wait; no power may reach it meanwhile. Raises Refused if the zero does not hold."""
        ...

    def is_zeroed(self) -> bool:
        """Whether the instrument holds its zero and calibration for good."""
        ...

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the frequency whose calibration factor is applied."""
        ...

    def begin_reading(self) -> None:
        """Start one reading."""
        ...

    def finish_reading(self) -> float:
        """Wait for it: dBm at the sensor. Raises NotUnderstood when there is no positive power."""
        ...


class Chamber(Instrument, Protocol):
    """A thermal chamber."""

    def prepare(self, ramp_k_per_min: float, lowest_c: float, highest_c: float, idle_c: float) -> None:
        """Set the ramp rate and the chamber's own low and high limits; read back.

        ``make_safe`` sends the chamber to ``idle_c`` and leaves it conditioning; before ``prepare`` it stops it.
        """
        ...

    def set_target_c(self, temperature_c: float) -> None:
        """Set the air temperature to reach, in °C; returns at once."""
        ...

    def target_c(self) -> float:
        """Read back the air temperature that it is to reach, in °C."""
        ...

    def switch_conditioning(self, *, on: bool) -> None:
        """Start or stop heating and cooling."""
        ...

    def conditioning_is_on(self) -> bool:
        """Read back whether the chamber heats and cools."""
        ...

    def read_air_c(self) -> float:
        """Air temperature in °C."""
        ...

    def alarms(self) -> tuple[str, ...]:
        """What it calls wrong, in words for a person; empty when all is well. Reading changes nothing."""
        ...


@runtime_checkable
class SecondSensor(Protocol):
    """What a chamber can do, too, whose controller has a sensor beside that of the air, near the unit."""

    def read_sensor_c(self) -> float:
        """Temperature at the second sensor in °C."""
        ...


class Switch(Instrument, Protocol):
    """A relay matrix; a route is a channel number of its list. Never switch with RF on."""

    def select(self, route: int) -> None:
        """Open every other route, close this one, read back. Raises NotUnderstood if the relay does not answer so."""
        ...

    def selected(self) -> tuple[int, ...]:
        """Routes that are closed now, of those that have been selected since power-up."""
        ...

    def closed_of(self, routes: tuple[int, ...]) -> tuple[int, ...]:
        """Which of these routes are closed now; for a look at a bench before anything is selected."""
        ...


class DigitalPort(Instrument, Protocol):
    """Words on the unit's logic pins by number: each on a port of that number, or through a latch of the unit.

    After any failure what a latch holds is unknown until its word has been written anew.
    """

    def write_word(self, port: int, word: int) -> None:
        """Put a word on a port, or have the unit latch it. Raises Refused if it is known not to fit."""
        ...

    def read_word(self, port: int) -> int:
        """Word that stands on a port; of a latch, which cannot be read, the word last latched without a failure since.

        Raises NotUnderstood where that is not known.
        """
        ...
