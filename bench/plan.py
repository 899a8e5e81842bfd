"""A plan: the conditions in order, how long they will take, and what could go wrong, before anything is switched on."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from bench.acquisition import Acquisition
from bench.hazard import Hazard
from bench.hazards import hazards, through_hazards
from bench.interlock_rules import interlock_faults
from bench.measure import expected_tone_dbm, lines_of, needs_analyzer
from bench.opening import OpeningRule
from bench.small_signal import sweep_s, swept_conditions
from bench.source_power import levels_to_read
from bench.typical import typical_intercepts_dbm
from sequences.bench_file import Bench
from sequences.conditions import AXIS_NAMES, Condition, expand
from sequences.errors import FileFault, FileFaults
from sequences.order import order
from sequences.part_file import Limit
from sequences.products import TONES
from sequences.rating_checks import FileNames, source_faults
from sequences.read_files import Setup
from sequences.through import through_conditions, through_setup
from sequences.transitions import Estimate, TransitionCosts, estimate

#: One message and its reply on a bench network, and how many a condition takes beside its sweeps. Measured on the
#: simulated bench, whose links answer after 1 ms; a real link may be slower, which the sweeps dwarf.
LINK_S = 0.001
MESSAGES_PER_LINE = 5
MESSAGES_PER_CONDITION = 22
MESSAGES_PER_LEVEL = 8


@dataclass(frozen=True, slots=True)
class Plan:
    """What a run will do."""

    setup: Setup
    conditions: tuple[Condition, ...]
    estimate: Estimate
    hazards: tuple[Hazard, ...]
    opening: OpeningRule | None = None

    @property
    def dries_out(self) -> bool:
        """Whether the return to room temperature begins with a dry-out."""
        return self.opening is not None and self.opening.dries_out(one.temperature_c for one in self.conditions)

    def unmet_limits(self) -> tuple[Limit, ...]:
        """Limits of the part whose conditions none of the plan's meets, so that the run cannot decide them."""
        distinct = {axis: {getattr(item, axis) for item in self.conditions} for axis in AXIS_NAMES}
        limits = self.setup.part.model.limit
        # Axis by axis first: most limits are met or ruled out without going through every condition.
        possible = [
            limit
            for limit in limits
            if all(any(map(matcher.matches, distinct[axis])) for axis, matcher in limit.where.items())
        ]
        met = [
            limit
            for limit in possible
            if any(all(m.matches(getattr(item, axis)) for axis, m in limit.where.items()) for item in self.conditions)
        ]
        return tuple(limit for limit in limits if limit not in met)

    def finishes(self, now: datetime) -> datetime:
        """When the last condition will be complete, if the run began now."""
        return now + timedelta(seconds=self.estimate.finish_s[-1] if self.estimate.finish_s else 0.0)

    def safe_to_open(self, now: datetime) -> datetime | None:
        """When the chamber may be opened, if the run began now; None if nobody will say so."""
        return None if self.opening is None else now + timedelta(seconds=self.estimate.total_s)


@dataclass(frozen=True, slots=True)
class Evening:
    """How a run that is started now lies in the window of its sequence.

    Attributes:
        begins, closes: The opening that it begins in, UTC.
        ends: When the last condition will be complete, over as many openings as it takes where the run waits for them;
            None if it stops when the window closes. Soaks that each opening begins with are not counted.
        done: How many conditions are complete when the first opening is over.
    """

    begins: datetime
    closes: datetime
    ends: datetime | None
    done: int


def evening(plan: Plan, now: datetime) -> Evening | None:
    """How a run of ``plan`` that is started at ``now`` lies in its window; None without one."""
    window = plan.setup.sequence.model.sequence.window
    if window is None:
        return None
    opens, closes = window.opening(now)
    begins = max(opens, now)
    finish_s = plan.estimate.finish_s
    room_s, left_s = (closes - begins).total_seconds(), finish_s[-1] if finish_s else 0.0
    done = bisect_right(finish_s, room_s)
    begin, close = begins, closes
    while (close - begin).total_seconds() < left_s:
        if window.at_end == "stop":
            return Evening(begins, closes, None, done)
        left_s -= (close - begin).total_seconds()
        begin, close = window.opening(close)
    return Evening(begins, closes, begin + timedelta(seconds=left_s), done)


def make_plan(setup: Setup) -> Plan:
    """Expand, order, estimate and name the hazards. Raises FileFaults if the files do not fit each other."""
    _refuse_mild_interlocks(setup)
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    costs = TransitionCosts.of(bench, sequence)
    return plan_for(setup, order(expand(sequence, part, bench), costs))


def through_plan(setup: Setup) -> Plan:
    """A plan for the same bench and levels with a through in the unit's place; ``Plan.setup`` is that for the through.

    Raises FileFaults if the files do not fit each other, or the sources cannot give the levels without a unit's gain.
    """
    _refuse_mild_interlocks(setup)
    without = through_setup(setup)
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    conditions = through_conditions(setup, expand(sequence, part, bench))
    names = FileNames(str(setup.sequence.path), str(setup.part.path), str(setup.bench.path))
    faults = source_faults(without, conditions, names)
    if not needs_analyzer(without.sequence.model.measure):
        problem = "neither two_tone, harmonics nor noise is true: a through has nothing else to show"
        faults = (FileFault("contradiction", names.sequence, "[measure]", problem=problem),)
    if faults:
        raise FileFaults(faults)
    costs = TransitionCosts.of(without.bench.model, without.sequence.model)
    made = plan_for(without, order(conditions, costs))
    return replace(made, hazards=through_hazards(without, made.hazards, conditions))


