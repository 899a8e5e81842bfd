"""From condition to condition: what is written, in an order that harms neither unit nor switch nor analyzer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.change import Changer, Step, steps
from bench.places import Places
from sequences.conditions import Condition
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
MakePlaces = Callable[[Any], Places]

FIRST = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
CONDITIONS = st.builds(
    Condition,
    channel=st.sampled_from(["A", "B"]),
    gain_code=st.integers(0, 30),
    temperature_c=st.sampled_from([-40.0, 25.0, 85.0]),
    supply_mode=st.sampled_from(["nominal", "low power"]),
    load_ohm=st.sampled_from([100.0, 150.0, 200.0, 400.0]),
    tone_level_dbm=st.sampled_from([0.0, 3.0, 6.0]),
    frequency_hz=st.sampled_from([45e6, 60e6, 75e6]),
)
OTHER = {
    "channel": "B",
    "gain_code": 30,
    "temperature_c": 85.0,
    "supply_mode": "low power",
    "load_ohm": 100.0,
    "tone_level_dbm": 0.0,
    "frequency_hz": 45e6,
}
#: Calls of the fakes that move a relay, the supply or the temperature.
NEEDS_RF_OFF = {("load_switch", "select"), ("channel_switch", "select"), ("supply", "output"), ("chamber", "target")}
MODE_PORT = ("code_port", "port 3")
CODE_PORT = {"A": ("code_port", "port 1"), "B": ("code_port", "port 2")}


@pytest.fixture(scope="session")
def changed(
    overnight: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> Callable[[list[Condition]], tuple[Any, Changer]]:
    """Goes through conditions on a fresh bench of fakes, RF on after each, as a run does."""

    def go(conditions: list[Condition]) -> tuple[Any, Changer]:
        bench = make_bench(overnight)
        part, files = overnight.part.model, overnight.bench.model
        changer = Changer(make_places(bench), part, files, overnight.sequence.model, overnight.path_losses)
        previous: Condition | None = None
        for condition in conditions:
            changer.apply(previous, condition)
            changer.rf_on()
            previous = condition
        return bench, changer

    return go


def rf_states(bench: Any) -> list[tuple[tuple[str, str], bool, object]]:
    """Every call with whether any source emitted when it was made, and its value."""
    on: set[str] = set()
    states = []
    for call in bench.journal:
        states.append(((call.place, call.what), bool(on), call.value))
        if call.what == "on":
            on.add(call.place)
        elif call.what == "off":
            on.discard(call.place)
    return states


# --- Deciding


@pytest.mark.parametrize(
    ("axis", "expected"),
    [
        ("temperature_c", [Step.RF_OFF, Step.TEMPERATURE]),
        ("supply_mode", [Step.RF_OFF, Step.MODE]),
        ("load_ohm", [Step.RF_OFF, Step.LOAD]),
        ("channel", [Step.RF_OFF, Step.CHANNEL, Step.CODE]),
        ("frequency_hz", [Step.FREQUENCY]),
        ("tone_level_dbm", []),
        ("gain_code", [Step.CODE]),
    ],
)
def test_one_axis_moves_only_what_belongs_to_it(axis: str, expected: list[Step]) -> None:
    """Levels are looked at each time, since they follow gain, load, frequency and channel."""
    todo = steps(FIRST, replace(FIRST, **{axis: OTHER[axis]}))  # type: ignore[arg-type]  # one axis, its own kind of value

    assert [step for step in todo if step not in (Step.LEVELS_DOWN, Step.LEVELS_UP)] == expected


def test_the_first_condition_sets_everything() -> None:
    """Nothing is known of what the instruments hold; RF_ON comes later, after soak and settling."""
    assert steps(None, FIRST) == tuple(step for step in Step if step is not Step.RF_ON)


@given(st.none() | CONDITIONS, CONDITIONS)
def test_the_steps_of_any_change_come_in_the_one_safe_order(previous: Condition | None, condition: Condition) -> None:
    """RF off first; what needs it off next; down before the code, up after it."""
    todo = steps(previous, condition)
    order = list(Step)

    assert [order.index(step) for step in todo] == sorted({order.index(step) for step in todo})
    assert (Step.RF_OFF in todo) == bool({Step.TEMPERATURE, Step.MODE, Step.LOAD, Step.CHANNEL} & set(todo))
    assert Step.RF_ON not in todo


# --- Doing


@given(st.lists(CONDITIONS, min_size=2, max_size=4))
def test_nothing_that_needs_rf_off_moves_while_a_source_emits(
    changed: Callable[[list[Condition]], tuple[Any, Changer]], conditions: list[Condition]
) -> None:
    """Relays last longer cold, and a unit without bias or load must not be driven."""
    bench, _ = changed(conditions)
    wrong = [call for call, emits, _ in rf_states(bench) if emits and (call in NEEDS_RF_OFF or call == MODE_PORT)]

    assert wrong == []
    assert any(emits for _, emits, _ in rf_states(bench))


@given(CONDITIONS, CONDITIONS)
def test_a_source_goes_down_before_the_code_and_up_after_it(
    changed: Callable[[list[Condition]], tuple[Any, Changer]], previous: Condition, condition: Condition
) -> None:
    """So neither an old level at a new, higher gain nor a new level at an old one overdrives the unit."""
    bench, _ = changed([previous])
    begun = len(bench.journal)
    before = {place: bench.values(place, "level")[-1] for place in ("tone_1", "tone_2")}
    whole, _ = changed([previous, condition])
    calls = [(call.place, call.what, call.value) for call in whole.journal[begun:]]
    at_code = [at for at, call in enumerate(calls) if call[:2] == CODE_PORT[condition.channel]]
    for place, standing in before.items():
        for at, call in enumerate(calls):
            if call[:2] == (place, "level") and at_code:
                assert (call[2] < standing) == (at < at_code[0]), calls


@given(CONDITIONS, CONDITIONS)
def test_the_unit_is_never_driven_harder_than_at_either_condition(
    changed: Callable[[list[Condition]], tuple[Any, Changer]], previous: Condition, condition: Condition
) -> None:
    """At each instant with RF on, level plus gain of the connected channel is at most that of one of the two ends."""
    bench, _ = changed([previous, condition])
    nominal = bench.setup.part.model.gain_codes.gain_of
    channel, emits = "A", False
    gain_db: dict[str, float] = {}
    levels: dict[str, float] = {}
    outputs: list[float] = []
    ends: list[float] = []
    for call in bench.journal:
        if (call.place, call.what) == ("channel_switch", "select"):
            channel = {201: "A", 202: "B"}[call.value]
        elif call.what in ("port 1", "port 2"):
            gain_db["A" if call.what == "port 1" else "B"] = nominal[call.value]
        elif call.what == "level":
            levels[call.place] = call.value
        elif call.what in ("on", "off"):
            emits = call.what == "on"
        if emits and channel in gain_db:
            outputs.append(max(levels.values()) + gain_db[channel])
        if (call.place, call.what) == ("tone_2", "on"):
            ends.append(outputs[-1])
    ends.append(outputs[-1])

    assert max(outputs) <= max(ends) + 1e-9


@given(CONDITIONS)
def test_the_same_condition_again_writes_nothing(
    changed: Callable[[list[Condition]], tuple[Any, Changer]], condition: Condition
) -> None:
    """Only what differs is written: repeating costs no time and wears no relay."""
    once, _ = changed([condition])
    twice, _ = changed([condition, condition])

    assert [call[:2] for call in twice.journal] == [call[:2] for call in once.journal]


@given(st.lists(CONDITIONS, min_size=1, max_size=4))
def test_after_any_way_the_instruments_stand_as_the_last_condition_wants(
    changed: Callable[[list[Condition]], tuple[Any, Changer]], conditions: list[Condition]
) -> None:
    """What was left out because it stood already stands indeed: the end is that of going there directly."""
    bench, changer = changed(conditions)
    direct, direct_changer = changed(conditions[-1:])
    channel_port = CODE_PORT[conditions[-1].channel]
    for place, what in (*sorted(NEEDS_RF_OFF), MODE_PORT, channel_port, ("tone_1", "frequency"), ("tone_2", "level")):
        assert bench.values(place, what)[-1] == direct.values(place, what)[-1], (place, what)

    assert changer.levels_dbm == direct_changer.levels_dbm
    assert bench.energy()["tone_1"]


def test_the_sources_stand_either_side_of_the_frequency(
    changed: Callable[[list[Condition]], tuple[Any, Changer]],
) -> None:
    """The lower tone comes from ``tone_1``."""
    bench, _ = changed([FIRST])

    assert bench.values("tone_1", "frequency") == [59.5e6]
    assert bench.values("tone_2", "frequency") == [60.5e6]


def test_the_source_level_follows_gain_and_input_loss(
    changed: Callable[[list[Condition]], tuple[Any, Changer]],
) -> None:
    """3 dBm at the output less 24 dB of gain plus the declared 7.2295 dB at 59.5 MHz, rounded to 0.01 dB."""
    bench, _ = changed([FIRST])

    assert bench.values("tone_1", "level") == [-13.77]


def test_a_run_without_lines_never_touches_the_sources(
    make_setup: Callable[..., Setup], make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Supply current needs no RF."""
    setup = make_setup({"[soak]": "[measure]\ntwo_tone = false\nharmonics = false\n[soak]"})
    bench = make_bench(setup)
    changer = Changer(make_places(bench), setup.part.model, setup.bench.model, setup.sequence.model, setup.path_losses)
    changer.apply(None, FIRST)
    changer.rf_on()

    assert {call.place for call in bench.journal} == {
        "chamber",
        "supply",
        "code_port",
        "load_switch",
        "channel_switch",
    }


