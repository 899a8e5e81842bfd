"""The way to the safe state: in order, each step tried whatever the one before did, each confirmed or reported."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from bench.places import Places
from bench.safe_state import RF_BEFORE_BIAS_S, SafeStep, make_safe, unconfirmed
from drivers.errors import LinkLost, OutOfTurn, TimedOut

#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
MakePlaces = Callable[[Any], Places]

IN_ORDER = ["tone_1", "tone_2", "noise_source", "supply", "chamber", "analyzer"]


def silence(place: str) -> TimedOut:
    return TimedOut("no reply", instrument=place, resource="fake", message="OUTP 0")


def test_rf_goes_off_before_bias_and_bias_before_the_chamber(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """RF into a unit without bias can damage it; the chamber is the slowest and the least urgent."""
    bench = make_bench()
    steps = make_safe(make_places(bench), sleep=bench.clock.sleep)

    assert [place for place, _ in bench.whats("make safe")] == IN_ORDER
    assert all(step.confirmed for step in steps)
    assert unconfirmed(steps) == ()


def test_everything_is_switched_off_before_anything_is_asked(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """An instrument that is slow to answer must not keep the bias on; then each output is read back."""
    bench = make_bench()
    make_safe(make_places(bench), sleep=bench.clock.sleep)
    outputs = ["tone_1", "tone_2", "noise_source", "supply"]

    assert [(call.place, call.what) for call in bench.journal[: len(IN_ORDER)]] == [
        (place, "make safe") for place in IN_ORDER
    ]
    assert [place for place, _ in bench.whats("is on?")] == outputs


@pytest.mark.parametrize(
    "broken", [some for count in range(4) for some in itertools.combinations(IN_ORDER, count)], ids="+".join
)
def test_each_step_is_tried_whatever_the_others_did(
    make_bench: MakeBench, make_places: MakePlaces, broken: tuple[str, ...]
) -> None:
    """Any set of silent instruments: all others are made safe, and exactly the silent ones are reported."""
    bench = make_bench()
    for place in broken:
        bench.failing[place, "make safe"] = silence(place)
    steps = make_safe(make_places(bench), sleep=bench.clock.sleep)

    assert [place for place, _ in bench.whats("make safe")] == IN_ORDER
    assert [step.confirmed for step in steps] == [place not in broken for place in IN_ORDER]
    assert len(unconfirmed(steps)) == len(broken)


@pytest.mark.parametrize("mistake", [OutOfTurn("out of turn"), KeyError("reply"), ZeroDivisionError("rate")])
@pytest.mark.parametrize("place", IN_ORDER)
def test_a_mistake_in_one_driver_does_not_keep_the_rest_on(
    make_bench: MakeBench, make_places: MakePlaces, place: str, mistake: Exception
) -> None:
    """Drivers may be a user's own; whatever one of them raises, the steps behind it are done and it is named."""
    bench = make_bench()
    bench.failing[place, "make safe"] = mistake
    steps = make_safe(make_places(bench), sleep=bench.clock.sleep)

    assert [called for called, _ in bench.whats("make safe")] == IN_ORDER
    assert [step.problem for step in steps if not step.confirmed] == [f"{type(mistake).__name__}: {mistake}"]


@pytest.mark.parametrize(("place", "name"), [("tone_1", "RF of tone_1 off"), ("supply", "bias off")])
def test_an_output_that_reads_back_as_on_is_not_confirmed(
    make_bench: MakeBench, make_places: MakePlaces, place: str, name: str
) -> None:
    """That a command was sent proves nothing."""
    bench = make_bench()
    bench.stuck_on.add(place)
    steps = make_safe(make_places(bench), sleep=bench.clock.sleep)

    assert unconfirmed(steps) == (f"{name}: it reads back as still on",)


