"""Hazards of supply and RF: what reaches the unit and the instruments, against what they stand."""

from __future__ import annotations

import math
from collections.abc import Iterator

from bench.bring_up import OVER_VOLTAGE_FACTOR
from bench.hazard import Hazard, Severity
from bench.hazard_numbers import (
    COLD_GAIN_DB,
    COMMON,
    INPUT_MARGIN_DB,
    SUPPLY_SHARE,
    TOUCH_DRY_V,
    TOUCH_SOURCE,
    TOUCH_WET_V,
)
from sequences.bench_file import Bench, SupplyEntry
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.path_losses import PathLosses
from sequences.products import TONES, output_level_dbm, tone_frequencies_hz
from sequences.sequence_file import Sequence
from sequences.source_levels import source_levels_dbm, unit_input_levels_dbm


def supply_hazards(part: Part, bench: Bench, conditions: tuple[Condition, ...], *, wet: bool) -> Iterator[Hazard]:
    """Of the powered unit; ``wet``: water may have condensed on what is touched."""
    if bench.instrument.supply is None:
        return
    names = {condition.supply_mode for condition in conditions}
    highest_v = max(part.modes[name].supply_v for name in names)
    limit_a = max(part.modes[name].current_limit_a for name in names)
    ratings = part.absolute_maximum
    protection_v = min(ratings.supply_v, highest_v * OVER_VOLTAGE_FACTOR)
    yield Hazard(
        "warning",
        "powered-unit",
        "Powered unit",
        f"{_output(bench.instrument.supply)}{highest_v:g} V with a current limit of {limit_a * 1e3:g} mA; "
        f"absolute maximum {ratings.supply_v:g} V, {ratings.supply_current_a * 1e3:g} mA; "
        f"over-voltage protection at {protection_v:.3g} V; the supply itself can give "
        f"{bench.instrument.supply.highest_voltage_v:g} V",
        "a reversed, open or shorted lead destroys the unit; a current limit is not a fuse",
        f"{_leads(bench.instrument.supply)}, mate connectors with bias off",
        COMMON,
    )
    if highest_v > SUPPLY_SHARE * ratings.supply_v:
        yield Hazard(
            "warning",
            "supply-margin",
            "Supply near its rating",
            f"{highest_v:g} V is above {SUPPLY_SHARE:.0%} of the absolute maximum of {ratings.supply_v:g} V, and "
            f"over-voltage protection at {protection_v:.3g} V is good to a few per cent",
            "a small error of supply or protection destroys the unit, or the protection trips without need",
            "lower the supply mode's voltage, or compare supply and protection with a meter first",
            "ours: absolute maximum ratings are no operating points",
        )
    touchable_v = TOUCH_WET_V if wet else TOUCH_DRY_V
    if protection_v > touchable_v:
        yield Hazard(
            "warning",
            "touch-voltage",
            "Voltage above touch limits",
            f"the supply goes to {highest_v:g} V and its protection to {protection_v:.3g} V; "
            f"{'wet' if wet else 'dry'} limit {touchable_v:g} V",
            "touching a bare conductor can kill",
            "insulate and guard every conductor; only a competent person connects, with the supply off and discharged",
            TOUCH_SOURCE,
            acknowledge=True,
        )


def _output(supply: SupplyEntry) -> str:
    return "" if supply.output is None else f"output {supply.output}: "


def _leads(supply: SupplyEntry) -> str:
    """What to look at between supply and unit. Open sense leads let the voltage rise, swapped ones trip it or worse."""
    if supply.remote_sense is None:
        return "check polarity and sense leads"
    if supply.remote_sense:
        return "check polarity; connect both sense leads at the unit, as an open one lets the voltage rise"
    return "check polarity; remote sense is switched off, so the leads' drop is missing at the unit"


def rf_hazards(
    part: Part, bench: Bench, sequence: Sequence, path_losses: PathLosses, conditions: tuple[Condition, ...]
) -> Iterator[Hazard]:
    """Of RF at the unit and at the analyzers."""
    two_tones = sequence.measure.two_tone or sequence.measure.harmonics
    if bench.instrument.analyzer is not None and (two_tones or sequence.measure.compression):
        yield _at_input(part, sequence, path_losses, conditions, two_tones=two_tones)
        yield _at_analyzer(part, bench, sequence, path_losses, conditions, two_tones=two_tones)
    yield from _network_analyzer(part, bench, sequence)


def _together_db(sequence: Sequence, *, two_tones: bool) -> float:
    """Power of all tones above that of the stronger one: powers add, and the weaker one adds less than 3 dB."""
    return 10 * math.log10(1 + 10 ** (-abs(sequence.tones.upper_minus_lower_db) / 10)) if two_tones else 0.0


