"""A law: the replay of a run equals the run, whatever the sequence, the bench and what happens on the way."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from replayed import Hear, go_on, same, spend

from bench.events import Event
from bench.job import StopSwitch
from bench.store.store import open_store
from edited_demo import edited_demo


@dataclass(frozen=True)
class Wish:
    """Something that somebody wishes at the so-manieth event."""

    event: int
    what: str

    def tell(self, stop: StopSwitch) -> None:
        """Wish it."""
        {
            "stop": stop.ask,
            "stop after condition": stop.ask_after_condition,
            "hold": stop.ask_hold,
            "go on": stop.ask_go_on,
        }[self.what]()


WISHES = st.builds(
    Wish, st.integers(0, 60), st.sampled_from(["stop", "stop after condition", "hold", "go on", "go on"])
)


@st.composite
def edits(draw: st.DrawFn) -> dict[str, str]:
    """Those that make a few conditions of the quick demo, on a bench that a seed draws."""
    codes = draw(st.lists(st.integers(0, 30), min_size=1, max_size=2, unique=True))
    temperatures = draw(st.lists(st.sampled_from([15, 25, 40]), min_size=1, max_size=2, unique=True))
    facts = [
        f"repeats = {draw(st.integers(1, 2))}",
        f"recheck = {draw(st.integers(0, 2))}",
        "longest_pause_s = 300",
    ]
    channel = draw(st.sampled_from(['"A"', '"B"', '"all"']))
    warmest = draw(st.sampled_from([20, 38, 60]))
    action = draw(st.sampled_from(["pause", "trip"]))
    return {
        "gain_code = { from = 0, to = 30, step = 5 }": f"gain_code = {codes}",
        "temperature_c = [-40, 25, 85]": f"temperature_c = {temperatures}",
        'channel = "all"': f"channel = {channel}",
        "reference_temperature_c = 25": "\n".join([f"reference_temperature_c = {temperatures[0]}", *facts]),
        "seed = 20261102": f"seed = {draw(st.integers(0, 10**6))}",
        "[fixture]": (
            f'[[interlock]]\nname = "board temperature"\nmax_temperature_c = {warmest}\naction = "{action}"\n\n'
            "[fixture]"
        ),
    }


def check(changed: dict[str, str], wishes: list[Wish], later: list[Wish]) -> None:
    with open_store("sqlite://") as store:
        run = spend(edited_demo(changed), store, hearing(wishes))
        same(store, run)
        if store.run(run).state != "done":
            go_on(store, run, hearing(later))
            same(store, run)


def hearing(wishes: list[Wish]) -> Hear:
    heard: list[Event] = []

    def hear(event: Event, stop: StopSwitch) -> None:
        heard.append(event)
        for wish in wishes:
            if wish.event == len(heard):
                wish.tell(stop)

    return hear


@given(edits(), st.lists(WISHES, max_size=3), st.lists(WISHES, max_size=3))
@settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
def test_a_replay_equals_its_run(changed: dict[str, str], wishes: list[Wish], later: list[Wish]) -> None:
    """Stops, holds, interlocks and resumes fall where they fall."""
    check(changed, wishes, later)


@pytest.mark.slow
@given(edits(), st.lists(WISHES, max_size=4), st.lists(WISHES, max_size=4))
@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_many_replays_equal_their_runs(changed: dict[str, str], wishes: list[Wish], later: list[Wish]) -> None:
    """The same, at random."""
    check(changed, wishes, later)