def test_an_output_that_cannot_be_read_back_is_not_confirmed(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """The reason names instrument, resource and message."""
    bench = make_bench()
    bench.failing["supply", "is on?"] = LinkLost(
        "the line broke", instrument="supply", resource="fake", message="OUTP?"
    )
    steps = make_safe(make_places(bench), sleep=bench.clock.sleep)

    assert unconfirmed(steps) == ("bias off: supply (fake), message 'OUTP?': the line broke",)


def test_doing_it_twice_does_the_same(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """Trips come at any moment, also on the way to the safe state."""
    bench = make_bench()
    places = make_places(bench)
    first = make_safe(places, sleep=bench.clock.sleep)
    half = len(bench.journal)

    assert make_safe(places, sleep=bench.clock.sleep) == first
    assert bench.journal[:half] == bench.journal[half:]


def test_a_bench_without_outputs_has_nothing_to_do() -> None:
    """No instrument, no step."""
    assert make_safe(Places(), sleep=lambda _: None) == ()


def test_a_step_without_a_problem_is_confirmed() -> None:
    """The one is the absence of the other."""
    assert SafeStep("bias off").confirmed
    assert not SafeStep("bias off", "no reply").confirmed


def test_a_chamber_that_ignores_its_set_point_without_a_word_is_not_confirmed(
    make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Its queue is empty and its heater is on: only the set point that it holds tells."""
    bench = make_bench()
    bench.ignores_idle, bench.target_c = True, 85.0
    places = make_places(bench)
    assert places.chamber is not None
    places.chamber.switch_conditioning(on=True)

    assert unconfirmed(make_safe(places, 25.0, sleep=bench.clock.sleep)) == (
        "chamber to idle: it conditions towards 85 °C instead of its idle 25 °C",
    )
    assert unconfirmed(make_safe(places, sleep=bench.clock.sleep)) == (
        "chamber to idle: it still conditions, towards 85 °C",
    )


def test_a_chamber_that_has_stopped_is_safe_whatever_its_set_point(
    make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """No energy goes into it."""
    bench = make_bench()
    bench.ignores_idle, bench.target_c = True, 85.0

    assert unconfirmed(make_safe(make_places(bench), 25.0, sleep=bench.clock.sleep)) == ()


@pytest.mark.parametrize(("held_c", "confirmed"), [(25.4, True), (25.6, False), (float("nan"), False)])
def test_an_idle_set_point_may_be_rounded_to_half_a_kelvin(
    make_bench: MakeBench, make_places: MakePlaces, held_c: float, confirmed: bool
) -> None:
    """Controllers round; what is no number confirms nothing."""
    bench = make_bench()
    bench.ignores_idle, bench.target_c = True, held_c
    places = make_places(bench)
    assert places.chamber is not None
    places.chamber.switch_conditioning(on=True)

    assert (unconfirmed(make_safe(places, 25.0, sleep=bench.clock.sleep)) == ()) is confirmed


def told_at_s(bench: Any, places: Places) -> dict[str, float]:
    """When each output was told to be off, by the bench's clock."""
    told: dict[str, float] = {}

    def note(_: int, call: Any) -> None:
        if call.what == "make safe":
            told[call.place] = bench.clock.elapsed_s()

    bench.before = note
    make_safe(places, sleep=bench.clock.sleep)
    return told


def test_a_moment_lies_between_the_last_rf_and_the_bias(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """Over lines of their own, two words that are sent at once may arrive in either order."""
    bench = make_bench()
    told = told_at_s(bench, make_places(bench))

    rf = max(told[place] for place in ("tone_1", "tone_2", "noise_source"))
    assert RF_BEFORE_BIAS_S <= told["supply"] - rf <= RF_BEFORE_BIAS_S + 0.01


def test_nothing_waits_for_rf_where_there_is_none(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """A bench without sources takes the bias away at once."""
    bench = make_bench()
    told = told_at_s(bench, replace(make_places(bench), tone_1=None, tone_2=None, noise_source=None))

    assert told["supply"] < RF_BEFORE_BIAS_S


def test_a_clock_that_fails_does_not_keep_the_bias_on(make_bench: MakeBench, make_places: MakePlaces) -> None:
    """The pause is a courtesy to the unit; the bias going off is not."""
    bench = make_bench()

    def fail(_: float) -> None:
        raise OSError("no clock")

    assert unconfirmed(make_safe(make_places(bench), sleep=fail)) == ()
    assert not bench.energy()["supply"]
