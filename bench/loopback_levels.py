"""What level a loopback should find, how well that is known, and what a wrong one points to. Pure.

Uncertainties are the bench file's, combined as JCGM 100:2008, 5.1.2 has it, and expanded with k = 2; how far a unit may
be off its nominal gain comes from the limits of its part.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from bench.loopback_plan import LoopPlan
from drivers.roles import SweepSetting
from reports.causes import standard
from reports.levels import SCALE_ZERO_DBM
from reports.mismatch import mismatch_standard_db
from sequences.conditions import Condition
from sequences.part_file import Limit, Part
from sequences.path_losses import Path
from sequences.products import output_level_dbm

#: Expanded uncertainties here have this coverage factor, as those of path losses (JCGM 100:2008, 6.2.1).
COVERAGE = 2.0


#: How far a unit may be off its nominal gain, and its steps off theirs, where no limit of its part says so. Ours.
GAIN_WITHIN_DB = 1.5
STEP_WITHIN_SHARE = 0.5
CODES_WITHIN_DB = 1.0

#: Output resistance of a unit at most, of its reference load, where no limit of its part says so. Ours.
OUTPUT_RESISTANCE_SHARE = 0.1

#: Filter in which products of a through are looked at, or the nearest that the analyzer has. Ours: noise far below
#: what analyzers make by themselves, in a sweep of a second.
RESIDUAL_BANDWIDTH_HZ = 30.0

#: How far noise and products may be above what is declared: levels here are known to a few tenths, and a product goes
#: with the third power. Ours.
NOISE_MARGIN_DB = 3.0
PRODUCT_MARGIN_DB = 2.0


@dataclass(frozen=True, slots=True)
class Expected:
    """A value that should be found, within ± ``within``, its expanded uncertainty (k = 2)."""

    value: float
    within: float


Verdict = Literal["good", "WRONG"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial: what was tried, what should be found, what was, and what that means."""

    what: str
    expected: str
    found: str
    verdict: Verdict
    hint: str = ""


def judged(what: str, wanted: Expected, found: float, unit: str, hint: str, *, wrong: bool = False) -> Trial:
    """A trial by how far a number is off; the hint counts only if it is wrong."""
    good = abs(found - wanted.value) <= wanted.within and not wrong
    return Trial(
        what,
        f"{wanted.value:z.2f} ± {wanted.within:.2f}",
        f"{found:z.2f} {unit}",
        "good" if good else "WRONG",
        "" if good else hint,
    )


@dataclass(frozen=True, slots=True)
class Deviation:
    """How far a level was off what was expected: found less expected, dB, and how far it may be."""

    source: str
    channel: str
    load_ohm: float
    off_db: float
    within_db: float

    @property
    def wrong(self) -> bool:
        """Whether it is off by more than it may be."""
        return abs(self.off_db) > self.within_db


def expected_level(
    plan: LoopPlan, condition: Condition, source: str, setting_dbm: float, scatter_db: float
) -> Expected:
    """Level at the analyzer of one source alone, dBm.

    Args:
        plan: Files and frequencies.
        condition: Where it is read.
        source: Which source is on.
        setting_dbm: Its level as it reads back.
        scatter_db: Standard uncertainty of the reading from noise.
    """
    hertz = plan.frequencies_hz[source == "tone_2"]
    losses, facts = plan.setup.path_losses, plan.part.part
    lost = {path: losses.loss_db(path, condition.channel, condition.load_ohm, hertz) for path in _PATHS}
    gain_db = plan.part.gain_codes.gain_of[condition.gain_code]
    load_dbm = output_level_dbm(setting_dbm - lost["input"], gain_db, condition.load_ohm, facts.input_resistance_ohm)
    found_dbm = load_dbm - lost["output"]
    parts = [
        *_source_parts(plan, source),
        *(part for path in _PATHS for part in _path_parts(plan, path, condition)),
        *_analyzer_parts(plan, found_dbm),
        scatter_db,
    ]
    if not plan.through:
        parts.append(_rectangular(gain_within_db(plan.part, condition)))
        parts.append(_rectangular(load_within_db(plan.part, condition.load_ohm)))
    return Expected(found_dbm, COVERAGE * math.hypot(*parts))


def expected_step(plan: LoopPlan, code: int, scatter_db: float) -> Expected:
    """Change of the level from the plan's code to another, dB: all but the analyzer's scale and noise cancels."""
    gains = plan.part.gain_codes.gain_of
    step_db = gains[code] - gains[plan.code]
    scale_db = _rectangular(plan.analyzer.accuracy.scale_db_per_10db) * step_db / 10
    unit_db = _rectangular(step_within_db(plan.part, plan.code, code))
    return Expected(step_db, COVERAGE * math.hypot(scale_db, unit_db, scatter_db))


