"""What could hurt a unit or an instrument, or cannot be reached: temperatures, supply, levels, against every rating.

A rule that would be broken refuses the run before power-up. Levels are judged on the conditions that are left after
exclusions, the worst one named.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sequences.bench_file import Bench
from sequences.conditions import AxisValues, Condition, axis_values
from sequences.errors import FaultKind, FileFault
from sequences.part_file import Part, Span
from sequences.path_losses import PathLosses
from sequences.products import TONES, line_frequency_hz, measured_lines
from sequences.sequence_file import Sequence
from sequences.source_levels import unit_input_levels_dbm
from sequences.units import plain_number, quantity_text

if TYPE_CHECKING:
    from sequences.read_files import Setup

#: Least distance in dB of the strongest signal below the analyzer's highest input. Ours: the saturated output is a
#: typical figure and the loss of a pad that is not seated right is lower than declared.
ANALYZER_MARGIN_DB = 10.0

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FileNames:
    """How messages call the three files."""

    sequence: str = "sequence file"
    part: str = "part file"
    bench: str = "bench file"


@dataclass(frozen=True)
class Subject:
    """The three files that are held against each other."""

    sequence: Sequence
    part: Part
    bench: Bench
    losses: PathLosses
    names: FileNames

    @cached_property
    def values(self) -> dict[str, AxisValues]:
        """Values of each axis, ``all`` filled in."""
        return axis_values(self.sequence, self.part)

    def numbers(self, axis: str) -> tuple[float, ...]:
        """Values of a numeric axis."""
        return tuple(float(value) for value in self.values[axis])

    @cached_property
    def lines(self) -> tuple[str, ...]:
        """Lines that are measured."""
        measure = self.sequence.measure
        return measured_lines(
            two_tone=measure.two_tone,
            harmonics=measure.harmonics,
            compression=measure.compression,
            noise=measure.noise,
        )

    @cached_property
    def tones_on(self) -> tuple[str, ...]:
        """Tones that are on at the same time; without two-tone readings the upper one stays off."""
        measure = self.sequence.measure
        if measure.two_tone or measure.harmonics:
            return TONES
        return TONES[:1] if measure.compression else ()

    def line_hz(self, line: str, frequency_hz: float) -> float:
        """Frequency of a line in Hz around ``frequency_hz``."""
        return line_frequency_hz(line, frequency_hz, self.sequence.tones.spacing_hz)

    def axis_fault(self, kind: FaultKind, axis: str, found: str, allowed: str = "", problem: str = "") -> FileFault:
        """A fault of one axis of the sequence."""
        return FileFault(kind, self.names.sequence, "[axes]", axis, found, allowed, problem=problem)


def rating_faults(subject: Subject) -> Iterator[FileFault]:
    """Temperatures, frequencies, supply and ramp against what part and bench stand."""
    yield from _temperature_faults(subject)
    yield from _frequency_faults(subject)
    yield from _supply_faults(subject)
    yield from _idle_faults(subject)
    yield from _dry_out_faults(subject)
    yield from _sensor_faults(subject)
    chamber, rating = subject.bench.instrument.chamber, subject.part.absolute_maximum.ramp_k_per_min
    if chamber is not None and chamber.ramp_k_per_min > rating:
        found, allowed = f"{chamber.ramp_k_per_min:g} K/min", f"{rating:g} K/min or less (part rating)"
        yield _chamber_fault(subject, "ramp_k_per_min", found, allowed)


def _temperature_faults(subject: Subject) -> Iterator[FileFault]:
    part, bench, chamber = subject.part, subject.bench, subject.bench.instrument.chamber
    spans = [
        (part.operating.temperature_c, "part operating range"),
        (part.absolute_maximum.temperature_c, "part rating"),
        (bench.fixture.temperature_c, "fixture rating"),
    ]
    if chamber is not None:
        spans.append((chamber.temperature_c, "chamber range"))
        if chamber.limiter_c is not None:
            spans.append((Span(min=-273.15, max=chamber.limiter_c), "below the chamber's limiter"))
    temperatures = subject.numbers("temperature_c")
    # The ends of the axis say it all: what lies between them is no worse.
    for temperature in sorted({min(temperatures), max(temperatures)}):
        broken = next(((span, why) for span, why in spans if not span.holds(temperature)), None)
        if broken is not None:
            allowed = f"{_span_text(broken[0])} ({broken[1]})"
            yield subject.axis_fault("beyond rating", "temperature_c", plain_number(temperature), allowed)


def _idle_faults(subject: Subject) -> Iterator[FileFault]:
    chamber = subject.bench.instrument.chamber
    if chamber is None:
        return
    for span, why in (
        (subject.part.absolute_maximum.temperature_c, "part rating"),
        (subject.bench.fixture.temperature_c, "fixture rating"),
        (chamber.temperature_c, "chamber range"),
    ):
        if not span.holds(chamber.idle_c):
            yield _chamber_fault(subject, "idle_c", plain_number(chamber.idle_c), f"{_span_text(span)} ({why})")
            return


def _sensor_faults(subject: Subject) -> Iterator[FileFault]:
    """A sensor must stand both sources at their ceilings: a source that is set wrong is what it is there to find."""
    meter, places = subject.bench.instrument.power_meter, subject.bench.instrument
    ceilings = [entry.highest_level_dbm for entry in (places.tone_1, places.tone_2) if entry is not None]
    if meter is None or not ceilings:
        return
    highest_dbm = max(ceilings) + 10 * math.log10(sum(10 ** ((one - max(ceilings)) / 10) for one in ceilings))
    arriving_dbm = highest_dbm - meter.least_coupling_db + meter.coupling_uncertainty_db
    if arriving_dbm > meter.highest_input_dbm:
        problem = f"the sources may put {arriving_dbm:.1f} dBm into the sensor"
        found = f"{meter.highest_input_dbm:g}"
        yield FileFault(
            "beyond rating",
            subject.names.bench,
            "[instrument.power_meter]",
            "highest_input_dbm",
            found,
            "more than that, or sources with a lower highest_level_dbm",
            problem=problem,
        )


def _frequency_faults(subject: Subject) -> Iterator[FileFault]:
    span = subject.part.operating.frequency_hz
    frequencies = subject.numbers("frequency_hz")
    for frequency in sorted({min(frequencies), max(frequencies)}):
        if not span.holds(frequency):
            allowed = f"{quantity_text(span.min, 'Hz')} … {quantity_text(span.max, 'Hz')} (part operating range)"
            yield subject.axis_fault("beyond rating", "frequency_hz", quantity_text(frequency, "Hz"), allowed)


def _supply_faults(subject: Subject) -> Iterator[FileFault]:
    ratings, supply = subject.part.absolute_maximum, subject.bench.instrument.supply
    for number, mode in enumerate(subject.part.supply_mode, start=1):
        if mode.name not in subject.values["supply_mode"]:
            continue
        bounds = [
            ("supply_v", mode.supply_v, ratings.supply_v, "V", "part rating"),
            ("current_limit_a", mode.current_limit_a, ratings.supply_current_a, "A", "part rating"),
        ]
        if supply is not None:
            bounds += [
                ("supply_v", mode.supply_v, supply.highest_voltage_v, "V", "the bench's supply"),
                ("current_limit_a", mode.current_limit_a, supply.highest_current_a, "A", "the bench's supply"),
            ]
        meter = subject.bench.instrument.current_meter
        if meter is not None and meter.range_a is not None:
            key, why = "plausible_current_a", "range of the bench's current meter"
            bounds.append((key, mode.plausible_current_a.max, meter.range_a, "A", why))
        for key, value, highest, unit, why in bounds:
            if value > highest:
                found, allowed = quantity_text(value, unit), f"{quantity_text(highest, unit)} or less ({why})"
                table = f"[[supply_mode]] no. {number}"
                yield FileFault("beyond rating", subject.names.part, table, key, found, allowed)


def level_faults(subject: Subject, conditions: tuple[Condition, ...]) -> Iterator[FileFault]:
    """Source levels, total input power and analyzer input. Every path loss must be known at these conditions."""
    if not subject.tones_on:
        return
    levels = _unit_input_dbm(subject, conditions)
    yield from _source_faults(subject, conditions, levels[: len(subject.tones_on)])
    # Powers add; written from the difference of the two, so that no absurd level of a file overflows on the way.
    both = len(subject.tones_on) == len(TONES)
    upper = 10 ** (subject.sequence.tones.upper_minus_lower_db / 10) if both else 0.0
    total = levels[0] + 10 * math.log10(1 + upper) + _doubt_db(subject, conditions)
    worst = int(np.argmax(total))
    highest = subject.part.absolute_maximum.input_level_dbm
    if total[worst] > highest:
        who = "both tones together" if both else "the tone"
        level = f"{who} may put {total[worst]:.2f} dBm into the unit (with what source and path may be off)"
        problem = f"{level} at {_text(conditions[worst])}"
        found = f"{conditions[worst].tone_level_dbm:g}"
        allowed = f"{highest:g} dBm or less (part rating)"
        yield subject.axis_fault("beyond rating", "tone_level_dbm", found, allowed, problem)
    yield from _analyzer_faults(subject, conditions)


def source_faults(setup: Setup, conditions: tuple[Condition, ...], names: FileNames) -> tuple[FileFault, ...]:
    """Levels that the sources of a setup cannot give; nothing is said of the unit, which may be a through."""
    subject = Subject(setup.sequence.model, setup.part.model, setup.bench.model, setup.path_losses, names)
    levels = _unit_input_dbm(subject, conditions)
    return tuple(_source_faults(subject, conditions, levels[: len(subject.tones_on)]))


def _doubt_db(subject: Subject, conditions: tuple[Condition, ...]) -> FloatArray:
    """How far in dB the level at the unit's input may lie above the one that is asked for: source and path, (n,)."""
    places = subject.bench.instrument
    sources = [entry.accuracy for entry in (places.tone_1, places.tone_2) if entry is not None]
    source_db = max((accuracy.level_db + accuracy.setting_db for accuracy in sources), default=0.0)
    channels, loads = _columns(conditions)
    path_db: FloatArray = 2 * subject.losses.standard_uncertainties_db("input", channels, loads)
    return source_db + path_db


