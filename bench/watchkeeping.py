"""What is watched over a run besides what the interlocks' ranges tell: each rule names what no range would catch.

Each method asks or is given values, and raises Tripped with the cause, or the InstrumentError of who was asked.
"""

from __future__ import annotations

import math

from bench.errors import Tripped
from bench.interlocks import broken, watches, watches_of_mode
from bench.measure import Readings
from bench.places import Places
from drivers.errors import Refused
from drivers.roles import SecondSensor
from drivers.timing import Clock
from sequences.bench_file import Bench
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.sequence_file import Sequence

#: While conditions are read, temperatures may stray this many times as far as at the end of the soak. Ours.
KEPT_FACTOR = 2.0

#: A chamber is asked for alarms no more often than this. Ours: short for a chamber, long for a condition.
CHAMBER_LOOK_S = 10.0


class Watchkeeper:
    """Watches the instruments of one run."""

    def __init__(self, places: Places, part: Part, bench: Bench, sequence: Sequence, clock: Clock) -> None:
        self._clock = clock
        self._chamber_looked_s = -math.inf
        self._places = places
        self._part = part
        self._bench = bench
        self._sequence = sequence
        self._rules = watches(part, bench)

    def values(self, values: Readings) -> None:
        """What has been read must lie within its ranges."""
        found = broken(self._rules, values)
        if found:
            raise Tripped("; ".join(map(str, found)))

    def chamber(self) -> None:
        """A chamber that has stopped itself knows why, which its temperature will show much later if at all."""
        chamber, entry = self._places.chamber, self._bench.instrument.chamber
        if chamber is None or self._clock.elapsed_s() - self._chamber_looked_s < CHAMBER_LOOK_S:
            return
        self._chamber_looked_s = self._clock.elapsed_s()
        alarms = chamber.alarms()
        if alarms:
            raise Tripped(f"alarm of the chamber: {'; '.join(alarms)}")
        if entry is not None and entry.second_sensor and isinstance(chamber, SecondSensor):
            self.values({"sensor_temperature_c": chamber.read_sensor_c()})

    def bias(self, condition: Condition) -> None:
        """A supply that is off reads no current, which no range of current would catch."""
        supply = self._places.supply
        if supply is None:
            return
        if supply.protection_tripped():
            raise Tripped("the supply's over-voltage or over-current protection has switched the bias off")
        regulation = supply.regulation()
        if regulation == "off":
            raise Tripped("the supply's output is off, though this run has switched it on")
        values = {"supply_voltage_v": supply.read_voltage_v(), "supply_current_a": supply.read_current_a()}
        self.values(values)
        # A supply in current limit keeps every absolute maximum, and pins that are stuck keep another mode.
        found = list(map(str, broken(watches_of_mode(self._part.modes[condition.supply_mode]), values)))
        if regulation == "current":
            found.insert(0, "the supply is in current limit")
        if found:
            raise Tripped("; ".join(found))

    def sources(self, radiating: tuple[str, ...]) -> None:
        """A source that is off, or gives less than is set, reads as a weak tone, which no range of levels catches."""
        for place, source in self._places.sources():
            if place not in radiating:
                continue
            if not source.output_is_on():
                raise Tripped(f"{place} is off, though this run has switched it on")
            if source.is_unlevelled():
                raise Tripped(f"{place} says that it is unlevelled: it does not give the level that it is set to")

    def temperatures(self, condition: Condition, readings: Readings) -> None:
        """What was soaked must stay so: a chamber that has stopped drifts away without a word."""
        rule = self._sequence.soak
        if self._places.chamber is None:
            return
        for name, within_k in (("air_temperature_c", rule.air_within_k), ("board_temperature_c", rule.board_within_k)):
            found = readings.get(name, condition.temperature_c)
            if not abs(found - condition.temperature_c) <= KEPT_FACTOR * within_k:
                raise Tripped(f"{name.partition('_')[0]} at {found:.2f} °C has left {condition.temperature_c:g} °C")

    def queues(self) -> None:
        """An instrument that refused a setting has measured something else: no reading of this condition stands."""
        for place, instrument in self._places.present():
            entries = instrument.drain_errors()
            if entries:
                resource = self._bench.instrument.present[place].resource
                oldest, later = entries[0], entries[1:]
                # Which message it was nobody knows.
                sent = "any since the condition before"
                raise Refused(
                    oldest.number, oldest.text, later=later, instrument=place, resource=resource, message=sent
                )
