"""Every interlock: what provokes it, what comes close and does not, and how far a bench file may change it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import Tripped
from bench.interlock_rules import interlock_faults, interlocks_of
from bench.interlocks import Breach, Found, Interlock, Judge, Watch
from bench.places import Places
from bench.plan import make_plan, through_plan
from bench.watchkeeping import Situation, Watchkeeper, breach_facts
from drivers.errors import TimedOut
from sequences.conditions import Condition, expand
from sequences.errors import FileFaults
from sequences.interlock_entry import InterlockName
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]

SECOND_SENSOR = {"limiter_c = 95\n": "limiter_c = 95\nsecond_sensor = true\n"}

#: How long the run of these tests should take: it may last twice as long, and an hour.
PLANNED_S = 3600.0


@dataclass
class World:
    """A keeper over fake instruments at 25 °C in the nominal mode, with bias and both tones on."""

    setup: Setup
    bench: Any  # the FakeBench of conftest.py, which a test cannot import
    places: Places
    keeper: Watchkeeper = field(init=False)
    warned: list[Breach] = field(default_factory=list)
    free_mb: float = 1e4

    def __post_init__(self) -> None:
        self.bench.air_c = self.bench.target_c = 25.0
        for output in (self.places.supply, self.places.tone_1, self.places.tone_2):
            assert output is not None
            output.switch_output(on=True)
        rules = interlocks_of(self.setup, PLANNED_S)
        self.keeper = Watchkeeper(
            self.places, self.setup, self.bench.clock, rules, self.warned.append, lambda: self.free_mb
        )

    def condition(self, temperature_c: float = 25.0) -> Condition:
        setup = self.setup
        every = expand(setup.sequence.model, setup.part.model, setup.bench.model)
        return next(item for item in every if (item.temperature_c, item.supply_mode) == (temperature_c, "nominal"))

    def look(
        self,
        upset: Callable[[], None] = lambda: None,
        *,
        times: int = 1,
        every_s: float = 10.0,
        is_soaking: bool = False,
        temperature_c: float = 25.0,
    ) -> None:
        """Look some times, with something that happens before each look."""
        at = Situation(self.condition(temperature_c), not is_soaking, is_soaking, ("tone_1", "tone_2"))
        for _ in range(times):
            upset()
            self.keeper.look(at)
            self.bench.clock.sleep(every_s)

    def look_at_safe_bench(self, times: int) -> None:
        for _ in range(times):
            self.bench.clock.sleep(10.0)
            self.keeper.look(Situation())


@pytest.fixture
def world(make_setup: MakeSetup, make_bench: Callable[..., Any], make_places: Callable[[Any], Places]) -> World:
    setup = make_setup(SECOND_SENSOR)
    bench = make_bench(setup)
    return World(setup, bench, make_places(bench))


def let(world: World, **values: object) -> None:
    """Something is so from now on, at the next look."""
    for name, value in values.items():
        assert hasattr(world.bench, name)
        setattr(world.bench, name, value)
    world.look(times=2)


def air_moves(world: World, by_k: float, board_by_k: float, times: int = 4) -> None:
    """On the way to a temperature, air and board change from look to look, half a minute apart."""

    def move() -> None:
        world.bench.air_c += by_k
        world.bench.board_error_k += board_by_k - by_k

    world.look(move, times=times, every_s=30.0, is_soaking=True, temperature_c=85.0)


def stand_still(world: World, minutes: int) -> None:
    world.look(times=minutes + 1, every_s=60.0, is_soaking=True, temperature_c=85.0)


def current_drifts(world: World, by_a: float) -> None:
    world.look(is_soaking=True)
    world.bench.supply_current_a += by_a
    world.look(is_soaking=True)


def source_goes_off(world: World, *, on: bool) -> None:
    assert world.places.tone_2 is not None
    world.places.tone_2.switch_output(on=on)
    world.look()


def overload(world: World, *, overloaded: bool) -> None:
    analyzer: Any = world.places.analyzer  # the fake
    analyzer.input_overloaded = lambda: overloaded
    world.look()


def one_is_silent(world: World, looks: int) -> None:
    world.bench.failing["load_switch", "drain"] = TimedOut("no reply", instrument="load_switch")
    world.look_at_safe_bench(looks)


def disk_fills(world: World, free_mb: float) -> None:
    world.free_mb = free_mb
    world.look()


def last(world: World, lasts_s: float) -> None:
    world.look()
    world.bench.clock.sleep(lasts_s - world.bench.clock.elapsed_s())
    world.look()


def sensor_reads(world: World, sensor_c: float) -> None:
    world.keeper.values({"sensor_temperature_c": sensor_c})


Act = Callable[[World], None]

#: Rule, what provokes it, what is as close to it as can be told apart and does not.
CASES: dict[InterlockName, tuple[Act, Act]] = {
    "supply current": (lambda w: let(w, supply_current_a=0.351), lambda w: let(w, supply_current_a=0.249)),
    "supply voltage": (lambda w: let(w, supply_voltage_v=5.51), lambda w: let(w, supply_voltage_v=5.24)),
    "mode current": (lambda w: let(w, supply_current_a=0.251), lambda w: let(w, supply_current_a=0.249)),
    "mode voltage": (lambda w: let(w, supply_voltage_v=4.74), lambda w: let(w, supply_voltage_v=4.76)),
    "current limit": (lambda w: let(w, in_current_limit=True), lambda w: let(w, in_current_limit=False)),
    "bias off": (
        lambda w: let(w, somebody_switched_bias_off=True),
        lambda w: let(w, somebody_switched_bias_off=False),
    ),
    "supply protection": (lambda w: let(w, protection_tripped=True), lambda w: let(w, protection_tripped=False)),
    "board temperature": (lambda w: let(w, board_error_k=81.0), lambda w: let(w, board_error_k=1.9)),
    "air temperature": (lambda w: let(w, air_c=106.0, board_error_k=-81.0), lambda w: let(w, air_c=26.3)),
    "sensor temperature": (lambda w: sensor_reads(w, 105.1), lambda w: sensor_reads(w, 104.9)),
    "air stray": (lambda w: let(w, air_c=26.5, board_error_k=-1.5), lambda w: let(w, air_c=26.3, board_error_k=-1.3)),
    "board stray": (lambda w: let(w, board_error_k=2.1), lambda w: let(w, board_error_k=1.9)),
    "board to air": (
        lambda w: let(w, air_c=26.3, board_error_k=-2.6),
        lambda w: let(w, air_c=26.3, board_error_k=-2.5),
    ),
    "air rate": (lambda w: air_moves(w, 4.1, 4.1), lambda w: air_moves(w, 3.9, 3.9)),
    "board rate": (lambda w: air_moves(w, 2.0, 5.1), lambda w: air_moves(w, 2.0, 4.9)),
    "air stuck": (lambda w: stand_still(w, 16), lambda w: stand_still(w, 14)),
    "board stuck": (lambda w: air_moves(w, 1.0, 0.0, 10), lambda w: air_moves(w, 1.0, 0.01, 10)),
    "chamber alarm": (lambda w: let(w, alarms=("door open",)), lambda w: let(w, alarms=())),
    "source off": (lambda w: source_goes_off(w, on=False), lambda w: source_goes_off(w, on=True)),
    "source unlevelled": (lambda w: let(w, unlevelled={"tone_2"}), lambda w: let(w, unlevelled={"tone_3"})),
    "analyzer overload": (lambda w: overload(w, overloaded=True), lambda w: overload(w, overloaded=False)),
    "link silence": (lambda w: one_is_silent(w, 31), lambda w: one_is_silent(w, 29)),
    "disk space": (lambda w: disk_fills(w, 199.0), lambda w: disk_fills(w, 201.0)),
    "run duration": (lambda w: last(w, 10_801.0), lambda w: last(w, 10_799.0)),
    "current drift": (lambda w: current_drifts(w, 0.0161), lambda w: current_drifts(w, 0.0159)),
}


def test_every_interlock_is_tried_here() -> None:
    """None that a file can name is left out."""
    assert set(CASES) == set(get_args(InterlockName))


@pytest.mark.parametrize("name", CASES)
def test_what_provokes_an_interlock_makes_it_act(world: World, name: InterlockName) -> None:
    """It trips, or warns where that is its action, and the record has value, limit and since when."""
    rule = interlocks_of(world.setup, PLANNED_S)[name]
    tripped = False
    try:
        CASES[name][0](world)
    except Tripped:
        tripped = True
    acted = (*world.keeper.broken, *world.warned)
    breach = next(one for one in acted if one.interlock.name == name)
    facts = breach_facts(breach, world.bench.clock)

    assert tripped is (rule.action == "trip")
    assert facts["interlock"] == name
    assert facts["action"] == rule.action
    assert {"lowest", "highest"} & set(facts)
    assert not breach.watch.holds(float(facts["value"]))
    assert str(facts["since"]) <= world.bench.clock.now().isoformat(timespec="milliseconds")


@pytest.mark.parametrize("name", CASES)
def test_what_comes_close_to_an_interlock_does_not(world: World, name: InterlockName) -> None:
    """Nor does it provoke another one."""
    CASES[name][1](world)

    assert world.keeper.broken == ()
    assert world.warned == []


@pytest.mark.parametrize("name", [name for name in CASES if name not in ("mode current", "mode voltage")])
def test_a_value_that_is_no_number_breaks_every_rule(world: World, name: InterlockName) -> None:
    """Whoever says nothing must not look like one that says all is well."""
    rule = interlocks_of(world.setup, PLANNED_S)[name]

    assert not rule.watch.holds(math.nan)


def test_one_jump_of_temperature_is_no_rate(world: World) -> None:
    """A new target, a door or a wire makes one; what goes on jumping is out of control."""
    air_moves(world, 20.0, 20.0, times=1)
    air_moves(world, 0.1, 0.1, times=3)

    assert world.keeper.broken == ()


def test_an_air_that_stayed_where_it_was_sent_is_not_stuck_when_it_is_sent_elsewhere(world: World) -> None:
    """However long it has stayed."""
    world.look(times=2)
    world.bench.clock.sleep(3600.0)
    stand_still(world, 14)

    assert world.keeper.broken == ()


def test_while_bias_settles_its_mode_is_not_judged_and_its_maximum_is(world: World) -> None:
    """On the way from one mode to another the current is that of neither."""
    world.bench.supply_current_a = 0.13
    world.keeper.bias_changed()
    world.look(every_s=0.1)
    world.bench.supply_current_a = 0.36
    with pytest.raises(Tripped, match="absolute maximum of the part"):
        world.look()


def test_once_bias_has_had_its_time_its_mode_is_judged_in_every_wait(world: World) -> None:
    """A second for the mode and 0.2 s for the supply; the wait may be for something much slower."""
    world.bench.supply_current_a = 0.13
    world.keeper.bias_changed()
    world.bench.clock.sleep(1.2)
    with pytest.raises(Tripped, match="plausible in supply mode nominal"):
        world.look()


def test_who_is_silent_on_a_safe_bench_is_passed_over_when_a_retry_will_ask_it(world: World) -> None:
    """Otherwise a wait before a retry could never be longer than a link may be silent."""
    world.bench.failing["load_switch", "drain"] = TimedOut("no reply", instrument="load_switch")
    for _ in range(60):
        world.bench.clock.sleep(10.0)
        world.keeper.look(Situation(may_be_silent=True))

    assert world.keeper.broken == ()


def test_a_safe_bench_is_watched_too(world: World) -> None:
    """The chamber goes on conditioning."""
    world.bench.alarms = ("door open",)
    with pytest.raises(Tripped, match="door open"):
        world.keeper.look(Situation(may_be_silent=True))


# --- How long a rule must be broken


def rules(**changes: Any) -> dict[InterlockName, Interlock]:  # Any: fields of an Interlock
    watch = Watch("air_temperature_c", "°C", 0.0, 50.0, "test")
    return {"air temperature": Interlock("air temperature", watch, **changes)}


def acted(judge: Judge, values: list[float], every_s: float = 10.0) -> list[int]:
    """Numbers of the looks at which something was due."""
    looks = [judge.look(number * every_s, [Found("air temperature", value)]) for number, value in enumerate(values)]
    return [number for number, due in enumerate(looks) if due]


def test_a_rule_acts_when_so_many_looks_in_a_row_have_found_it_broken() -> None:
    """One look that finds it whole begins the count anew; it is told once until it has been whole again."""
    bad, good = 60.0, 40.0

    assert acted(Judge(rules(polls=3)), [bad, bad, good, bad, bad, bad, bad, good, bad, bad, bad]) == [5, 10]


def test_a_rule_acts_when_it_has_been_broken_for_so_long() -> None:
    """From the first look that found it so."""
    assert acted(Judge(rules(persistence_s=25.0)), [40.0, 60.0, 60.0, 60.0, 60.0, 60.0]) == [4]


def test_a_breach_says_since_when_and_for_how_long() -> None:
    """The first look that found it broken."""
    judge = Judge(rules(polls=2))
    judge.look(100.0, [Found("air temperature", 60.0)])
    (breach,) = judge.look(130.0, [Found("air temperature", 61.0)])

    assert breach.since_s == 100.0
    assert str(breach) == "air temperature: found 61 °C, allowed 0 … 50 °C (test), for 30 s"


@given(st.lists(st.booleans(), max_size=40), st.integers(1, 5))
def test_a_rule_acts_at_the_last_of_its_looks_and_never_before(looks: list[bool], polls: int) -> None:
    """Against a count of its own."""
    expected, streak = [], 0
    for number, is_bad in enumerate(looks):
        streak = streak + 1 if is_bad else 0
        if streak == polls:
            expected.append(number)

    assert acted(Judge(rules(polls=polls)), [60.0 if is_bad else 40.0 for is_bad in looks]) == expected


# --- What a bench file may say


def with_interlocks(make_setup: MakeSetup, *tables: str) -> Setup:
    text = "\n".join(f"[[interlock]]\n{table}\n" for table in tables)
    return make_setup({"[fixture]\n": f"{text}\n[fixture]\n"})


def test_a_bench_file_makes_a_rule_stricter(make_setup: MakeSetup) -> None:
    """Limit, persistence and action; any prefix of the unit."""
    setup = with_interlocks(
        make_setup,
        'name = "supply current"\nmax_current_ma = 300',
        'name = "board temperature"\nmin_temperature_c = -45\nmax_temperature_c = 90',
        'name = "run duration"\nmax_duration_h = 14\naction = "trip"',
        'name = "air stray"\nmax_difference_mk = 900\npolls = 3\npersistence_min = 2\naction = "warn"',
        'name = "disk space"\nmin_free_mb = 500',
    )
    made = interlocks_of(setup)

    assert (made["supply current"].watch.highest, made["supply current"].action) == (0.3, "trip")
    assert (made["board temperature"].watch.lowest, made["board temperature"].watch.highest) == (-45.0, 90.0)
    assert (made["run duration"].watch.highest, made["run duration"].action) == (14 * 3600.0, "trip")
    stray = made["air stray"]
    assert (stray.watch.highest, stray.polls, stray.persistence_s, stray.action) == (0.9, 3, 120.0, "warn")
    assert made["disk space"].watch.lowest == 500.0
    assert make_plan(setup).conditions


REFUSED = [
    ('name = "supply current"\nmax_current_ma = 351', "can only be made stricter: found max 0.351 A"),
    ('name = "board temperature"\nmax_temperature_c = 110', "can only be made stricter: found max 110 °C"),
    ('name = "board temperature"\nmin_temperature_c = -51', "can only be made stricter: found min -51 °C"),
    ('name = "supply voltage"\naction = "warn"', "cannot be made a warning"),
    ('name = "chamber alarm"\naction = "warn"', "cannot be made a warning"),
    ('name = "supply current"\npolls = 2', "acts at once, without polls or persistence_s"),
    ('name = "air temperature"\npersistence_s = 5', "acts at once, without polls or persistence_s"),
    ('name = "sensor temperature"\nmax_temperature_c = 60', "has nothing to watch on this bench"),
]


@pytest.mark.parametrize(("table", "problem"), REFUSED)
def test_a_bench_file_cannot_make_a_rule_milder(make_setup: MakeSetup, table: str, problem: str) -> None:
    """Refused before anything is opened, with file, table, rule and what is allowed; with a through, too."""
    setup = with_interlocks(make_setup, table)
    with pytest.raises(FileFaults) as caught:
        make_plan(setup)
    with pytest.raises(FileFaults):
        through_plan(setup)

    assert problem in str(caught.value)
    assert "[[interlock]] no. 1" in str(caught.value)
    assert len(interlock_faults(setup)) == 1


WRONG = [
    ('name = "supply curent"\nmax_current_ma = 300', "supply current"),
    (
        'name = "air stray"\nmax_temperature_c = 3',
        'the interlock "air stray" takes max_difference_k, not max_temperature_c',
    ),
    (
        'name = "mode current"\nmax_current_ma = 300',
        'the interlock "mode current" has no limit to be set, not max_current_a',
    ),
    ('name = "air stray"\naction = "ignore"', "action"),
    ('name = "air stray"\npolls = 0', "polls"),
]


@pytest.mark.parametrize(("table", "problem"), WRONG)
def test_an_interlock_that_a_file_spells_wrong_is_refused(make_setup: MakeSetup, table: str, problem: str) -> None:
    """Like every other table."""
    with pytest.raises(FileFaults) as caught:
        with_interlocks(make_setup, table)

    assert problem in str(caught.value)


def test_two_tables_for_one_interlock_are_refused(make_setup: MakeSetup) -> None:
    """Nobody could tell which counts."""
    with pytest.raises(FileFaults, match='tables are for "air stray"'):
        with_interlocks(make_setup, *['name = "air stray"\nmax_difference_k = 1'] * 2)


def test_a_through_keeps_the_rules_of_what_it_uses(make_setup: MakeSetup) -> None:
    """A rule for what it leaves alone is no fault of the file."""
    setup = with_interlocks(
        make_setup, 'name = "supply current"\nmax_current_ma = 300', 'name = "source off"\npolls = 2'
    )
    made = interlocks_of(through_plan(setup).setup)

    assert "supply current" not in made
    assert made["source off"].polls == 2