def _unit_input_dbm(subject: Subject, conditions: tuple[Condition, ...]) -> tuple[FloatArray, FloatArray]:
    """Level of the lower and the upper tone at the unit's input in dBm, each (conditions,)."""
    levels = np.array([unit_input_levels_dbm(item, subject.part, subject.sequence.tones) for item in conditions])
    return levels[:, 0], levels[:, 1]


def _source_faults(
    subject: Subject, conditions: tuple[Condition, ...], levels: tuple[FloatArray, ...]
) -> Iterator[FileFault]:
    channels, loads = _columns(conditions)
    instruments = subject.bench.instrument
    for place, entry, line, level in zip(
        ("tone_1", "tone_2"), (instruments.tone_1, instruments.tone_2), TONES, levels, strict=False
    ):
        if entry is None:
            continue
        hertz = [subject.line_hz(line, condition.frequency_hz) for condition in conditions]
        needed = level + subject.losses.losses_db("input", channels, loads, hertz)
        worst = int(np.argmax(needed))
        if needed[worst] > entry.highest_level_dbm:
            problem = f"{place} would have to give {needed[worst]:.2f} dBm at {_text(conditions[worst])}"
            found = f"{conditions[worst].tone_level_dbm:g}"
            allowed = f"{entry.highest_level_dbm:g} dBm or less from {place}"
            yield subject.axis_fault("beyond rating", "tone_level_dbm", found, allowed, problem)


