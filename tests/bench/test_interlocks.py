"""Interlocks: for each rule a value that holds and values that break it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from bench.errors import Tripped
from bench.interlock_rules import interlocks_of
from bench.interlocks import Breach, broken, watches
from bench.places import Places
from bench.watchkeeping import Watchkeeper
from sequences.read_files import Setup

#: Demo part and bench: quantity, lowest and highest value that holds. The board's range is the narrower of the part's
#: −55 … 110 °C and the fixture's −50 … 105 °C, the air's that of the chamber's −60 … 150 °C and the fixture's.
RANGES = [
    ("supply_current_a", 0.0, 0.350),
    ("supply_voltage_v", 0.0, 5.5),
    ("board_temperature_c", -50.0, 105.0),
    ("air_temperature_c", -50.0, 105.0),
    ("sensor_temperature_c", -50.0, 105.0),
]


def fail(breach: Breach) -> None:
    raise AssertionError(f"no rule here warns, and one did: {breach}")


@pytest.mark.parametrize(("quantity", "lowest", "highest"), RANGES)
def test_a_value_at_either_end_holds(quick: Setup, quantity: str, lowest: float, highest: float) -> None:
    """Ends are included."""
    rules = watches(quick.part.model, quick.bench.model)

    assert broken(rules, {quantity: lowest}) == ()
    assert broken(rules, {quantity: highest}) == ()


@pytest.mark.parametrize(("quantity", "lowest", "highest"), RANGES)
def test_a_value_beyond_either_end_breaks_its_rule_alone(
    quick: Setup, quantity: str, lowest: float, highest: float
) -> None:
    """The text names quantity, found value, allowed range and reason."""
    rules = watches(quick.part.model, quick.bench.model)
    for value in (lowest - 0.002, highest + 0.001):
        found = broken(rules, {**dict.fromkeys(rules, 1e-3), quantity: value})
        assert [one.watch.quantity for one in found] == [quantity]
        assert found[0].found == value
        assert quantity.rpartition("_")[0].replace("_", " ") in str(found[0])
        assert "allowed" in str(found[0])


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("quantity", [name for name, _, _ in RANGES])
def test_a_value_that_is_no_number_breaks_every_rule(quick: Setup, quantity: str, value: float) -> None:
    """A sensor that says nothing must not look like one that says all is well."""
    assert len(broken(watches(quick.part.model, quick.bench.model), {quantity: value})) == 1


def test_a_meters_offset_below_zero_is_no_fault(quick: Setup) -> None:
    """A meter with ±1 mA of offset may read a little below zero on an unpowered unit."""
    rules = watches(quick.part.model, quick.bench.model)

    assert broken(rules, {"supply_current_a": -0.0009}) == ()
    assert len(broken(rules, {"supply_current_a": -0.0011})) == 1


def test_quantities_that_nobody_watches_are_passed_over(quick: Setup) -> None:
    """Line levels are readings, not interlocks."""
    assert broken(watches(quick.part.model, quick.bench.model), {"tone_lower_level_dbm": math.nan}) == ()


def test_several_broken_rules_are_all_named(quick: Setup) -> None:
    """Who looks for the cause wants to see the whole picture."""
    values = {"supply_current_a": 0.4, "supply_voltage_v": 5.0, "board_temperature_c": 106.0}
    found = broken(watches(quick.part.model, quick.bench.model), values)

    assert [one.watch.quantity for one in found] == ["supply_current_a", "board_temperature_c"]


def test_a_bench_without_chamber_watches_no_air(make_setup: Callable[..., Setup]) -> None:
    """There is nothing that reads it."""
    setup = make_setup({})
    bench = setup.bench.model
    without = bench.model_copy(update={"instrument": bench.instrument.model_copy(update={"chamber": None})})

    assert "air_temperature_c" not in watches(setup.part.model, without)
    assert "air_temperature_c" in watches(setup.part.model, bench)


def test_a_chamber_is_asked_for_alarms_at_once_and_then_every_ten_seconds(
    quick: Setup, make_bench: Callable[..., Any], make_places: Callable[[Any], Places]
) -> None:
    """Each condition would pay for it, and a chamber is slow; the words are the chamber's own."""
    bench = make_bench()
    places = make_places(bench)
    rules = interlocks_of(quick)
    keeper = Watchkeeper(places, quick, bench.clock, rules, fail)
    keeper.chamber()
    bench.alarms = ("door open", "water low")
    bench.clock.sleep(9.9)
    keeper.chamber()
    bench.clock.sleep(0.2)
    with pytest.raises(Tripped) as caught:
        keeper.chamber()

    assert caught.value.cause == "alarm of the chamber: door open; water low"
    with pytest.raises(Tripped):
        Watchkeeper(places, quick, bench.clock, rules, fail).chamber()
    Watchkeeper(replace(places, chamber=None), quick, bench.clock, rules, fail).chamber()