def _at_input(
    part: Part, sequence: Sequence, path_losses: PathLosses, conditions: tuple[Condition, ...], *, two_tones: bool
) -> Hazard:
    together_db, named = _together_db(sequence, two_tones=two_tones), "both tones" if two_tones else "one tone"
    input_dbm, at_input = max(
        ((max(unit_input_levels_dbm(item, part, sequence.tones)) + together_db, item) for item in conditions),
        key=lambda pair: pair[0],
    )
    # One lost message leaves a source at its highest level while channel, load or frequency go to the least loss.
    places = {(item.channel, item.load_ohm, item.frequency_hz): item for item in conditions}.values()
    least_loss_db = min(
        path_losses.loss_db("input", item.channel, item.load_ohm, hertz)
        for item in places
        for hertz in tone_frequencies_hz(item.frequency_hz, sequence.tones.spacing_hz)[: len(TONES) if two_tones else 1]
    )
    highest_dbm = max(
        max(source_levels_dbm(item, part, sequence.tones, path_losses)[: len(TONES) if two_tones else 1])
        for item in conditions
    )
    stray_dbm = highest_dbm + together_db - least_loss_db
    rating_dbm = part.absolute_maximum.input_level_dbm
    severity: Severity = "warning" if rating_dbm - max(stray_dbm, input_dbm) < INPUT_MARGIN_DB else "note"
    return Hazard(
        severity,
        "unit-input",
        "RF at the unit's input",
        f"up to {input_dbm:.1f} dBm in {named} ({_short(at_input)}); {stray_dbm:.1f} dBm if the highest level met the "
        f"path with the least loss; absolute maximum {rating_dbm:g} dBm",
        "RF above the rating, or into a unit without bias, damages it",
        "RF goes on last and off first; keep every output terminated while bias is on",
        COMMON,
    )


def _at_analyzer(
    part: Part,
    bench: Bench,
    sequence: Sequence,
    path_losses: PathLosses,
    conditions: tuple[Condition, ...],
    *,
    two_tones: bool,
) -> Hazard:
    ratings, analyzer = part.absolute_maximum, bench.instrument.analyzer
    rating_dbm = math.inf if analyzer is None else analyzer.highest_input_dbm
    least_loss_db = min(
        path_losses.loss_db("output", item.channel, item.load_ohm, item.frequency_hz) for item in set(conditions)
    )
    together_db = _together_db(sequence, two_tones=two_tones)
    planned_dbm = max(_output_dbm(item, part, sequence) for item in conditions) + together_db - least_loss_db
    worst_dbm = ratings.saturated_output_dbm - least_loss_db
    # Every combination of gain, level and temperature ends at saturation: no cold gain brings more.
    cold_dbm = min(planned_dbm + COLD_GAIN_DB, max(worst_dbm, planned_dbm))
    only_pad = ratings.saturated_output_dbm > rating_dbm
    pad = "; without the pad it would be above the rating" if only_pad else ""
    return Hazard(
        "warning" if only_pad else "note",
        "analyzer-input",
        "RF at the analyzer",
        f"planned up to {planned_dbm:.1f} dBm ({cold_dbm:.1f} dBm with {COLD_GAIN_DB:g} dB more gain in the cold), "
        f"at worst {worst_dbm:.1f} dBm with the unit in saturation; rating {rating_dbm:g} dBm{pad}",
        "more than the rating destroys the analyzer's input; direct current on the line may, too",
        "keep the pad and a DC block in place; internal attenuation is a setting, not a protection",
        COMMON,
    )


def _network_analyzer(part: Part, bench: Bench, sequence: Sequence) -> Iterator[Hazard]:
    entry, sweep = bench.instrument.network_analyzer, sequence.measure.small_signal
    if entry is None or sweep is None:
        return
    ratings = part.absolute_maximum
    yield Hazard(
        "warning" if ratings.saturated_output_dbm > entry.highest_input_dbm else "note",
        "network-analyzer-input",
        "RF at the network analyzer",
        f"the unit, biased and driven with at most {sweep.power_dbm:g} dBm, may put up to its saturated output of "
        f"{ratings.saturated_output_dbm:g} dBm into port 2; rating {entry.highest_input_dbm:g} dBm",
        "more than the rating destroys a receiver; direct current from the unit or a supply may, too",
        "keep pads and DC blocks in place on both ports; never change the fixture with bias on",
        COMMON,
    )


def _output_dbm(condition: Condition, part: Part, sequence: Sequence) -> float:
    """Level of the stronger tone in the load, with nominal gain."""
    gain_db = part.gain_codes.gain_of[condition.gain_code]
    tone_dbm = max(unit_input_levels_dbm(condition, part, sequence.tones))
    return output_level_dbm(tone_dbm, gain_db, condition.load_ohm, part.part.input_resistance_ohm)


def _short(condition: Condition) -> str:
    return f"code {condition.gain_code}, {condition.load_ohm:g} Ω, {condition.tone_level_dbm:g} dBm per tone"
