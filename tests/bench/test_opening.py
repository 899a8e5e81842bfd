"""When a chamber may be opened: pure judgements of temperatures, and laws that hold for all of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.dew_point import dew_point_c
from bench.events import Event, EventKind
from bench.opening import (
    ARRIVED_K,
    BELOW_RATING_K,
    Dampness,
    DryOutWatch,
    OpeningRule,
    OpeningWatch,
    door_json,
    door_text,
    missing,
)
from bench.soak import Sample
from sequences.cross_checks import cross_check
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]

#: 23 °C and 50 %: dew point 12.0 °C; margin 5 K; touch limits 0 and 43 °C.
RULE = OpeningRule(
    dew_c=12.0,
    coldest_c=17.0,
    warmest_c=43.0,
    idle_c=25.0,
    dry_out_c=40.0,
    dry_from_c=17.0,
    hold_s=900.0,
    lag_s=0.0,
)
TEMPERATURES = st.floats(-80.0, 200.0)
MAYBE = st.one_of(st.none(), TEMPERATURES, st.just(math.nan))


def rule_of(setup: Setup) -> OpeningRule | None:
    return OpeningRule.of(setup.bench.model, setup.part.model)


@pytest.mark.parametrize(
    ("sample", "why"),
    [
        (Sample(0, 25.0, 25.0), ""),
        (Sample(0, 17.0, 43.0), ""),
        (Sample(0, 25.0, None), ""),
        (Sample(0, 16.9, 25.0), "air below 17.0 °C"),
        (Sample(0, 25.0, -30.0), "board below 17.0 °C"),
        (Sample(0, 10.0, -30.0), "air and board below 17.0 °C"),
        (Sample(0, 25.0, 43.1), "board above 43 °C"),
        (Sample(0, 25.0, 25.0, 60.0), "second sensor above 43 °C"),
        (Sample(0, math.nan, 25.0), "the temperature of air is not known"),
        (Sample(0, 25.0, math.inf), "the temperature of board is not known"),
    ],
)
def test_what_keeps_a_door_shut_is_named(sample: Sample, why: str) -> None:
    """Below the dew point and its margin, beyond what is touched, or not known."""
    assert missing(RULE, sample) == why


@given(TEMPERATURES, MAYBE, MAYBE)
def test_nothing_is_called_safe_that_is_wet_hot_cold_or_unknown(
    air_c: float, board_c: float | None, sensor_c: float | None
) -> None:
    """Held against the bounds one by one, whatever the temperatures are."""
    if missing(RULE, Sample(0.0, air_c, board_c, sensor_c)):
        return
    for value in (air_c, board_c, sensor_c):
        assert value is None or 12.0 + 5.0 <= value <= 43.0


@given(st.lists(st.tuples(st.floats(1.0, 60.0), st.floats(20.0, 30.0), st.floats(10.0, 60.0)), max_size=40))
def test_a_door_is_safe_only_after_all_has_held_for_its_time(steps: list[tuple[float, float, float]]) -> None:
    """All samples of the last minute are as they must be, and they span that minute."""
    watch, samples, at_s = OpeningWatch(RULE, 25.0, 60.0), [], 0.0
    for gap_s, air_c, board_c in steps:
        at_s += gap_s
        samples.append(Sample(at_s, air_c, board_c))
        if not watch.holds(samples[-1]):
            continue
        held = [one for one in samples if one.elapsed_s > at_s - 60.0]
        assert samples[0].elapsed_s <= at_s - 60.0 + 1e-9
        assert all(abs(one.air_c - 25.0) <= ARRIVED_K for one in held)
        assert not any(missing(RULE, one) for one in held)


def test_a_stuck_sensor_opens_no_door() -> None:
    """It reads 25 °C while the air comes from −40 °C; one that moves with it does."""
    stuck, alive = OpeningWatch(RULE, 25.0, 60.0), OpeningWatch(RULE, 25.0, 60.0)
    for number in range(60):
        air_c = min(25.0, -40.0 + 2.0 * number)
        stuck_opens = stuck.holds(Sample(10.0 * number, air_c, 25.0))
        alive_opens = alive.holds(Sample(10.0 * number, air_c, air_c - 0.1))

    assert not stuck_opens
    assert "the sensor of board is stuck" in stuck.lacks
    assert alive_opens


def test_a_dry_out_may_be_hotter_than_what_is_touched() -> None:
    """At 80 °C for its time; what is still cold is not dry."""
    watch = DryOutWatch(RULE, 80.0, 900.0)
    held = [watch.holds(Sample(float(at_s), 80.0, 16.0 if at_s < 300 else 80.0)) for at_s in range(0, 1210, 10)]

    assert held.index(True) == (300 + 900) // 10


def test_what_has_been_cold_is_damp_until_it_has_been_warm_for_long_enough() -> None:
    """A quarter of an hour at the dry-out temperature or above, of air and board, dries; a minute less does not."""
    damp = Dampness(RULE)
    damp.saw(Sample(0.0, 25.0, 25.0))
    assert not damp.is_there
    damp.saw(Sample(10.0, 25.0, 16.9))
    assert damp.is_there
    damp.saw(Sample(20.0, 85.0, 84.0))
    damp.saw(Sample(860.0, 85.0, 85.0))
    assert damp.is_there
    damp.saw(Sample(920.0, 85.0, 85.0))
    assert not damp.is_there


@pytest.mark.parametrize("lost", [math.nan, 9.9e37])
def test_a_board_that_nobody_knows_is_not_dry(lost: float) -> None:
    """NaN is no temperature. What is not one either and is called hot (9.9E37) never opens a door."""
    damp = Dampness(RULE)
    damp.saw(Sample(0.0, 25.0, lost))

    assert damp.is_there is math.isnan(lost)
    assert missing(RULE, Sample(0.0, 25.0, lost))


@given(st.lists(st.floats(-40.0, 85.0), max_size=8))
def test_a_plan_dries_out_only_what_ends_cold(temperatures_c: list[float]) -> None:
    """Something below 17 °C, and nothing at 40 °C or above behind the last such."""
    cold = [place for place, value in enumerate(temperatures_c) if value < 17.0]
    warm = [place for place, value in enumerate(temperatures_c) if value >= 40.0]

    assert RULE.dries_out(temperatures_c) is bool(cold and (not warm or max(cold) > max(warm)))


# --- What the files say


def test_the_rule_of_the_demo_bench(quick: Setup) -> None:
    """40 °C is below all ratings (part 110 °C, fixture 105 °C, limiter 95 °C) and above the room's 23 °C."""
    rule = rule_of(quick)

    assert rule is not None
    assert rule.dew_c is not None
    assert rule.dew_c == pytest.approx(dew_point_c(23.0, 50.0))
    assert rule.coldest_c == pytest.approx(rule.dew_c + 5.0)
    assert (rule.warmest_c, rule.idle_c, rule.dry_out_c, rule.hold_s, rule.lag_s) == (43.0, 25.0, 40.0, 900.0, 0.0)


