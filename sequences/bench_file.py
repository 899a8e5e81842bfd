"""The bench file: instruments and where they are, what lies between them and the unit, and what it all can stand.

Accuracies are half-widths of a rectangular distribution (a maker's "within ±"; JCGM 100, 4.3.7). What lies between
instruments and unit, and its uncertainty, is in ``path_entries``.
"""

from __future__ import annotations

import bisect
import math
from typing import Annotated, Any, Self

from pydantic import AwareDatetime, BeforeValidator, Field, model_validator

from sequences.bench_facts import BenchFacts
from sequences.chamber_entry import ChamberEntry
from sequences.code_lines import ShiftedWord, StrobedWord, line_problems
from sequences.dry_out_entry import DryOutEntry
from sequences.instrument_entry import InstrumentEntry
from sequences.interlock_entry import InterlockEntry
from sequences.meter_entries import CurrentMeterEntry, ThermometerEntry
from sequences.part_file import FileModel, Span
from sequences.path_entries import DeEmbeddingEntry, NonNegative, PathLossEntry
from sequences.power_meter_entry import PowerMeterEntry
from sequences.resource_strings import loopback_port, parse_resource
from sequences.values import NumberList


class SourceAccuracy(FileModel):
    """Level error = a constant within ±``level_db`` plus, for each distinct setting, one within ±``setting_db``."""

    level_db: NonNegative
    setting_db: NonNegative


class Harmonics(FileModel):
    """What harmonics a tone has at the unit's input at most, after any filter, dB against the tone."""

    hd2: float = Field(lt=0)
    hd3: float = Field(lt=0)


class ToneSourceEntry(InstrumentEntry):
    """A signal generator. Without ``harmonics_dbc`` its harmonics are not considered."""

    accuracy: SourceAccuracy
    highest_level_dbm: float
    settle_s: NonNegative = 0.02
    harmonics_dbc: Harmonics | None = None


class NoiseSourceAccuracy(FileModel):
    """Excess noise ratio within ±``enr_db``, the same at all frequencies."""

    enr_db: NonNegative


class EnrTable(FileModel):
    """An excess noise ratio against frequency: two lists of equal length, frequency rising."""

    frequency_hz: NumberList
    enr_db: NumberList

    @model_validator(mode="after")
    def _rising(self) -> Self:
        if len(self.frequency_hz) != len(self.enr_db):
            raise ValueError(f"{len(self.frequency_hz)} frequencies but {len(self.enr_db)} excess noise ratios")
        pairs = zip(self.frequency_hz, self.frequency_hz[1:], strict=False)
        if len(self.frequency_hz) < 2 or any(later <= earlier for earlier, later in pairs):
            raise ValueError("a table needs two or more points with rising frequency")
        return self


class NoiseSourceEntry(InstrumentEntry):
    """A noise source that feeds the unit over the tones' input path; off, it is a resistor at room temperature.

    ``enr_db`` is its excess noise ratio (T_hot − 290 K) / 290 K in dB: one number or a table over frequency.
    """

    accuracy: NoiseSourceAccuracy
    enr_db: float | EnrTable
    settle_s: NonNegative = 0.05

    def enr_at_db(self, frequency_hz: float) -> float:
        """Excess noise ratio at a frequency, linear in dB between the points of a table, constant beyond its ends."""
        if not isinstance(self.enr_db, EnrTable):
            return self.enr_db
        hertz, ratios = self.enr_db.frequency_hz, self.enr_db.enr_db
        above = bisect.bisect_left(hertz, frequency_hz)
        if above in (0, len(hertz)):
            return ratios[min(above, len(hertz) - 1)]
        share = (frequency_hz - hertz[above - 1]) / (hertz[above] - hertz[above - 1])
        return ratios[above - 1] * (1 - share) + ratios[above] * share


class AnalyzerAccuracy(FileModel):
    """Level error = constant ±``level_db``, slope ±``scale_db_per_10db`` from −20 dBm, response over frequency
    ±``flatness_db`` drawn at knots 10 MHz apart, and one within ±``attenuator_db`` for each attenuator setting.

    Its own noise is within ±``noise_db`` of the entry's ``noise_dbm_per_hz``: by default 1 dB, as far as the typical
    noise floor of a data sheet and a specimen's usually differ (common practice, no source).
    """

    level_db: NonNegative
    scale_db_per_10db: NonNegative
    flatness_db: NonNegative
    attenuator_db: NonNegative
    noise_db: NonNegative = 1.0