def _refuse_mild_interlocks(setup: Setup) -> None:
    faults = interlock_faults(setup)
    if faults:
        raise FileFaults(faults)


def plan_for(setup: Setup, conditions: tuple[Condition, ...]) -> Plan:
    """A plan for conditions that are already in order, such as those that a stopped run has left."""
    costs = TransitionCosts.of(setup.bench.model, setup.sequence.model)
    measure_s = MeasureTime(setup, acquisition_for(setup), conditions)
    opening = OpeningRule.of(setup.bench.model, setup.part.model)
    plan = Plan(setup, conditions, estimate(conditions, costs, measure_s), hazards(setup, conditions), opening)
    if opening is None or costs.soak is None or not conditions:
        return plan
    return_s = opening.return_s(costs.soak, conditions[-1].temperature_c, dries_out=plan.dries_out)
    by_cause_s = {**plan.estimate.by_cause_s, "return": return_s}
    return replace(plan, estimate=replace(plan.estimate, by_cause_s=by_cause_s))


def for_a_through(plan: Plan) -> Plan:
    """The plan of a through that goes on, with the hazards of a through."""
    if not plan.conditions:
        return plan
    return replace(plan, hazards=through_hazards(plan.setup, plan.hazards, plan.conditions))


def acquisition_for(setup: Setup) -> Acquisition | None:
    """The acquisition of a setup; None if it reads no lines."""
    sequence, analyzer = setup.sequence.model, setup.bench.model.instrument.analyzer
    if analyzer is None or not needs_analyzer(sequence.measure):
        return None
    part = setup.part.model
    intercepts = typical_intercepts_dbm(part, part.supply_mode[0].name)
    return Acquisition(analyzer, sequence.measure, sequence.tones.spacing_hz, intercepts)


class MeasureTime:
    """How long the readings of a condition take for a typical unit, in seconds; a plain callable.

    ``conditions`` are all of the plan, in order: they say where the network analyzer sweeps, and where a source is at
    a level that the power meter has not read yet.
    """

    def __init__(self, setup: Setup, acquisition: Acquisition | None, conditions: tuple[Condition, ...] = ()) -> None:
        self._setup = setup
        self._acquisition = acquisition
        measure = setup.sequence.model.measure
        # A single tone takes as long as one of two.
        self._lines = lines_of(measure) + TONES[:1] * measure.compression
        hot = setup.bench.model.instrument.noise_source is not None
        self._noise_sweeps = (1 + hot) * measure.noise
        self._meters_s = _meters_s(setup.bench.model)
        part = setup.part.model
        self._intercepts_dbm = {mode: typical_intercepts_dbm(part, mode) for mode in part.modes}
        sweep, entry = measure.small_signal, setup.bench.model.instrument.network_analyzer
        self._sweep_s = sweep_s(sweep, entry) if sweep is not None and entry is not None else 0.0
        self._swept = swept_conditions(conditions if self._sweep_s else ())
        self._level_s = _level_s(setup)
        tones = 2 if measure.two_tone or measure.harmonics else 1 if measure.compression else 0
        self._levels = levels_to_read(conditions if self._level_s else (), setup, tones)
        self._known: dict[tuple[str, float, float], float] = {}

    def __call__(self, condition: Condition) -> float:
        """Seconds at ``condition``."""
        sequence = self._setup.sequence.model
        sweeping_s = self._sweep_s if condition in self._swept else 0.0
        once_s = sweeping_s + max(self._sweeps_s(condition), self._meters_s) + MESSAGES_PER_CONDITION * LINK_S
        return once_s * sequence.sequence.repeats + self._level_s * self._levels.get(condition, 0)

    def _sweeps_s(self, condition: Condition) -> float:
        if self._acquisition is None:
            return 0.0
        loss_db = self._setup.path_losses.loss_db(
            "output", condition.channel, condition.load_ohm, condition.frequency_hz
        )
        tone_dbm = expected_tone_dbm(condition, self._setup.part.model, self._setup.sequence.model) - loss_db
        key = condition.supply_mode, round(tone_dbm, 1), round(loss_db, 1)
        if key not in self._known:
            analyzer = self._setup.bench.model.instrument.analyzer
            intercepts = self._intercepts_dbm[condition.supply_mode]
            tune_s = analyzer.tune_s if analyzer is not None else 0.0
            settings = [self._acquisition.expected_setting(line, tone_dbm, loss_db, intercepts) for line in self._lines]
            settings += [self._acquisition.noise_setting()] * self._noise_sweeps
            self._known[key] = sum(setting.sweep_s + tune_s + MESSAGES_PER_LINE * LINK_S for setting in settings)
        return self._known[key]


def _meters_s(bench: Bench) -> float:
    times = [
        meter.whole_reading_s
        for meter in (bench.instrument.current_meter, bench.instrument.board_thermometer)
        if meter is not None
    ]
    return max(times, default=0.0)


def _level_s(setup: Setup) -> float:
    """Seconds until a source alone has settled and been read by the power meter; 0 without one."""
    instruments = setup.bench.model.instrument
    meter, sources = instruments.power_meter, (instruments.tone_1, instruments.tone_2)
    if meter is None:
        return 0.0
    source_s = max((entry.settle_s for entry in sources if entry is not None), default=0.0)
    settle_s = setup.sequence.model.settle.tone_level_s + source_s
    return settle_s + meter.averages * meter.reading_s + MESSAGES_PER_LEVEL * LINK_S