def at_rest_hint(plan: LoopPlan, condition: Condition, off_db: float, wanted: Expected) -> str:
    """Whether a level is just as far off as the gain of a channel at rest: then that is the one that answers."""
    gains = plan.part.gain_codes.gain_of
    rest_db = gains[plan.lowest_code] - gains[plan.code]
    if rest_db == 0 or len(plan.channels) < 2 or abs(off_db - rest_db) > wanted.within:
        return ""
    return (
        f"this is the level of a channel at its lowest gain: another channel answers for {condition.channel} "
        "(relays of channel_switch or ports of code_port exchanged), or its code does not arrive"
    )


def current_trial(plan: LoopPlan, condition: Condition, current_a: float) -> Trial:
    """The supply current against what the part file calls plausible in its mode."""
    span = plan.part.modes[condition.supply_mode].plausible_current_a
    good = span.holds(current_a)
    return Trial(
        f"channel {condition.channel}, mode {condition.supply_mode}: supply current",
        f"{span.min * 1e3:.0f} … {span.max * 1e3:.0f}",
        f"{current_a * 1e3:.1f} mA",
        "good" if good else "WRONG",
        "" if good else "mode pins, supply leads, or another unit than the part file describes",
    )


def highest_tone_dbm(plan: LoopPlan, channel: str) -> float:
    """The strongest level that a channel should give at the analyzer, over its loads, dBm."""
    losses, facts = plan.setup.path_losses, plan.part.part
    gain_db = plan.part.gain_codes.gain_of[plan.code]
    hertz = plan.frequencies_hz[0]
    return max(
        output_level_dbm(plan.level_dbm, gain_db, load, facts.input_resistance_ohm)
        - losses.loss_db("output", channel, load, hertz)
        for load in plan.loads_ohm
    )


def residual_setting(plan: LoopPlan) -> SweepSetting:
    """How the analyzer looks at products: as far above noise as it can with the attenuation of the tones."""
    narrow_hz = min(plan.analyzer.bandwidths_hz, key=lambda width: abs(math.log(width / RESIDUAL_BANDWIDTH_HZ)))
    return SweepSetting(narrow_hz, plan.setting.attenuation_db, plan.setting.points)


def residual_at_most_dbc(
    plan: LoopPlan, setting: SweepSetting, tone_dbm: float, settings_dbm: Mapping[str, float]
) -> float:
    """What the bench may add to a third-order product by what its file declares, all of it in phase, dBc.

    Two equal tones P give P − 2·(I − P) at an intercept I: the analyzer's, which rises with its attenuation, and the
    combiner's, in levels as the sources are set. Noise adds in power, and voltages that are in phase add.
    """
    entry, combiner = plan.analyzer, plan.bench.combiner
    own_dbc = [-2 * (entry.intercept3_dbm + setting.attenuation_db - tone_dbm)]
    if combiner is not None:
        own_dbc.append(-2 * (combiner.intercept3_dbm - max(settings_dbm.values())))
    volts = sum(10 ** (level / 20) for level in own_dbc)
    noise_dbm = entry.noise_dbm_per_hz + setting.attenuation_db + 10 * math.log10(setting.resolution_bandwidth_hz)
    power = volts**2 + 10 ** ((noise_dbm + NOISE_MARGIN_DB - tone_dbm) / 10)
    return 10 * math.log10(power) + PRODUCT_MARGIN_DB


def residual_trial(
    plan: LoopPlan,
    what: str,
    setting: SweepSetting,
    product_dbm: float,
    tone_dbm: float,
    settings_dbm: Mapping[str, float],
) -> Trial:
    """What a product of a through is against what the bench file declares at most."""
    most_dbc = residual_at_most_dbc(plan, setting, tone_dbm, settings_dbm)
    found_dbc = product_dbm - tone_dbm
    good = found_dbc <= most_dbc
    hint = "" if good else "analyzer, combiner or sources make more than the bench file declares"
    verdict: Verdict = "good" if good else "WRONG"
    return Trial(what, f"{most_dbc:.1f} or less", f"{found_dbc:.1f} dBc", verdict, hint)


def gain_within_db(part: Part, condition: Condition) -> float:
    """How far the gain may be off its nominal value by the part's own limits."""
    nominal_db = part.gain_codes.gain_of[condition.gain_code]
    bounds = [
        abs(bound - nominal_db)
        for limit in _limits(part, "gain")
        if _holds_for(limit, "gain_code", condition.gain_code) and _holds_for(limit, "channel", condition.channel)
        for bound in (limit.min, limit.max)
        if bound is not None
    ]
    return max(bounds, default=GAIN_WITHIN_DB)


def step_within_db(part: Part, code: int, other: int) -> float:
    """How far a step between two codes may be off: neighbours by the step's limit, others by that of the sum."""
    neighbours = abs(code - other) == 1
    word = "gain_step_error" if neighbours else "cumulative_gain_error"
    bounds = [abs(bound) for limit in _limits(part, word) for bound in (limit.min, limit.max) if bound is not None]
    gains = part.gain_codes.gain_of
    nominal_db = abs(gains[code] - gains[other])
    return max(bounds, default=STEP_WITHIN_SHARE * nominal_db if neighbours else CODES_WITHIN_DB)