class AnalyzerEntry(InstrumentEntry):
    """A spectrum analyzer. Noise and intercepts hold at 0 dB attenuation; both rise dB for dB with it."""

    accuracy: AnalyzerAccuracy
    noise_dbm_per_hz: float
    intercept2_dbm: float
    intercept3_dbm: float
    attenuations_db: tuple[float, ...] = Field(min_length=1)
    bandwidths_hz: tuple[float, ...] = Field(min_length=1)
    highest_input_dbm: float
    tune_s: NonNegative = 0.01


class NetworkAccuracy(FileModel):
    """S21 read = S21 · 10^(e/20) · exp(jφ), within the corrections for match in ``NetworkAnalyzerEntry``.

    e, in dB, is a constant within ±``magnitude_db``, plus a straight line between knots 10 MHz apart, each within
    ±``tracking_db``, plus a slope within ±``linearity_db_per_10db`` for each 10 dB of S21 above 0 dB. φ, in degrees, is
    made likewise from the keys in ``deg``. All are drawn apart.
    """

    magnitude_db: NonNegative
    tracking_db: NonNegative
    linearity_db_per_10db: NonNegative
    phase_deg: NonNegative
    phase_tracking_deg: NonNegative
    linearity_deg_per_10db: NonNegative


class NetworkAnalyzerEntry(InstrumentEntry):
    """A network analyzer with two ports of ``reference_ohm``, calibrated at its own connectors.

    ``residual_db`` is the largest magnitude that directivity, source match and load match have left after that
    calibration, each of unknown phase. Noise is referred to the receivers' connectors.
    """

    accuracy: NetworkAccuracy
    noise_dbm_per_hz: float
    residual_db: float = Field(lt=0)
    highest_power_dbm: float
    highest_input_dbm: float
    reference_ohm: float = Field(default=50.0, gt=0)
    settle_s: NonNegative = 0.02


class SupplyAccuracy(FileModel):
    """Set voltage within ±``voltage_v``; voltage and current readings within ±``voltage_reading_v``, ±``current_a``."""

    voltage_v: NonNegative
    voltage_reading_v: NonNegative
    current_a: NonNegative


class SupplyEntry(InstrumentEntry):
    """A DC supply. ``output`` names the one that is used of several; without it the supply has one.

    ``remote_sense`` is switched so at bring-up, and read back; without it the supply is left as somebody has set it.
    """

    accuracy: SupplyAccuracy
    highest_voltage_v: float = Field(gt=0)
    highest_current_a: float = Field(gt=0)
    output: int | None = Field(default=None, ge=1)
    remote_sense: bool | None = None
    settle_s: NonNegative = 0.2


def _text_keys(value: Any) -> Any:
    """TOML bare keys such as ``100`` arrive as text; loads are numbers."""
    if isinstance(value, dict):
        try:
            by_load = {float(key): route for key, route in value.items()}
        except ValueError:
            raise ValueError("the keys must be load resistances in Ω") from None
        if len(by_load) != len(value):
            raise ValueError("a load is listed twice")
        if not all(0 < load < math.inf for load in by_load):
            raise ValueError("the keys must be load resistances in Ω, above 0")
        return by_load
    return value


class LoadSwitchEntry(InstrumentEntry):
    """A switch that chooses the differential load; ``loads`` maps Ω to a relay channel."""

    loads: Annotated[dict[float, int], BeforeValidator(_text_keys)] = Field(min_length=1)
    settle_s: NonNegative = 0.05


class ChannelSwitchEntry(InstrumentEntry):
    """A switch that connects sources and analyzer to one channel; ``channels`` maps its name to a relay channel.

    ``network_channels`` does so for the network analyzer, which takes the place of both.
    """

    channels: dict[str, int] = Field(min_length=1)
    network_channels: dict[str, int] = Field(default_factory=dict)
    settle_s: NonNegative = 0.05


class CodePortEntry(InstrumentEntry):
    """Digital lines to the gain-code and mode pins: a port number for each channel, and one for the mode pins.

    A number that ``strobed`` or ``shifted`` describes is no port but names a word that the unit latches.
    """

    channels: dict[str, int] = Field(min_length=1)
    mode: int = Field(ge=0)
    strobed: tuple[StrobedWord, ...] = ()
    shifted: tuple[ShiftedWord, ...] = ()
    settle_s: NonNegative = 0.001

    @model_validator(mode="after")
    def _lines_fit(self) -> Self:
        problems = list(line_problems((*self.channels.values(), self.mode), self.strobed, self.shifted))
        if problems:
            raise ValueError("; ".join(problems))
        return self