def _analyzer_faults(subject: Subject, conditions: tuple[Condition, ...]) -> Iterator[FileFault]:
    analyzer = subject.bench.instrument.analyzer
    if analyzer is None:
        return
    channels, loads = _columns(conditions)
    hertz = [condition.frequency_hz for condition in conditions]
    arriving = subject.part.absolute_maximum.saturated_output_dbm - subject.losses.losses_db(
        "output", channels, loads, hertz
    )
    worst = int(np.argmax(arriving))
    highest = analyzer.highest_input_dbm - ANALYZER_MARGIN_DB
    if arriving[worst] > highest:
        problem = (
            f"the saturated output of {subject.part.absolute_maximum.saturated_output_dbm:g} dBm arrives as "
            f"{arriving[worst]:.2f} dBm at {_text(conditions[worst])}"
        )
        found = f"{analyzer.highest_input_dbm:g}"
        allowed = f"{highest:g} dBm or less at the analyzer, {ANALYZER_MARGIN_DB:g} dB below its highest input"
        table = "[instrument.analyzer]"
        yield FileFault(
            "beyond rating", subject.names.bench, table, "highest_input_dbm", found, allowed, problem=problem
        )


def _columns(conditions: tuple[Condition, ...]) -> tuple[list[str], list[float]]:
    return [condition.channel for condition in conditions], [condition.load_ohm for condition in conditions]


def _dry_out_faults(subject: Subject) -> Iterator[FileFault]:
    """A dry-out that is stated lies above the room, and within what everything in the chamber stands."""
    part, bench, chamber = subject.part, subject.bench, subject.bench.instrument.chamber
    stated_c = bench.dry_out.temperature_c
    if chamber is None or stated_c is None:
        return
    spans = [
        (part.absolute_maximum.temperature_c, "part rating"),
        (bench.fixture.temperature_c, "fixture rating"),
        (chamber.temperature_c, "chamber range"),
    ]
    if chamber.limiter_c is not None:
        spans.append((Span(min=-273.15, max=chamber.limiter_c), "below the chamber's limiter"))
    room_c = bench.fixture.room_c
    spans.append((Span(min=room_c, max=max(room_c, chamber.temperature_c.max)), "above the room"))
    for span, why in spans:
        if not span.holds(stated_c):
            found, allowed = plain_number(stated_c), f"{_span_text(span)} ({why})"
            yield FileFault("beyond rating", subject.names.bench, "[dry_out]", "temperature_c", found, allowed)
            return


def _text(condition: Condition) -> str:
    return (
        f"channel {condition.channel}, gain code {condition.gain_code}, {condition.load_ohm:g} Ω, "
        f"{condition.tone_level_dbm:g} dBm, {quantity_text(condition.frequency_hz, 'Hz')}"
    )


def _span_text(span: Span) -> str:
    return f"{plain_number(span.min)} … {plain_number(span.max)}"


def _chamber_fault(subject: Subject, key: str, found: str, allowed: str) -> FileFault:
    return FileFault("beyond rating", subject.names.bench, "[instrument.chamber]", key, found, allowed)
