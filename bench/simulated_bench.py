"""From part and bench files to the simulated rig: the one place that knows both.

The unit's typical figures come from the part's datasheet, its own peculiarities from its serial number, the errors of
the instruments from the bench file's seed: the same files and serial always make the same bench.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from typing import TypeVar

from bench.typical import typical
from drivers.simulated.amplifier import AmplifierModel, BiasMode, WeakStep
from drivers.simulated.latches import LatchSetup, ShiftRegisterSetup
from drivers.simulated.paths import PathLossSetup
from drivers.simulated.rig_setup import (
    AnalyzerSetup,
    ChamberSetup,
    CurrentMeterSetup,
    NetworkAnalyzerSetup,
    NoiseSourceSetup,
    PowerMeterSetup,
    RigSetup,
    SupplySetup,
    ThermometerSetup,
    ToneSourceSetup,
    TwoPortSetup,
    UnitRatings,
)
from sequences.bench_file import Bench, CodePortEntry, NoiseSourceEntry, Simulation, ToneSourceEntry
from sequences.de_embedding import ComplexArray, DeEmbedding, FloatArray, TwoPort
from sequences.part_file import Part
from sequences.path_entries import PathLossEntry
from sequences.path_losses import PathLosses
from sequences.read_files import Loaded

Named = TypeVar("Named", float, str)


def rig_setup(part: Part, loaded: Loaded[Bench], unit: str, *, through: bool = False) -> RigSetup:
    """The rig for a bench, with the unit of this part and serial number on it, or a through in its place."""
    bench = loaded.model
    simulation = bench.simulation or Simulation()
    places = bench.instrument
    return RigSetup(
        unit=_unit(part, simulation, unit),
        ratings=UnitRatings(
            supply_v=part.absolute_maximum.supply_v,
            input_level_dbm=part.absolute_maximum.input_level_dbm,
            highest_die_c=part.absolute_maximum.temperature_c.max,
        ),
        seed=simulation.seed,
        tone_1=_source(places.tone_1),
        tone_2=_source(places.tone_2),
        noise_source=_noise_source(places.noise_source),
        analyzer=_analyzer(bench),
        supply=_supply(bench),
        current_meter=_current_meter(bench),
        board_thermometer=_thermometer(bench),
        chamber=_chamber(bench),
        load_routes={} if places.load_switch is None else _by_number(places.load_switch.loads),
        channel_routes={} if places.channel_switch is None else _by_number(places.channel_switch.channels),
        network_analyzer=_network_analyzer(bench),
        network_routes={} if places.channel_switch is None else _by_number(places.channel_switch.network_channels),
        two_ports=_two_ports(bench, DeEmbedding.of(bench, loaded.attachments)),
        channel_ports={} if places.code_port is None else _by_number(places.code_port.channels),
        mode_port=None if places.code_port is None else places.code_port.mode,
        latches={} if places.code_port is None else _latches(places.code_port),
        path_losses=tuple(
            PathLossSetup(
                entry.path,
                entry.channel,
                entry.load_ohm,
                _declared(entry, loaded.attachments),
                entry.uncertainty_db,
                entry.vswr or (1.0, 1.0),
            )
            for entry in bench.path_loss
        ),
        combiner_intercept3_dbm=None if bench.combiner is None else bench.combiner.intercept3_dbm,
        power_meter=_power_meter(bench),
        through=through,
        board_time_constant_s=bench.fixture.time_constant_s,
        room_c=bench.fixture.room_c,
        room_within_k=bench.fixture.room_within_k,
        serials={place: entry.serial for place, entry in places.present.items() if entry.serial is not None},
    )


def _by_number(numbers: Mapping[Named, int]) -> dict[int, Named]:
    """What stands at each relay channel or port."""
    return {number: name for name, number in numbers.items()}


def _latches(entry: CodePortEntry) -> dict[int, LatchSetup | ShiftRegisterSetup]:
    """What the unit behind these lines has inside: strobes and pulses count at the edge that begins them."""
    latches: dict[int, LatchSetup | ShiftRegisterSetup] = {
        one.word: LatchSetup(
            one.data_port, one.bits, (one.strobe_port, one.strobe_bit), "rising" if one.active == "high" else "falling"
        )
        for one in entry.strobed
    }
    for word in entry.shifted:
        latches[word.word] = ShiftRegisterSetup(
            word.port,
            word.bits,
            word.data_bit,
            word.clock_bit,
            word.latch_bit,
            msb_first=word.first == "MSB",
            clock_edge=word.clock,
            latch_edge="falling" if word.latch == "pulse low" else "rising",
            select_low=word.latch == "low while shifting",
        )
    return latches


def _unit(part: Part, simulation: Simulation, serial: str) -> AmplifierModel:
    modes = {}
    for mode in part.supply_mode:
        figures = typical(part, mode.name)
        modes[mode.name] = BiasMode(mode.supply_v, mode.mode_word, mode.typical_current_a, figures.oip3_dbm)
    first = typical(part, part.supply_mode[0].name)
    special = simulation.unit.get(serial)
    weak = special.faulty_step if special is not None else None
    return AmplifierModel(
        channels=part.part.channels,
        input_resistance_ohm=part.part.input_resistance_ohm,
        nominal_gain_db=part.gain_codes.gain_of,
        reference_load_ohm=part.part.reference_load_ohm,
        modes=modes,
        # A checksum, not Python's hash: the same in every process.
        unit_seed=zlib.crc32(serial.encode()),
        hd2_dbc=first.hd2_dbc,
        hd2_level_dbm=first.hd2_tone_dbm,
        saturated_output_dbm=part.absolute_maximum.saturated_output_dbm,
        weak_step=None if weak is None else WeakStep(weak.channel, weak.code, weak.error_db, weak.below_c),
    )


def _declared(entry: PathLossEntry, attachments: Mapping[str, str]) -> Callable[[float], float]:
    """The loss that the bench file declares; beyond its table that of the nearest end, as a cable does not stop."""
    losses = PathLosses((entry,), attachments)
    # The only entry there is serves any channel and load that it leaves open.
    channel, load_ohm = entry.channel or "any", entry.load_ohm or 1.0
    lowest_hz, highest_hz = losses.covered_hz(entry.path, channel, load_ohm)

    def loss_db(frequency_hz: float) -> float:
        return losses.loss_db(entry.path, channel, load_ohm, min(max(frequency_hz, lowest_hz), highest_hz))

    return loss_db


def _source(entry: ToneSourceEntry | None) -> ToneSourceSetup | None:
    if entry is None:
        return None
    declared = entry.harmonics_dbc
    harmonics = None if declared is None else (declared.hd2, declared.hd3)
    return ToneSourceSetup(entry.accuracy.level_db, entry.accuracy.setting_db, entry.highest_level_dbm, harmonics)


def _noise_source(entry: NoiseSourceEntry | None) -> NoiseSourceSetup | None:
    return None if entry is None else NoiseSourceSetup(entry.enr_at_db, entry.accuracy.enr_db)


def _analyzer(bench: Bench) -> AnalyzerSetup | None:
    entry = bench.instrument.analyzer
    if entry is None:
        return None
    return AnalyzerSetup(
        level_db=entry.accuracy.level_db,
        scale_db_per_10db=entry.accuracy.scale_db_per_10db,
        flatness_db=entry.accuracy.flatness_db,
        attenuator_db=entry.accuracy.attenuator_db,
        noise_dbm_per_hz=entry.noise_dbm_per_hz,
        intercept2_dbm=entry.intercept2_dbm,
        intercept3_dbm=entry.intercept3_dbm,
        attenuations_db=entry.attenuations_db,
        bandwidths_hz=entry.bandwidths_hz,
        highest_input_dbm=entry.highest_input_dbm,
        tune_s=entry.tune_s,
        noise_db=entry.accuracy.noise_db,
    )


def _network_analyzer(bench: Bench) -> NetworkAnalyzerSetup | None:
    entry = bench.instrument.network_analyzer
    if entry is None:
        return None
    return NetworkAnalyzerSetup(
        **entry.accuracy.model_dump(),
        noise_dbm_per_hz=entry.noise_dbm_per_hz,
        residual_db=entry.residual_db,
        highest_power_dbm=entry.highest_power_dbm,
        reference_ohm=entry.reference_ohm,
    )


def _two_ports(bench: Bench, declared: DeEmbedding) -> tuple[TwoPortSetup, ...]:
    """What the files say, beyond their ends as at the nearest one, as a cable does not stop."""
    if bench.instrument.network_analyzer is None:
        return ()

    def within(two_port: TwoPort) -> Callable[[FloatArray], ComplexArray]:
        known = two_port.frequency_hz
        return lambda frequency_hz: two_port.at(frequency_hz.clip(known[0], known[-1]))

    return tuple(
        TwoPortSetup(
            entry.path,
            entry.channel,
            entry.load_ohm,
            within(two_port),
            entry.magnitude_uncertainty_db,
            entry.phase_uncertainty_deg,
        )
        for entry, two_port in zip(declared.entries, declared.two_ports, strict=True)
    )


def _supply(bench: Bench) -> SupplySetup | None:
    entry = bench.instrument.supply
    if entry is None:
        return None
    accuracy = entry.accuracy
    return SupplySetup(
        accuracy.voltage_v,
        accuracy.voltage_reading_v,
        accuracy.current_a,
        entry.highest_voltage_v,
        entry.highest_current_a,
        entry.output,
    )


def _current_meter(bench: Bench) -> CurrentMeterSetup | None:
    entry = bench.instrument.current_meter
    if entry is None:
        return None
    accuracy = entry.accuracy
    return CurrentMeterSetup(accuracy.offset_a, accuracy.gain, entry.reading_s, accuracy.noise_a)


def _power_meter(bench: Bench) -> PowerMeterSetup | None:
    entry = bench.instrument.power_meter
    if entry is None:
        return None
    return PowerMeterSetup(
        entry.accuracy.level_db,
        entry.accuracy.linearity_db_per_10db,
        entry.noise_dbm,
        entry.coupling_at_db,
        entry.coupling_uncertainty_db,
        entry.highest_input_dbm,
        entry.reading_s,
    )


def _thermometer(bench: Bench) -> ThermometerSetup | None:
    entry = bench.instrument.board_thermometer
    if entry is None:
        return None
    return ThermometerSetup(entry.accuracy.temperature_k, entry.reading_s, entry.sensor, entry.wires)


def _chamber(bench: Bench) -> ChamberSetup | None:
    entry = bench.instrument.chamber
    if entry is None:
        return None
    return ChamberSetup(
        entry.accuracy.temperature_k,
        entry.temperature_c.min,
        entry.temperature_c.max,
        entry.ramp_k_per_min,
        entry.second_sensor,
    )
