"""A loopback: each source alone, at its lowest useful level, through the unit to the analyzer, link by link.

Deciding is in ``bench.loopback_plan`` and ``bench.loopback_levels``; here instruments are told and asked. Rule: the
bench is brought up in the order of ``bench.bring_up``, and whatever happens it ends in the safe state, confirmed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from bench.acquisition import reference_level_dbm
from bench.assemble import OpenBench
from bench.bring_up import WakeUp, bring_up
from bench.change import Changer
from bench.errors import Stopped, Tripped, UnsafeBench
from bench.job import StopSwitch
from bench.loopback_levels import (
    Deviation,
    Expected,
    Trial,
    at_rest_hint,
    causes_of,
    current_trial,
    expected_level,
    expected_step,
    highest_tone_dbm,
    judged,
    residual_setting,
    residual_trial,
)
from bench.loopback_plan import RESIDUAL_TONE_DBM, LoopPlan, left_alone
from bench.safe_state import make_safe, unconfirmed
from drivers.errors import NotUnderstood
from drivers.roles import PowerReading, SpectrumAnalyzer
from drivers.timing import left_s
from sequences.conditions import Condition
from sequences.units import quantity_text

#: A tone is looked for in a span of this many bandwidths, and found where it was set if it is within half of one. Ours.
SEARCH_BANDWIDTHS = 200
FOUND_WITHIN = 0.5

#: A tone stands this much above what is there with every source off, and that as far below what it should be, dB. Ours.
NO_TONE_DB = 20.0

#: The analyzer's reference level stands this much higher than a run would set it. Ours: a pad that is missing.
REFERENCE_SPARE_DB = 15.0

#: Another channel's code must leave this one's level alone within this, dB. Ours: above noise, below any step.
LEFT_ALONE_DB = 0.3

#: A wait is cut into pieces of this length, so that a wish to stop is seen soon.
STOP_LOOK_S = 1.0


@dataclass(slots=True)
class Outcome:
    """What a loopback found.

    Attributes:
        trials: Every trial, in order.
        causes: What the wrong ones point to.
        safe: The steps to the safe state that were taken at the end.
    """

    trials: list[Trial] = field(default_factory=list)
    causes: tuple[str, ...] = ()
    safe: tuple[str, ...] = ()

    @property
    def good(self) -> bool:
        """Whether nothing is wrong."""
        return all(trial.verdict != "WRONG" for trial in self.trials)


def loop_back(
    plan: LoopPlan,
    bench: OpenBench,
    report: Callable[[str], None],
    tell: Callable[[Trial], None],
    stop: StopSwitch,
) -> Outcome:
    """Bring the bench up, try every link, and make it safe again.

    ``report`` is told each step of the bring-up, ``tell`` each trial as soon as it is done. Raises InstrumentError,
    Tripped, Stopped, or UnsafeBench if the safe state cannot be confirmed; the safe state has been sought before.
    """
    outcome = Outcome()
    try:
        _made_safe(bench, None)
        _Loop(plan, bench, tell, stop, outcome).run(report)
    except BaseException as error:
        # Whatever it is: first the bench, and only if that is safe what was wrong.
        outcome.safe = _made_safe(bench, error)
        error.add_note(f"safe state confirmed: {', '.join(outcome.safe)}")
        raise
    outcome.safe = _made_safe(bench, None)
    return outcome


def _made_safe(bench: OpenBench, cause: BaseException | None) -> tuple[str, ...]:
    """The steps that were confirmed. Raises UnsafeBench if any was not."""
    steps = make_safe(bench.places, sleep=bench.clock.sleep)
    left = unconfirmed(steps)
    if left:
        raise UnsafeBench(left) from cause
    return tuple(step.name for step in steps)


class _Loop:
    """One loopback on an open bench."""

    def __init__(
        self, plan: LoopPlan, bench: OpenBench, tell: Callable[[Trial], None], stop: StopSwitch, outcome: Outcome
    ) -> None:
        self._plan, self._clock, self._tell, self._stop, self._outcome = plan, bench.clock, tell, stop, outcome
        self._places = replace(bench.places, **dict.fromkeys(left_alone(through=plan.through)))
        setup = plan.setup
        self._changer = Changer(self._places, plan.part, plan.bench, setup.sequence.model, setup.path_losses)
        self._standing: Condition | None = None
        self._deviations: list[Deviation] = []
        self._quiet_dbm = 0.0
        # Causes that a trial has found by itself, and the sources or channels whose wrong levels they explain.
        self._causes: dict[str, tuple[str, ...]] = {}

    @property
    def _analyzer(self) -> SpectrumAnalyzer:
        analyzer = self._places.analyzer
        if analyzer is None:
            raise ValueError("a loopback without an analyzer")
        return analyzer

    def run(self, report: Callable[[str], None]) -> None:
        """Every trial, in an order in which each relies on those before."""
        plan = self._plan
        context = WakeUp(self._places, plan.part, plan.bench, plan.conditions(), self._clock, {})
        # What a loopback leaves alone is on the bench all the same, so no word of what there is not.
        bring_up(context, lambda text: None if text.endswith("on this bench") else report(text))
        highest_dbm = max(highest_tone_dbm(plan, channel) for channel in plan.channels)
        # A fault may make a tone stronger than it should be, and what is cut off would be judged as too weak.
        self._analyzer.set_reference_level(reference_level_dbm(highest_dbm + REFERENCE_SPARE_DB))
        for channel in plan.channels:
            self._look_for_a_stop()
            self._check_bias()
            self._try_channel(channel)
        if plan.through and len(self._places.sources()) > 1:
            self._try_residual(plan.channels[0])
        self._changer.only()
        self._check_bias()
        self._say(self._queues())
        explained = {name for names in self._causes.values() for name in names}
        left = [one for one in self._deviations if explained.isdisjoint((one.source, one.channel))]
        self._outcome.causes = (*self._causes, *causes_of(left))

    def _try_channel(self, channel: str) -> None:
        plan = self._plan
        reference = plan.condition(channel)
        self._go_to(reference)
        if not plan.through:
            self._say(self._supply_current(reference))
        readings = {}
        for number, (place, _) in enumerate(self._places.sources()):
            if number == 0:
                self._say(self._silence(reference))
            self._only(place)
            self._say(self._frequency(reference, place))
            readings[place] = self._level(reference, place)
        first = next(iter(readings))
        self._only(first)
        if not plan.through and self._places.code_port is not None:
            self._try_codes(channel, first, readings[first])
        for load in plan.loads_ohm[1:]:
            condition = plan.condition(channel, load)
            self._go_to(condition)
            self._only(first)
            self._load(condition, first, readings[first])
        # At rest in its lowest gain, so that another channel's tone cannot be taken for this one's, or the other way.
        self._go_to(plan.condition(channel, code=plan.lowest_code))

    # --- the trials ----------------------------------------------------------------------------------------------

    def _supply_current(self, condition: Condition) -> Trial:
        meter, supply = self._places.current_meter, self._places.supply
        if meter is not None:
            meter.begin_reading()
            current_a = meter.finish_reading()
        else:
            current_a = supply.read_current_a() if supply is not None else 0.0
        return current_trial(self._plan, condition, current_a)

    def _silence(self, condition: Condition) -> Trial:
        """With every source off nothing may stand where a tone will be: else that would be taken for it."""
        plan = self._plan
        self._changer.only()
        self._wait(self._changer.rf_settle_s)
        reading = self._read(plan.frequencies_hz[0])
        self._quiet_dbm = reading.level_dbm
        wanted = self._expected(condition, "tone_1", 0.0).value - NO_TONE_DB
        good = reading.level_dbm < wanted
        return Trial(
            f"channel {condition.channel}, no source on: level",
            f"below {wanted:.1f}",
            f"{reading.level_dbm:.1f} dBm",
            "good" if good else "WRONG",
            "" if good else "something else sends at this frequency, or a source's output does not switch off",
        )

    def _frequency(self, condition: Condition, place: str) -> Trial:
        """Where the highest line is around the tone's frequency; if there is none, whether the other's has one."""
        plan = self._plan
        pair = dict(zip(("tone_1", "tone_2"), plan.frequencies_hz, strict=True))
        wanted_hz, bandwidth_hz = pair[place], plan.setting.resolution_bandwidth_hz
        self._look_for_a_stop()
        self._analyzer.set_sweep(plan.setting)
        what = f"channel {condition.channel}, {place}: frequency"
        expected = quantity_text(wanted_hz, "Hz", 9)
        try:
            peak = self._analyzer.find_peak(wanted_hz, SEARCH_BANDWIDTHS * bandwidth_hz)
        except NotUnderstood as error:
            return Trial(what, expected, error.problem, "WRONG", self._missing_hint(place, pair))
        if peak.level_dbm < self._quiet_dbm + NO_TONE_DB:
            found = f"no tone: {peak.level_dbm:.1f} dBm at most"
            return Trial(what, expected, found, "WRONG", self._missing_hint(place, pair))
        good = abs(peak.frequency_hz - wanted_hz) <= FOUND_WITHIN * bandwidth_hz
        found = quantity_text(peak.frequency_hz, "Hz", 9)
        hint = "" if good else "the source or the analyzer has another frequency reference"
        return Trial(what, expected, found, "good" if good else "WRONG", hint)

    def _missing_hint(self, place: str, pair: dict[str, float]) -> str:
        other = next(name for name in pair if name != place)
        if self._read(pair[other]).level_dbm < self._quiet_dbm + NO_TONE_DB:
            return "no tone arrives: cables, relays, the unit, or the source's output"
        self._causes["tone_1 and tone_2 are swapped: their cables, or their addresses"] = ("tone_1", "tone_2")
        return f"a tone arrives at the frequency of {other}: the two sources are swapped"

    def _level(self, condition: Condition, place: str) -> PowerReading:
        plan = self._plan
        reading = self._read(plan.frequencies_hz[place == "tone_2"])
        wanted = self._expected(condition, place, reading.scatter_db)
        off_db = reading.level_dbm - wanted.value
        self._deviations.append(Deviation(place, condition.channel, condition.load_ohm, off_db, wanted.within))
        self._say(
            judged(
                f"channel {condition.channel}, {place}, {condition.load_ohm:g} Ω: level",
                wanted,
                reading.level_dbm,
                "dBm",
                at_rest_hint(plan, condition, off_db, wanted),
            )
        )
        return reading

    def _load(self, condition: Condition, place: str, reference: PowerReading) -> None:
        """The change of level that a load makes, and the level itself for what is wrong with its path."""
        first = self._plan.condition(condition.channel)
        reading = self._read(self._plan.frequencies_hz[place == "tone_2"])
        wanted, before = self._expected(condition, place, reading.scatter_db), self._expected(first, place, 0.0)
        off_db = reading.level_dbm - wanted.value
        self._deviations.append(Deviation(place, condition.channel, condition.load_ohm, off_db, wanted.within))
        change_db, expected_db = reading.level_dbm - reference.level_dbm, wanted.value - before.value
        stuck = abs(change_db) < LEFT_ALONE_DB < abs(expected_db)
        self._say(
            judged(
                f"channel {condition.channel}, {place}, {condition.load_ohm:g} Ω: level",
                wanted,
                reading.level_dbm,
                "dBm",
                f"as at {first.load_ohm:g} Ω: the load does not change; is its relay stuck?" if stuck else "",
                wrong=stuck and abs(expected_db) > wanted.within / 2,
            )
        )

    def _try_codes(self, channel: str, place: str, reference: PowerReading) -> None:
        """Every line of the channel's code by itself, then the other channels' codes, which must move nothing."""
        plan = self._plan
        for code in plan.other_codes:
            condition = plan.condition(channel, code=code)
            self._go_to(condition)
            self._only(place)
            reading = self._read(plan.frequencies_hz[place == "tone_2"])
            wanted = expected_step(plan, code, reading.scatter_db)
            step_db = reading.level_dbm - reference.level_dbm
            line = (code ^ plan.code).bit_length() - 1
            stuck = abs(step_db) < abs(wanted.value) / 2
            self._say(
                judged(
                    f"channel {channel}, code {plan.code} → {code} (line {line}): step",
                    wanted,
                    step_db,
                    "dB",
                    f"line {line} of the code port does not reach channel {channel}" if stuck else "",
                )
            )
        self._go_to(plan.condition(channel))
        self._only(place)
        for other in plan.channels:
            if other != channel:
                self._say(self._crosstalk(channel, other, place, reference))

    def _crosstalk(self, channel: str, other: str, place: str, reference: PowerReading) -> Trial:
        """Another channel's code moved from its lowest to its highest gain, while this channel is looked at."""
        plan, port, entry = self._plan, self._places.code_port, self._plan.bench.instrument.code_port
        if port is None or entry is None:
            raise ValueError("a trial of codes without a code port")
        settle_s = entry.settle_s + plan.setup.sequence.model.settle.gain_code_s
        port.write_word(entry.channels[other], plan.code)
        self._wait(settle_s)
        reading = self._read(plan.frequencies_hz[place == "tone_2"])
        port.write_word(entry.channels[other], plan.lowest_code)
        self._wait(settle_s)
        trial = judged(
            f"channel {channel}, code of channel {other} to {plan.code}: change",
            Expected(0.0, LEFT_ALONE_DB),
            reading.level_dbm - reference.level_dbm,
            "dB",
            f"the code of channel {other} moves what is selected as channel {channel}",
        )
        gains = plan.part.gain_codes.gain_of
        # Noise moves too, where no tone arrives; another channel moves by all of its range.
        if reading.level_dbm - reference.level_dbm > (gains[plan.code] - gains[plan.lowest_code]) / 2:
            first, second = sorted((channel, other))
            exchanged = f"channels {first} and {second} are exchanged: relays of channel_switch, or ports of code_port"
            self._causes[exchanged] = (first, second)
        return trial

    def _try_residual(self, channel: str) -> None:
        """Both tones at once through the through: what of a third-order product the bench makes by itself."""
        plan = self._plan
        level_dbm = plan.residual_level_dbm()
        condition = replace(plan.condition(channel), tone_level_dbm=level_dbm)
        self._changer.only()
        self._analyzer.set_reference_level(reference_level_dbm(RESIDUAL_TONE_DBM + REFERENCE_SPARE_DB))
        self._go_to(condition)
        self._changer.only("tone_1", "tone_2")
        self._wait(self._changer.rf_settle_s)
        lower_hz, upper_hz = plan.frequencies_hz
        tones = [self._read(hertz).level_dbm for hertz in plan.frequencies_hz]
        setting = residual_setting(plan)
        for name, hertz in (("lower", 2 * lower_hz - upper_hz), ("upper", 2 * upper_hz - lower_hz)):
            self._analyzer.set_sweep(setting)
            self._analyzer.begin_power(hertz)
            product_dbm = self._analyzer.finish_power().level_dbm
            what = f"channel {channel}, both tones at {max(tones):.1f} dBm: {name} third-order product"
            self._say(residual_trial(plan, what, setting, product_dbm, max(tones), self._changer.levels_dbm))

    def _queues(self) -> Trial:
        held = [
            f"{place}: {entry.number}, {entry.text!r}"
            for place, instrument in self._places.present()
            for entry in instrument.drain_errors()
        ]
        return Trial("error queues:", "empty", "; ".join(held) or "empty", "WRONG" if held else "good")

    # --- what the trials share -----------------------------------------------------------------------------------

    def _expected(self, condition: Condition, place: str, scatter_db: float) -> Expected:
        return expected_level(self._plan, condition, place, self._changer.levels_dbm[place], scatter_db)

    def _go_to(self, condition: Condition) -> None:
        changed = self._changer.apply(self._standing, condition)
        self._standing = condition
        self._wait(changed.settle_s)

    def _only(self, place: str) -> None:
        if self._changer.only(place):
            self._wait(self._changer.rf_settle_s)

    def _read(self, frequency_hz: float) -> PowerReading:
        self._look_for_a_stop()
        self._analyzer.set_sweep(self._plan.setting)
        self._analyzer.begin_power(frequency_hz)
        return self._analyzer.finish_power()

    def _check_bias(self) -> None:
        supply = self._places.supply
        if supply is not None and supply.protection_tripped():
            raise Tripped("the supply's over-voltage or over-current protection has switched the bias off")
        if supply is not None and not supply.output_is_on():
            raise Tripped("the supply's output is off, though this loopback has switched it on")

    def _say(self, trial: Trial) -> None:
        self._outcome.trials.append(trial)
        self._tell(trial)

    def _wait(self, duration_s: float) -> None:
        ends_s = self._clock.elapsed_s() + duration_s
        while not self._stop.asked and (rest_s := left_s(self._clock, ends_s)) > 0:
            self._clock.sleep(min(rest_s, STOP_LOOK_S))
        self._look_for_a_stop()

    def _look_for_a_stop(self) -> None:
        if self._stop.asked:
            raise Stopped("")