def test_a_dry_out_that_nobody_states_stays_below_the_weakest_rating(make_setup: MakeSetup) -> None:
    """A fixture that stands 40 °C gives 5 K less; one that stands 27 °C leaves nothing above the room."""
    axes = {"temperature_c = [-40, 25, 85]": "temperature_c = [-40, 25]"}
    some = rule_of(
        make_setup(axes | {"temperature_c = { min = -50, max = 105 }": "temperature_c = { min = -50, max = 40 }"})
    )
    none = rule_of(
        make_setup(axes | {"temperature_c = { min = -50, max = 105 }": "temperature_c = { min = -50, max = 27 }"})
    )

    assert some is not None
    assert none is not None
    assert some.dry_out_c == 40.0 - BELOW_RATING_K
    assert none.dry_out_c is None


@pytest.mark.parametrize(
    ("stated", "allowed"),
    [("96", "below the chamber's limiter"), ("20", "above the room"), ("300", "part rating")],
)
def test_a_dry_out_beyond_a_rating_is_refused(make_setup: MakeSetup, stated: str, allowed: str) -> None:
    """Before anything is powered, with the key and what is allowed."""
    setup = make_setup({"[simulation]\n": f"[dry_out]\ntemperature_c = {stated}\n\n[simulation]\n"})
    (fault,) = cross_check(setup.sequence.model, setup.part.model, setup.bench.model, setup.path_losses)

    assert (fault.table, fault.key) == ("[dry_out]", "temperature_c")
    assert allowed in str(fault)


def test_a_bench_that_nobody_opens_has_no_rule(make_setup: MakeSetup) -> None:
    """``wanted = false``; so has one without a chamber."""
    assert rule_of(make_setup({"[simulation]\n": "[dry_out]\nwanted = false\n\n[simulation]\n"})) is None


def test_without_a_board_thermometer_its_lag_is_waited_for(quick: Setup) -> None:
    """Five time constants of three minutes."""
    bench = quick.bench.model
    bare = bench.model_copy(update={"instrument": bench.instrument.model_copy(update={"board_thermometer": None})})
    rule = OpeningRule.of(bare, quick.part.model)

    assert rule is not None
    assert rule.lag_s == 5 * 180.0


def test_a_room_without_water_has_no_dew_point_and_nothing_to_dry(make_setup: MakeSetup) -> None:
    """Then only what is touched counts: 0 … 43 °C."""
    rule = rule_of(make_setup({"room_humidity_percent = 50": "room_humidity_percent = 0"}))

    assert rule is not None
    assert rule.dew_c is None
    assert (rule.coldest_c, rule.warmest_c) == (0.0, 43.0)
    assert not rule.dries_out([-40.0])


# --- What is told


AT = datetime(2026, 11, 3, 5, 12, 30, tzinfo=UTC)


def said(*kinds: EventKind) -> list[Event]:
    return [Event(AT, kind, f"text of {kind}", {"air_temperature_c": 24.1}) for kind in kinds]


@pytest.mark.parametrize(
    ("kinds", "told"),
    [
        (("run began", "safe to open", "run ended"), "Chamber safe to open since "),
        (("run began", "not safe to open", "run ended"), "Text of not safe to open"),
        (("run began", "not safe to open", "run ended", "run resumed"), ""),
        (("run began", "safe to open", "run resumed"), ""),
        (("run began", "stopped"), ""),
    ],
)
def test_the_last_word_on_the_door_counts_until_the_run_goes_on(kinds: tuple[EventKind, ...], told: str) -> None:
    """A run that goes on makes it void: the chamber is in use again."""
    events = said(*kinds)

    assert door_text(events).startswith(told)
    assert bool(door_text(events)) is bool(told)
    assert (door_json(events) is not None) is told.startswith("Chamber safe")


def test_the_answer_for_machines_has_time_and_values() -> None:
    """UTC, and what it was decided on."""
    assert door_json(said("safe to open")) == {"since": "2026-11-03T05:12:30+00:00", "air_temperature_c": 24.1}
