"""Rules that are watched all the time: newest values in, broken rules out.

Pure. Limits come from the part and the bench; a value that is not finite is itself a broken rule, since a sensor that
says nothing must not look like one that says all is well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequences.bench_file import Bench
from sequences.part_file import Part, SupplyMode

#: A supply that limits the current lets its voltage fall. Ours: lead drop stays below this part of it.
SAG = 0.05


@dataclass(frozen=True, slots=True)
class Watch:
    """One watched quantity and the range that it must stay in, ends included."""

    quantity: str
    unit: str
    lowest: float
    highest: float
    reason: str


@dataclass(frozen=True, slots=True)
class Broken:
    """A broken rule: what, found, allowed, why."""

    watch: Watch
    found: float

    def __str__(self) -> str:
        watch = self.watch
        return (
            f"{watch.quantity.rpartition('_')[0].replace('_', ' ')}: found {self.found:.4g} {watch.unit}, "
            f"allowed {watch.lowest:.4g} … {watch.highest:.4g} {watch.unit} ({watch.reason})"
        )


def watches(part: Part, bench: Bench) -> dict[str, Watch]:
    """Rules for a part at a bench, by the name of the reading that they watch."""
    ratings = part.absolute_maximum
    fixture = bench.fixture.temperature_c
    lowest_c = max(ratings.temperature_c.min, fixture.min)
    highest_c = min(ratings.temperature_c.max, fixture.max)
    rules = [
        Watch("supply_current_a", "A", 0.0, ratings.supply_current_a, "absolute maximum of the part"),
        Watch("supply_voltage_v", "V", 0.0, ratings.supply_v, "absolute maximum of the part"),
        Watch("board_temperature_c", "°C", lowest_c, highest_c, "ratings of part and fixture"),
    ]
    if bench.instrument.chamber is not None:
        span = bench.instrument.chamber.temperature_c
        rules.append(
            Watch(
                "air_temperature_c",
                "°C",
                max(span.min, fixture.min),
                min(span.max, fixture.max),
                "ratings of chamber and fixture",
            )
        )
        rules.append(Watch("sensor_temperature_c", "°C", lowest_c, highest_c, "ratings of part and fixture"))
    return {rule.quantity: rule for rule in rules}


def watches_of_mode(mode: SupplyMode) -> dict[str, Watch]:
    """Rules that hold while the unit is in a supply mode."""
    span, why = mode.plausible_current_a, f"supply mode {mode.name}"
    rules = (
        Watch("supply_voltage_v", "V", (1 - SAG) * mode.supply_v, (1 + SAG) * mode.supply_v, f"{why}; current limit?"),
        Watch("supply_current_a", "A", span.min, span.max, f"plausible in {why}"),
    )
    return {rule.quantity: rule for rule in rules}


def broken(rules: dict[str, Watch], values: dict[str, float]) -> tuple[Broken, ...]:
    """Rules that ``values`` break; quantities that no rule watches are passed over."""
    found: list[Broken] = []
    for quantity, value in values.items():
        rule = rules.get(quantity)
        if rule is None:
            continue
        # A small allowance below zero: a meter's offset around no current is not a fault.
        slack = 1e-3 if rule.lowest == 0.0 else 0.0
        if not math.isfinite(value) or not rule.lowest - slack <= value <= rule.highest:
            found.append(Broken(rule, value))
    return tuple(found)