def load_within_db(part: Part, load_ohm: float) -> float:
    """What a unit's output resistance may take from the level at a load, against the reference load.

    A source of resistance r gives V·R/(R + r), so the voltage changes by (1 + r/R)/(1 + r/R_ref).
    """
    reference_ohm = part.part.reference_load_ohm
    bounds = [limit.max for limit in _limits(part, "output_resistance") if limit.max is not None]
    highest_ohm = max(bounds, default=OUTPUT_RESISTANCE_SHARE * reference_ohm)
    return abs(20 * math.log10((1 + highest_ohm / load_ohm) / (1 + highest_ohm / reference_ohm)))


def causes_of(deviations: Sequence[Deviation]) -> tuple[str, ...]:
    """What wrong levels have in common, in words; empty if none is wrong.

    A cause is named where all that it would touch is off alike and the rest is not: first what all share, then a
    source, a channel, a load, a channel with its load.
    """
    left = [one for one in deviations if one.wrong]
    found = []
    for words, key in _SUSPECTS:
        for value in dict.fromkeys(key(one) for one in left):
            touched = [one for one in deviations if key(one) == value]
            wrong = [one for one in touched if one in left]
            if wrong and len(wrong) == len(touched) and _alike(wrong):
                off_db = sum(one.off_db for one in wrong) / len(wrong)
                found.append(f"{words(wrong[0])} {_off_text(off_db)}")
                left = [one for one in left if one not in wrong]
    found += [f"{one.source}, channel {one.channel}, {one.load_ohm:g} Ω alone: {_off_text(one.off_db)}" for one in left]
    return tuple(found)


def _off_text(off_db: float) -> str:
    if off_db > 0:
        return (
            f"{off_db:.1f} dB too strong: a pad or an attenuator missing, or a loss in the bench file that is not there"
        )
    return f"{-off_db:.1f} dB too weak: a loose or wrong cable, a pad too many, or a loss missing in the bench file"


def _alike(wrong: Iterable[Deviation]) -> bool:
    """Whether all are off by the same, within half of what each may be off."""
    offs = [(one.off_db, one.within_db) for one in wrong]
    middle = sum(off for off, _ in offs) / len(offs)
    return all(abs(off - middle) <= within / 2 + 0.1 for off, within in offs)


#: From the widest cause to the narrowest: words, and what tells the levels that it touches from the others.
_SUSPECTS: tuple[tuple[Callable[[Deviation], str], Callable[[Deviation], Hashable]], ...] = (
    (lambda one: "every level: analyzer, its cable, or the combiner's output:", lambda one: ()),
    (lambda one: f"every level from {one.source}: its cable, or its input of the combiner:", lambda one: one.source),
    (lambda one: f"every level of channel {one.channel}: its input path or its relays:", lambda one: one.channel),
    (lambda one: f"every level into {one.load_ohm:g} Ω: its pad, balun or relay:", lambda one: one.load_ohm),
    (
        lambda one: f"channel {one.channel} into {one.load_ohm:g} Ω: its output path (pad, balun, cable):",
        lambda one: (one.channel, one.load_ohm),
    ),
)

_PATHS: tuple[Path, Path] = ("input", "output")


def _source_parts(plan: LoopPlan, source: str) -> Iterator[float]:
    places = plan.bench.instrument
    entry = places.tone_1 if source == "tone_1" else places.tone_2
    if entry is not None:
        yield _rectangular(entry.accuracy.level_db)
        yield _rectangular(entry.accuracy.setting_db)


def _path_parts(plan: LoopPlan, path: Path, condition: Condition) -> Iterator[float]:
    losses = plan.setup.path_losses
    yield losses.standard_uncertainty_db(path, condition.channel, condition.load_ohm)
    entry = losses.entries[losses.entry_number(path, condition.channel, condition.load_ohm)]
    if entry.vswr is not None:
        yield mismatch_standard_db(*entry.vswr)


def _analyzer_parts(plan: LoopPlan, level_dbm: float) -> Iterator[float]:
    accuracy = plan.analyzer.accuracy
    yield _rectangular(accuracy.level_db)
    yield _rectangular(accuracy.scale_db_per_10db) * (level_dbm - SCALE_ZERO_DBM) / 10
    yield _rectangular(accuracy.flatness_db)
    yield _rectangular(accuracy.attenuator_db)


def _rectangular(half_width: float) -> float:
    return standard(half_width, "rectangular")


def _limits(part: Part, characteristic: str) -> list[Limit]:
    return [limit for limit in part.limit if limit.characteristic == characteristic]


def _holds_for(limit: Limit, axis: str, value: float | str) -> bool:
    matcher = limit.where.get(axis)
    return matcher is None or matcher.matches(value)