@pytest.mark.parametrize(
    ("axis", "settle_s"),
    [("supply_mode", 2.2), ("load_ohm", 0.15), ("channel", 0.1), ("frequency_hz", 0.04), ("tone_level_dbm", 0.04)],
)
def test_the_settling_time_is_the_longest_of_what_moved(
    overnight: Setup, make_bench: MakeBench, make_places: MakePlaces, axis: str, settle_s: float
) -> None:
    """Sequence's time plus the instrument's own, of the slowest step; the others settle meanwhile."""
    changer = Changer(
        make_places(make_bench(overnight)),
        overnight.part.model,
        overnight.bench.model,
        overnight.sequence.model,
        overnight.path_losses,
    )
    changer.apply(None, FIRST)
    moved = changer.apply(FIRST, replace(FIRST, **{axis: OTHER[axis]}))  # type: ignore[arg-type]  # as above

    assert moved.settle_s == pytest.approx(settle_s)
    assert not moved.soak_needed


def test_only_a_change_of_temperature_on_a_bench_with_a_chamber_asks_for_soak(
    overnight: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Without a chamber nobody can move the temperature, so nothing would ever be steady."""
    files = (overnight.part.model, overnight.bench.model, overnight.sequence.model, overnight.path_losses)
    places = make_places(make_bench(overnight))
    hot = replace(FIRST, temperature_c=85.0)

    assert Changer(places, *files).apply(FIRST, hot).soak_needed
    assert not Changer(replace(places, chamber=None), *files).apply(FIRST, hot).soak_needed
