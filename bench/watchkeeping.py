"""What is watched over a run: each look asks the instruments, and the interlocks judge what they say.

A rule that is broken for as long as it must be is told, or raises Tripped with the cause; who does not answer raises
the InstrumentError of that.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from collections.abc import Sequence as SequenceOf
from dataclasses import dataclass
from datetime import timedelta

from bench.errors import Paused, Tripped
from bench.interlocks import Breach, Clearing, Found, Interlock, Judge, watches_of_mode
from bench.measure import Readings, read_temperatures
from bench.places import Places
from bench.trends import Drift, Rate, Standstill, Stillness
from drivers.errors import InstrumentError, Refused
from drivers.roles import Instrument, SecondSensor
from drivers.timing import Clock
from sequences.conditions import Condition
from sequences.interlock_entry import InterlockName
from sequences.read_files import Setup

#: A chamber is asked for alarms no more often than this. Ours: short for a chamber, long for a condition.
CHAMBER_LOOK_S = 10.0

#: Each instrument is asked at least so often what it has refused, which shows too that it is there. Ours.
ROUND_S = 60.0

#: Slow meters, which read while an analyzer sweeps.
METERS = ("current_meter", "board_thermometer")

#: A wish to know what has been seen: each breach that does not trip.
Say = Callable[[Breach], None]

_RATED: dict[str, InterlockName] = {
    "supply_current_a": "supply current",
    "supply_voltage_v": "supply voltage",
    "board_temperature_c": "board temperature",
    "air_temperature_c": "air temperature",
    "sensor_temperature_c": "sensor temperature",
}


@dataclass(frozen=True, slots=True)
class Situation:
    """What the run has the bench doing at a look.

    Attributes:
        condition: What is being soaked for, settled or read; None while the bench is safe.
        is_soaked: Whether unit and air have reached the condition's temperature.
        is_soaking: Whether they are on their way there.
        radiating: Sources that have been switched on, by place.
        is_reading: Whether slow meters are in the middle of a reading.
        may_be_silent: Whether an instrument that does not answer is no surprise: a retry will ask it again.
    """

    condition: Condition | None = None
    is_soaked: bool = False
    is_soaking: bool = False
    radiating: tuple[str, ...] = ()
    is_reading: bool = False
    may_be_silent: bool = False


class Watchkeeper:
    """Watches the instruments of one run.

    Attributes:
        clearing: The broken rules that the run is held for.
        only_trips: Whether the run is on its way to its end, so that there is nothing to be held any more.

    Args:
        rules: Interlocks by name.
        say: Told of each breach that does not trip.
        free_mb: Space on the disk of the store; None where nobody can tell.
    """

    def __init__(
        self,
        places: Places,
        setup: Setup,
        clock: Clock,
        rules: dict[InterlockName, Interlock],
        say: Say,
        free_mb: Callable[[], float | None] = lambda: None,
    ) -> None:
        self._places = places
        self._part, self._bench, self._sequence = setup.part.model, setup.bench.model, setup.sequence.model
        self._clock = clock
        self._judge = Judge(rules)
        self.clearing = Clearing()
        self.only_trips = False
        self._say = say
        self._free_mb = free_mb
        self._broken: tuple[Breach, ...] = ()
        now_s = clock.elapsed_s()
        self._began_s = self._looked_s = self._round_s = now_s
        self._heard_s = {place: now_s for place, _ in places.present()}
        self._chamber_looked_s = self._bias_changed_s = self._overload_s = -math.inf
        silence = rules.get("link silence")
        self._round_every_s = ROUND_S if silence is None else min(ROUND_S, silence.watch.highest / 2)
        self._begin()

    def _begin(self) -> None:
        self._air_rate, self._board_rate = Rate(), Rate()
        self._stillness, self._standstill, self._drift = Stillness(), Standstill(), Drift()

    @property
    def broken(self) -> tuple[Breach, ...]:
        """What the last trip was for."""
        return self._broken

    def bias_changed(self) -> None:
        """The unit may be on its way from one supply mode to another, where its current is that of neither."""
        self._bias_changed_s = self._clock.elapsed_s()

    def look_if_due(self, at: Situation) -> None:
        """Look, unless the bench has been looked at a short time ago."""
        if self._clock.elapsed_s() - self._looked_s >= self._bench.bench.watch_every_s:
            self.look(at)

    def rested(self, duration_s: float) -> None:
        """Of how long a run lasts this is no part: it was held, or waited for its window."""
        self._began_s += duration_s

    def look_at_return(self, target_c: float) -> Readings:
        """Look at what still matters with RF and bias off: chamber and sensors; returns the temperatures."""
        readings = read_temperatures(self._places) | self.second_sensor()
        self._act(self._of_values(readings), self._of_trends(target_c, readings))
        self.chamber()
        self._act(self._of_the_rest(Situation(may_be_silent=True)))
        return readings

    def forget(self) -> None:
        """The bench has been made safe: what was seen before says nothing about what comes."""
        self._judge.forget()
        self._begin()

    # --- looks ---------------------------------------------------------------------------------------------------

    def look(self, at: Situation) -> Readings:
        """Look at everything that can be asked now; returns the temperatures."""
        readings = self._look_at_safe_bench(at) if at.condition is None else self._look_at(at, at.condition)
        self._looked_s = self._clock.elapsed_s()
        return readings

    def _look_at(self, at: Situation, condition: Condition) -> Readings:
        readings = self._temperatures(at)
        self._act(self._of_values(readings), self._of_trends(condition.temperature_c, readings))
        if at.is_soaked:
            self.temperatures(condition, readings)
        self.chamber()
        self.bias(condition, is_settled=self._bias_has_settled(), drifts=self._is_there(at, readings))
        self.sources(at.radiating)
        self._overload(at)
        if self._clock.elapsed_s() - self._round_s >= self._round_every_s:
            self.queues(besides=METERS if at.is_reading else ())
        self._act(self._of_the_rest(at))
        return readings

    def after(self, condition: Condition, radiating: tuple[str, ...]) -> None:
        """All that a condition's own readings do not tell, when it has been read: a look as well."""
        self.chamber()
        self.bias(condition)
        self.queues()
        self._overload(Situation(condition, radiating=radiating))
        self._act(self._of_the_rest(Situation(condition)))
        self._looked_s = self._clock.elapsed_s()

    def values(self, values: Readings) -> None:
        """What has been read must lie within its ratings."""
        self._act(self._of_values(values))

    def chamber(self) -> None:
        """A chamber that has stopped itself knows why, which its temperature will show much later if at all."""
        chamber = self._places.chamber
        if chamber is None or self._clock.elapsed_s() - self._chamber_looked_s < CHAMBER_LOOK_S:
            return
        self._chamber_looked_s = self._clock.elapsed_s()
        alarms = chamber.alarms()
        self._act([Found("chamber alarm", float(bool(alarms)), f"alarm of the chamber: {'; '.join(alarms)}")])
        self.values(self.second_sensor())

    def second_sensor(self) -> Readings:
        """What the chamber's second sensor reads; nothing if the bench file names none."""
        chamber, entry = self._places.chamber, self._bench.instrument.chamber
        if entry is None or not entry.second_sensor or not isinstance(chamber, SecondSensor):
            return {}
        return {"sensor_temperature_c": chamber.read_sensor_c()}

    def bias(self, condition: Condition, *, is_settled: bool = True, drifts: bool = False) -> None:
        """A supply that is off reads no current, which no range of current would catch."""
        supply = self._places.supply
        if supply is None:
            return
        text = "the supply's over-voltage or over-current protection has switched the bias off"
        self._act([Found("supply protection", float(supply.protection_tripped()), text)])
        regulation = supply.regulation()
        text = "the supply's output is off, though this run has switched it on"
        self._act([Found("bias off", float(regulation == "off"), text)])
        values = {"supply_voltage_v": supply.read_voltage_v(), "supply_current_a": supply.read_current_a()}
        self.values(values)
        if drifts:
            self._act([Found("current drift", self._drift.percent(values["supply_current_a"]))])
        else:
            self._drift.forget()
        if not is_settled:
            return
        # A supply in current limit keeps every absolute maximum, and pins that are stuck keep another mode.
        of_mode = watches_of_mode(self._part.modes[condition.supply_mode])
        voltage, current = of_mode["supply_voltage_v"], of_mode["supply_current_a"]
        self._act(
            [
                Found("current limit", float(regulation == "current"), "the supply is in current limit"),
                Found("mode voltage", values["supply_voltage_v"], watch=voltage),
                Found("mode current", values["supply_current_a"], watch=current),
            ]
        )

    def sources(self, radiating: tuple[str, ...]) -> None:
        """A source that is off, or gives less than is set, reads as a weak tone, which no range of levels catches."""
        for place, source in self._places.sources():
            if place not in radiating:
                continue
            text = f"{place} is off, though this run has switched it on"
            self._act([Found("source off", float(not source.output_is_on()), text, place)])
            text = f"{place} says that it is unlevelled: it does not give the level that it is set to"
            self._act([Found("source unlevelled", float(source.is_unlevelled()), text, place)])

    def temperatures(self, condition: Condition, readings: Readings) -> None:
        """What was soaked must stay so: a chamber that has stopped drifts away without a word."""
        if self._places.chamber is None:
            return
        target_c = condition.temperature_c
        air_c, board_c = (readings.get(f"{name}_temperature_c", target_c) for name in ("air", "board"))
        found = [
            Found("air stray", abs(air_c - target_c), f"air at {air_c:.2f} °C has left {target_c:g} °C"),
            Found("board stray", abs(board_c - target_c), f"board at {board_c:.2f} °C has left {target_c:g} °C"),
        ]
        if "board_temperature_c" in readings:
            found.append(Found("board to air", abs(board_c - air_c)))
        self._act(found)

    def queues(self, besides: tuple[str, ...] = ()) -> None:
        """An instrument that refused a setting has measured something else: no reading of this condition stands."""
        self._round_s = self._clock.elapsed_s()
        for place, instrument in self._places.present():
            if place not in besides:
                self._ask_queue(place, instrument)

    # --- what a look is made of ----------------------------------------------------------------------------------

    def _look_at_safe_bench(self, at: Situation) -> Readings:
        """Nothing is on that could be off; who does not answer is passed over as long as it may be."""
        for meter in self._meters():
            with contextlib.suppress(InstrumentError):
                meter.identify()  # and gives up the reading that it may have begun when the fault came
        readings: Readings = {}
        with contextlib.suppress(InstrumentError):
            readings = self._temperatures(at)
        with contextlib.suppress(InstrumentError):
            self.chamber()
        self._act(self._of_values(readings))
        for place, instrument in self._places.present():
            with contextlib.suppress(InstrumentError):
                self._ask_queue(place, instrument)
        self._act(self._of_the_rest(at))
        return readings

    def meters_anew(self) -> None:
        """Slow meters give up a reading that they may have begun. Raises InstrumentError."""
        for meter in self._meters():
            meter.identify()

    def _meters(self) -> Iterator[Instrument]:
        meters = (self._places.current_meter, self._places.board_thermometer, self._places.power_meter)
        return (meter for meter in meters if meter is not None)

    def _temperatures(self, at: Situation) -> Readings:
        if not at.is_reading:
            return read_temperatures(self._places) | self.second_sensor()
        chamber = self._places.chamber
        return {} if chamber is None else {"air_temperature_c": chamber.read_air_c()}

    def _ask_queue(self, place: str, instrument: Instrument) -> None:
        entries = instrument.drain_errors()
        self._heard_s[place] = self._clock.elapsed_s()
        if entries:
            resource = self._bench.instrument.present[place].resource
            oldest, later = entries[0], entries[1:]
            # Which message it was nobody knows.
            sent = "any since the condition before"
            raise Refused(oldest.number, oldest.text, later=later, instrument=place, resource=resource, message=sent)

    def _bias_has_settled(self) -> bool:
        entry = self._bench.instrument.supply
        settle_s = self._sequence.settle.supply_mode_s + (0.0 if entry is None else entry.settle_s)
        return self._clock.elapsed_s() - self._bias_changed_s >= settle_s

    def _overload(self, at: Situation) -> None:
        """Asked no more often than must be: a sweep that was overloaded is no reading anyway."""
        analyzer = self._places.analyzer
        now_s = self._clock.elapsed_s()
        if analyzer is not None and at.radiating and now_s - self._overload_s >= self._bench.bench.watch_every_s:
            self._overload_s = now_s
            self._act([Found("analyzer overload", float(analyzer.input_overloaded()), "the analyzer is overloaded")])

    def _is_there(self, at: Situation, readings: Readings) -> bool:
        """Whether a soak has brought the board to its temperature, so that the current should stay."""
        board_c = readings.get("board_temperature_c")
        if board_c is None or at.condition is None or not at.is_soaking:
            return False
        return abs(board_c - at.condition.temperature_c) <= self._sequence.soak.board_within_k

    def _of_values(self, values: Readings) -> list[Found]:
        return [Found(_RATED[quantity], value) for quantity, value in values.items() if quantity in _RATED]

    def _of_trends(self, target_c: float, readings: Readings) -> Iterator[Found]:
        now_s = self._clock.elapsed_s()
        air_c, board_c = readings.get("air_temperature_c"), readings.get("board_temperature_c")
        if air_c is not None:
            pace = self._air_rate.per_min(now_s, air_c)
            if pace is not None:
                yield Found("air rate", pace)
            yield Found("air stuck", self._standstill.lasted_s(now_s, air_c, target_c))
        if board_c is not None:
            pace = self._board_rate.per_min(now_s, board_c)
            if pace is not None:
                yield Found("board rate", pace)
        if board_c is not None and air_c is not None:
            yield Found("board stuck", self._stillness.air_moved_k(board_c, air_c))

    def _of_the_rest(self, at: Situation) -> Iterator[Found]:
        now_s = self._clock.elapsed_s()
        yield Found("run duration", now_s - self._began_s)
        free_mb = self._free_mb()
        if free_mb is not None:
            yield Found("disk space", free_mb)
        if at.may_be_silent:
            return
        for place, heard_s in self._heard_s.items():
            silent_s = now_s - heard_s
            if not at.is_reading or place not in METERS:
                yield Found("link silence", silent_s, f"nothing has been heard of {place} for {silent_s:.0f} s", place)

    def _act(self, *groups: SequenceOf[Found] | Iterator[Found]) -> None:
        """Judge what was found, and do what each rule says that follows."""
        now_s, found = self._clock.elapsed_s(), [found for group in groups for found in group]
        due = self._judge.look(now_s, found)
        self.clearing.look(now_s, found)
        for breach in due:
            if breach.interlock.action != "trip":
                self._say(breach)
        self._broken = tuple(breach for breach in due if breach.interlock.action == "trip")
        if self._broken:
            raise Tripped("; ".join(map(str, self._broken)))
        pausing = tuple(breach for breach in due if breach.interlock.action == "pause")
        for breach in pausing:
            self.clearing.add(breach)
        if pausing and not self.only_trips:
            raise Paused("; ".join(map(str, pausing)))


def breach_facts(breach: Breach, clock: Clock) -> dict[str, float | int | str | bool]:
    """The numbers of a broken rule for the record; ends of a range that has none are left out."""
    watch = breach.watch
    ends = {"lowest": watch.lowest, "highest": watch.highest}
    since = clock.now() - timedelta(seconds=clock.elapsed_s() - breach.since_s)
    return {
        "interlock": breach.interlock.name,
        "action": breach.interlock.action,
        "value": breach.found.value,
        "unit": watch.unit,
        **{name: end for name, end in ends.items() if math.isfinite(end)},
        "since": since.isoformat(timespec="milliseconds"),
        **({"place": breach.found.place} if breach.found.place else {}),
    }
