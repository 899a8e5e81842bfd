"""What a bench file's ``[[interlock]]`` leaves as it is, what is just strict enough, and when it may pause."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from bench.interlock_rules import interlock_faults, interlocks_of, own_rules
from bench.interlocks import Interlock, Watch
from sequences.interlock_entry import InterlockName
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]


def wishing(make_setup: MakeSetup, name: InterlockName, wish: str) -> tuple[Interlock, Interlock, tuple[str, ...]]:
    """The rule by itself, as the file has it, and the faults of the file."""
    setup = make_setup({"[fixture]\n": f'[[interlock]]\nname = "{name}"\n{wish}\n\n[fixture]\n'})
    own = interlocks_of(make_setup({}))[name]
    return own, interlocks_of(setup)[name], tuple(map(str, interlock_faults(setup)))


@pytest.mark.parametrize(
    ("name", "wish"),
    [
        ("supply current", "max_current_ma = 350"),
        ("board temperature", "min_temperature_c = -50\nmax_temperature_c = 105"),
        ("disk space", "min_free_mb = 200"),
        ("board to air", "polls = 2"),
        ("air stray", 'action = "trip"'),
    ],
)
def test_a_rule_that_is_said_as_it_is_stays_so(make_setup: MakeSetup, name: InterlockName, wish: str) -> None:
    """As strict as by itself is not milder, and its reason is still its own."""
    own, made, faults = wishing(make_setup, name, wish)

    assert faults == ()
    assert made == own


def test_what_is_left_out_stays_as_it_is(make_setup: MakeSetup) -> None:
    """One end of a range, how many looks, how long, and what follows."""
    own, made, faults = wishing(make_setup, "board temperature", "max_temperature_c = 90")
    assert faults == ()
    assert (made.watch.lowest, made.watch.highest, made.watch.reason) == (own.watch.lowest, 90.0, "the bench file")
    own, made, _ = wishing(make_setup, "board to air", "max_difference_k = 1")
    assert (made.polls, made.persistence_s, made.action) == (own.polls, own.persistence_s, "trip") == (2, 0.0, "trip")


@pytest.mark.parametrize(
    ("name", "wish", "accepted"),
    [
        ("supply current", "", False),
        ("supply current", "max_current_ma = 350", False),
        ("supply current", "max_current_ma = 300", True),
        ("board temperature", "min_temperature_c = -45", True),
        ("board temperature", "max_temperature_c = 90", True),
        ("board temperature", "min_temperature_c = -50\nmax_temperature_c = 105", False),
        ("air stray", "", True),
    ],
)
def test_a_pause_comes_before_what_would_do_damage_and_never_in_its_place(
    make_setup: MakeSetup, name: InterlockName, wish: str, *, accepted: bool
) -> None:
    """With a limit of its own the rule by itself goes on tripping behind it; a rule without damage may just pause."""
    own, made, faults = wishing(make_setup, name, f'{wish}\naction = "pause"')

    assert bool(faults) is not accepted
    assert all("needs a limit of its own" in fault for fault in faults)
    assert made.own == (own if made.watch != own.watch else None)
    assert (made.own is not None) is (accepted and name != "air stray")


def test_current_may_drift_as_far_as_the_part_says_or_five_percent(make_setup: MakeSetup) -> None:
    """The larger end of the part's limit; 5 % where it has none (ours)."""
    setup = make_setup({})
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    drift = next(limit for limit in part.limit if limit.characteristic == "supply_current_drift" and limit.unit == "%")
    limits = (
        (),
        (drift.model_copy(update={"min": -4.0, "max": 2.0}),),
        (drift.model_copy(update={"unit": "A", "min": None, "max": 0.5}),),
    )
    rules = [own_rules(part.model_copy(update={"limit": each}), bench, sequence, math.inf) for each in limits]

    assert [rule["current drift"].watch.highest for rule in rules] == [5.0, 4.0, 5.0]


def test_on_a_faster_clock_silence_is_counted_in_the_machines_own_time_too(make_setup: MakeSetup) -> None:
    """At 6000 times real time five minutes are 50 ms, which any busy machine sleeps through; 1 s of its own is not."""
    setup = make_setup({})
    part, bench, sequence = setup.part.model, setup.bench.model, setup.sequence.model
    fast = [bench.bench.model_copy(update={"clock": "scaled", "speed": speed}) for speed in (100.0, 6000.0)]
    rules = [own_rules(part, bench.model_copy(update={"bench": each}), sequence, math.inf) for each in fast]

    assert [rule["link silence"].watch.highest for rule in rules] == [300.0, 6000.0]


def test_a_range_is_said_as_people_say_it() -> None:
    """An end that is not there is not spoken of."""
    ranges = [(-math.inf, 2.0), (200.0, math.inf), (-50.0, 105.0)]

    assert [Watch("x", "K", *ends, "").allowed for ends in ranges] == ["at most 2 K", "at least 200 K", "-50 … 105 K"]