class Instruments(FileModel):
    """``[instrument.*]``: the places of a bench; the name of a place says what the instrument does there."""

    tone_1: ToneSourceEntry | None = None
    tone_2: ToneSourceEntry | None = None
    noise_source: NoiseSourceEntry | None = None
    analyzer: AnalyzerEntry | None = None
    supply: SupplyEntry | None = None
    current_meter: CurrentMeterEntry | None = None
    board_thermometer: ThermometerEntry | None = None
    chamber: ChamberEntry | None = None
    load_switch: LoadSwitchEntry | None = None
    channel_switch: ChannelSwitchEntry | None = None
    code_port: CodePortEntry | None = None
    network_analyzer: NetworkAnalyzerEntry | None = None
    power_meter: PowerMeterEntry | None = None

    @property  # not kept: a copy with other instruments would keep those of the first
    def present(self) -> dict[str, InstrumentEntry]:
        """Instruments that the bench has, by place, in the order of this model."""
        found = {place: getattr(self, place) for place in type(self).model_fields}
        return {place: entry for place, entry in found.items() if entry is not None}

    @model_validator(mode="after")
    def _one_place_each(self) -> Self:
        """Two places at one instrument would have two lines to it, and each would take the other's replies."""
        seen: dict[str, str] = {}
        for place, entry in self.present.items():
            first = seen.setdefault(parse_resource(entry.resource).canonical, place)
            if first != place:
                raise ValueError(f"{first} and {place} are the same instrument, {entry.resource}: one place each")
        return self


class Combiner(FileModel):
    """``[combiner]``: where both tones meet.

    ``intercept3_dbm`` is the third-order intercept at which the sources intermodulate through it, in levels as the
    sources are set (isolation included); left out means that they do not.
    """

    intercept3_dbm: float


class Fixture(FileModel):
    """``[fixture]``: board, cables and room: what shares the chamber with the unit, and what the room is like.

    The room is within ±``room_within_k`` of ``room_c``: by default 2 K, a room without a thermometer of its own.
    """

    temperature_c: Span
    time_constant_s: float = Field(gt=0)
    room_c: float = 23.0
    room_within_k: NonNegative = 2.0
    room_humidity_percent: float = Field(default=50.0, ge=0, le=100)


class FaultyStep(FileModel):
    """A gain step of a simulated unit that is off by ``error_db`` from ``code`` on, in one channel."""

    channel: str
    code: int
    error_db: float
    below_c: float | None = None


class SimulatedUnit(FileModel):
    """``[simulation.unit.SERIAL]``: what is special about one simulated unit."""

    faulty_step: FaultyStep | None = None


class Simulation(FileModel):
    """``[simulation]``: only for a simulated bench. ``seed`` draws the instruments' errors and the units' spread."""

    seed: int = 0
    starts: AwareDatetime | None = None
    unit: dict[str, SimulatedUnit] = Field(default_factory=dict)


class Bench(FileModel):
    """A whole bench file."""

    bench: BenchFacts
    instrument: Instruments
    path_loss: tuple[PathLossEntry, ...] = ()
    de_embedding: tuple[DeEmbeddingEntry, ...] = ()
    combiner: Combiner | None = None
    fixture: Fixture
    dry_out: DryOutEntry = DryOutEntry()
    interlock: tuple[InterlockEntry, ...] = ()
    simulation: Simulation | None = None

    @property
    def is_simulated(self) -> bool:
        """Whether the instruments are the rig's, in this process or served by another."""
        return self.is_in_process or self.bench.clock == "scaled"

    @property
    def is_in_process(self) -> bool:
        """Whether the rig is in the process of the run."""
        return self.bench.visa_library == "@sim"

    @property
    def idle_c(self) -> float | None:
        """Where the chamber is left; None on a bench without one."""
        return None if self.instrument.chamber is None else self.instrument.chamber.idle_c

    @model_validator(mode="after")
    def _each_interlock_once(self) -> Self:
        names = [entry.name for entry in self.interlock]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            raise ValueError(f'two [[interlock]] tables are for "{twice}": one each')
        return self

    @model_validator(mode="after")
    def _clock_fits(self) -> Self:
        clock = self.bench.clock
        if clock == "simulated" and not self.is_in_process:
            raise ValueError('clock = "simulated" goes only with visa_library = "@sim"; real instruments need "real"')
        if clock != "scaled":
            return self
        if self.is_in_process:
            raise ValueError('clock = "scaled" is for a rig that is served; visa_library = "@sim" needs "simulated"')
        if self.simulation is None:
            raise ValueError('clock = "scaled" is for a simulated bench, and there is no [simulation]')
        for place, entry in self.instrument.present.items():
            if loopback_port(entry.resource) is None:
                raise ValueError(
                    f'clock = "scaled" is for a rig served on this machine, and {place} is at {entry.resource}: '
                    'real instruments need "real", a served one TCPIP::127.0.0.1::port::SOCKET'
                )
        return self
