"""What may happen while a run is going on, on the simulated bench: it trips and says what, and stores nothing false."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.errors import Tripped
from bench.events import Event
from bench.job import StopSwitch
from bench.night import start_run
from bench.store.store import Store, open_store
from drivers.catalogue import DRIVERS
from drivers.chamber import ScpiChamber
from drivers.errors import NotThere
from drivers.messages import Messages
from drivers.simulated.rig import Drift
from edited_demo import NOT_RECORDED
from sequences.read_files import Setup

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig

UNIT = "VG2-0007"

#: One channel at one temperature with two codes.
SMALL = {
    **NOT_RECORDED,
    'channel = "all"': 'channel = "A"',
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}
BOTH_MODES = {'supply_mode = "nominal"\nload_ohm': 'supply_mode = "all"\nload_ohm'}
BELOW_THE_DRAW = {
    "max = 250 }\ncurrent_limit_ma = 300": "max = 250 }\ncurrent_limit_ma = 180",
}

Accident = Callable[["Rig"], None]


@dataclass
class Guarded:
    """Runs nights on the simulated bench, with an accident at the nth event of some kind; None: at every one."""

    monkeypatch: pytest.MonkeyPatch
    store: Store
    run: str = ""
    opened: OpenBench | None = None

    def night(
        self, setup: Setup, kind: str = "", accident: Accident = lambda rig: None, *, nth: int | None = 1
    ) -> None:
        self.monkeypatch.setattr(bench.night, "open_bench", self._open)
        seen: list[str] = []

        def hear(event: Event) -> None:
            seen.append(event.kind)
            if event.kind == kind and nth in (None, seen.count(kind)):
                accident(self.rig)

        start_run(setup, UNIT, "Ada", self.store, hear, StopSwitch(), self._begun)

    @contextlib.contextmanager
    def _open(self, *arguments: Any, **named: Any) -> Iterator[OpenBench]:  # Any: as open_bench takes them
        with open_bench(*arguments, **named) as self.opened:
            yield self.opened

    def _begun(self, run: str, _: object) -> None:
        self.run = run

    @property
    def rig(self) -> Rig:
        assert self.opened is not None
        assert self.opened.rig is not None
        return self.opened.rig

    def trip(self, setup: Setup, kind: str, accident: Accident, *, nth: int | None = 1) -> str:
        """Why the night tripped; everything is off then and the run is stored as tripped."""
        with pytest.raises(Tripped) as caught:
            self.night(setup, kind, accident, nth=nth)
        rig = self.rig
        assert rig.bias is not None
        assert not rig.bias.on
        assert not any(tone.on for tone in rig.tones.values())
        assert self.store.run(self.run).state == "tripped"
        return caught.value.cause


@pytest.fixture
def guarded(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Guarded]:
    with open_store(str(tmp_path / "night.db")) as store:
        yield Guarded(monkeypatch, store)


@pytest.fixture
def ten_times(monkeypatch: pytest.MonkeyPatch) -> Accident:
    """The unit draws ten times its current from now on."""

    def draw(rig: Rig) -> None:
        unit = type(rig.setup.unit)
        before = unit.supply_current_a
        monkeypatch.setattr(unit, "supply_current_a", lambda self, *values: 10 * before(self, *values))

    return draw


def stick_mode_pins(rig: Rig) -> None:
    """Whatever is written to the mode port, its pins stay at 0."""
    port = rig.setup.mode_port
    assert port is not None

    class Stuck(dict[int, int]):
        def __setitem__(self, key: int, value: int) -> None:
            super().__setitem__(key, 0 if key == port else value)

    rig.words = Stuck(rig.words)


# --- Bias


def test_a_night_without_an_accident_is_done(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """The harness itself: in both modes nothing is found amiss, and no rating is passed."""
    guarded.night(make_setup({**SMALL, **BOTH_MODES}))

    assert guarded.store.run(guarded.run).state == "done"
    assert guarded.store.done_conditions(guarded.run) == set(range(4))
    assert guarded.rig.exceeded == {}


def test_a_supply_that_limits_the_current_trips_before_anything_is_stored(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """180 mA lie within the plausible range, and 4.x V below every maximum: only the sag of the voltage tells."""
    cause = guarded.trip(make_setup({**SMALL, **BELOW_THE_DRAW}), "", lambda rig: None)

    assert cause.startswith("the supply is in current limit; ")
    assert "supply voltage: found" in cause
    assert "supply mode nominal; current limit?" in cause
    assert guarded.store.done_conditions(guarded.run) == set()


def test_a_unit_that_draws_ten_times_its_current_after_a_condition_trips_the_next(
    guarded: Guarded, make_setup: Callable[..., Setup], ten_times: Accident
) -> None:
    """The supply folds back to a current that every absolute maximum allows."""
    cause = guarded.trip(make_setup(SMALL), "condition done", ten_times)

    assert "supply voltage: found" in cause
    assert len(guarded.store.done_conditions(guarded.run)) == 1


def test_a_unit_that_draws_ten_times_its_current_in_a_soak_trips_while_it_soaks(
    guarded: Guarded, make_setup: Callable[..., Setup], ten_times: Accident
) -> None:
    """A soak may last an hour; nobody waits for its end."""
    cause = guarded.trip(make_setup(SMALL), "soaking", ten_times)
    events = guarded.store.events(guarded.run)
    kinds = [event.kind for event in events]

    assert "supply voltage: found" in cause
    assert "soak ended" not in kinds
    began, tripped = (next(one.at for one in events if one.kind == kind) for kind in ("run began", "tripped"))
    assert (tripped - began).total_seconds() < 60


def test_mode_pins_that_are_stuck_trip_in_the_mode_that_was_not_reached(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """In nominal mode the unit draws more than is plausible in low power; a report would call that the unit's own."""
    cause = guarded.trip(make_setup({**SMALL, **BOTH_MODES}), "soak began", stick_mode_pins)

    assert "supply current: found" in cause
    assert "plausible in supply mode low power" in cause
    assert len(guarded.store.done_conditions(guarded.run)) == 2


# --- Sources


@pytest.mark.parametrize("place", ["tone_1", "tone_2"])
def test_a_source_that_goes_off_by_itself_trips_and_is_named(
    guarded: Guarded, make_setup: Callable[..., Setup], place: str
) -> None:
    """Its tone would read as a very weak one, and the product of both as a very good intercept."""

    def go_off(rig: Rig) -> None:
        rig.tones[place].on = False

    cause = guarded.trip(make_setup(SMALL), "condition done", go_off)

    assert cause == f"{place} is off, though this run has switched it on"
    assert len(guarded.store.done_conditions(guarded.run)) == 1


# --- Temperatures


def test_a_chamber_that_stops_after_the_soak_trips_before_a_reading_far_away_is_stored(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """Air and board of each stored reading lie within twice what the soak asked for; the drift is slow and silent."""
    edits = {
        **SMALL,
        "temperature_c = [-40, 25, 85]": "temperature_c = 85",
        "reference_temperature_c = 25": "reference_temperature_c = 85",
        "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = { from = 0, to = 30 }",
    }
    setup = make_setup(edits)

    def stop(rig: Rig) -> None:
        rig.thermal.switch_conditioning(on=False)
        rig.clock.sleep(15.0)

    cause = guarded.trip(setup, "condition done", stop, nth=None)
    readings = guarded.store.frames(guarded.run).readings
    soak = setup.sequence.model.soak
    for name, within_k in (("air_temperature_c", soak.air_within_k), ("board_temperature_c", soak.board_within_k)):
        strays_k = (readings.loc[readings["quantity"] == name, "value"] - 85).abs()
        assert len(strays_k) >= 2
        assert strays_k.max() <= 2 * within_k

    assert cause.startswith(("air at ", "board at "))
    assert cause.endswith(" has left 85 °C")


# --- What instruments say of themselves


def test_a_supply_that_has_just_reached_its_limit_trips_though_its_voltage_is_within_range(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """A sag of less than 5 % is within what leads may drop: only the supply knows that it limits."""

    def limit(rig: Rig) -> None:
        assert rig.bias is not None
        rig.bias.current_limit_a = 0.995 * rig.operating().terminals.current_a

    assert guarded.trip(make_setup(SMALL), "soak began", limit) == "the supply is in current limit"


SECOND_SENSOR = {"limiter_c = 95\n": "limiter_c = 95\nsecond_sensor = true\n"}


def test_a_second_sensor_of_the_chamber_is_watched(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """It lies near the unit: its range is that of part and fixture; the board thermometer does not see it here."""

    def hot_spot(rig: Rig) -> None:
        rig.thermal.board_c = 120.0
        rig.thermometer_error_k = -95.0

    cause = guarded.trip(make_setup(SMALL | SECOND_SENSOR), "soak began", hot_spot)

    assert cause.startswith("sensor temperature: found 1")
    assert "ratings of part and fixture" in cause


def test_a_second_sensor_that_the_driver_does_not_read_is_not_there(
    guarded: Guarded, make_setup: Callable[..., Setup], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A watch that nobody keeps would be believed in."""

    class WithoutSensor:
        def __init__(self, messages: Messages) -> None:
            self.chamber = ScpiChamber(messages)

        def __getattr__(self, name: str) -> Any:  # Any: whatever the chamber's driver has
            if name == "read_sensor_c":
                raise AttributeError(name)
            return getattr(self.chamber, name)

    monkeypatch.setitem(DRIVERS["chamber"], "scpi", WithoutSensor)
    with pytest.raises(NotThere, match="second_sensor"):
        guarded.night(make_setup(SMALL | SECOND_SENSOR))


def test_an_alarm_of_the_chamber_trips_with_its_words(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """60 °C is beyond the chamber's own limit, 5 K above the run's 25 °C, and within every range of ours."""

    def overshoot(rig: Rig) -> None:
        rig.thermal.air_c = 60.0

    cause = guarded.trip(make_setup(SMALL), "soak began", overshoot)

    assert cause == (
        "alarm of the chamber: it calls its temperature questionable; its own temperature limit has stopped it"
    )
    assert not guarded.rig.thermal.is_conditioning


@pytest.mark.parametrize("place", ["tone_1", "tone_2"])
def test_a_source_that_is_unlevelled_trips_and_is_named(
    guarded: Guarded, make_setup: Callable[..., Setup], place: str
) -> None:
    """It reads back the level that was set, and gives another."""

    def lose_level(rig: Rig) -> None:
        rig.tones[place].levelled_up_to_dbm = -90.0

    cause = guarded.trip(make_setup(SMALL), "condition done", lose_level)

    assert cause == f"{place} says that it is unlevelled: it does not give the level that it is set to"


# --- Faults of the bench's physics, and how soon they are noticed


@dataclass(frozen=True)
class Upset:
    """A fault of a rig.

    Attributes:
        accident: What happens.
        event: After which kind of event.
        interlocks: Rules of which one trips.
        breaks_s: After how long the rule is broken, persistence included.
    """

    accident: Accident
    event: str
    interlocks: tuple[str, ...]
    breaks_s: float


def lose_control(rate_k_per_min: float) -> Accident:
    def lose(rig: Rig) -> None:
        rig.advance()
        rig.thermal.lose_control(rate_k_per_min / 60)

    return lose


def drift(place: str, per_min: float) -> Accident:
    """The board thermometer's reading, in K, or the unit's current, in A."""

    def begin(rig: Rig) -> None:
        rig.drifts[place] = Drift(per_min / 60, rig.clock.elapsed_s())

    return begin


def be_off(rig: Rig) -> None:
    rig.thermometer_error_k += 3.0


def limit_supply(rig: Rig) -> None:
    assert rig.bias is not None
    rig.bias.most_current_a = 0.05


IN_LIMIT = ("current limit", "mode voltage", "mode current")

#: The soak is at 25 °C and begins at 23 °C; the room is at 23 °C. A stray of the air may be 1.4 K, of the board 2 K, a
#: board's rate 10 K/min over half a minute twice, the current's drift 8 % once the board is there; the chamber's own
#: limit is 5 K away. Without control the air follows its rate with a lag of 24 s, the board with one of minutes.
UPSETS = {
    "runaway in a soak": Upset(lose_control(30.0), "soaking", ("chamber alarm", "air rate"), 60.0),
    "runaway downwards in a soak": Upset(lose_control(-30.0), "soaking", ("chamber alarm", "air rate"), 60.0),
    "runaway of a soaked chamber": Upset(lose_control(4.0), "soak ended", ("air stray",), 21.0 + 24.0),
    "runaway while conditions are read": Upset(lose_control(4.0), "condition done", ("air stray",), 21.0 + 24.0),
    "sensor that is off": Upset(be_off, "soak ended", ("board stray", "board to air"), 0.0),
    "sensor that drifts in a soak": Upset(drift("board_thermometer", 20.0), "soaking", ("board rate",), 90.0),
    "sensor that drifts when soaked": Upset(drift("board_thermometer", 20.0), "soak ended", ("board stray",), 6.0),
    "supply in limit": Upset(limit_supply, "soaking", IN_LIMIT, 0.0),
    "supply in limit when soaked": Upset(limit_supply, "soak ended", IN_LIMIT, 0.0),
    "current that drifts fast": Upset(drift("supply", 0.04), "soaking", ("current drift", "mode current"), 75.0),
    "current that drifts slowly": Upset(drift("supply", 0.004), "soaking", ("current drift",), 450.0),
}

#: Ten minutes of settling before each condition, for what happens in a wait; in minutes.
LONG_SETTLING = {"longest_min = 90\n": "longest_min = 90\n\n[settle]\ntone_level_min = 10\ngain_code_min = 10\n"}

#: A look, a slice of a wait, and the slowest reading of a meter.
LOOK_S = 1.5


@pytest.mark.parametrize("name", UPSETS)
def test_a_fault_of_the_bench_trips_within_the_stated_interval(
    guarded: Guarded, make_setup: Callable[..., Setup], name: str
) -> None:
    """In a soak, in a wait of ten minutes and between conditions; no rating of the unit is passed in truth."""
    upset = UPSETS[name]
    setup = make_setup(SMALL | (LONG_SETTLING if upset.event != "soaking" else {}))
    struck_s: list[float] = []

    def strike(rig: Rig) -> None:
        struck_s.append(rig.clock.elapsed_s())
        upset.accident(rig)

    guarded.trip(setup, upset.event, strike)
    rig = guarded.rig
    bias_off_s = next(entry.at_s for entry in reversed(rig.journal) if entry.what == "bias off")
    events = guarded.store.events(guarded.run)
    facts = [event.facts for event in events if event.kind == "interlock"]

    assert {str(fact["interlock"]) for fact in facts} <= set(upset.interlocks)
    assert facts
    assert all(fact["action"] == "trip" and "value" in fact and "since" in fact for fact in facts)
    assert bias_off_s - struck_s[0] <= upset.breaks_s + setup.bench.model.bench.watch_every_s + LOOK_S
    assert rig.exceeded == {}


def test_a_stuck_chamber_trips_long_before_its_soak_would_time_out(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """The air stays where it is, 60 K from where it was sent, and no alarm says so."""
    at_85 = {"[-40, 25, 85]": "85", "reference_temperature_c = 25": "reference_temperature_c = 85"}
    edits = {key: text for key, text in SMALL.items() if "temperature" not in key}
    setup = make_setup(edits | at_85)
    cause = guarded.trip(setup, "soaking", lose_control(0.0))

    assert cause.startswith("air stuck: found ")
    assert guarded.rig.clock.elapsed_s() < 900.0 + 60.0
    assert guarded.rig.exceeded == {}


def test_a_chamber_that_is_stuck_where_it_should_be_is_left_alone(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """Nothing is amiss that anybody could see."""
    guarded.night(make_setup(SMALL), "soak ended", lose_control(0.0))

    assert guarded.store.run(guarded.run).state == "done"


def test_a_rule_that_warns_is_in_the_record_and_the_run_goes_on(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """Once, with value, limit, and since when."""
    warning = '[[interlock]]\nname = "current drift"\nmax_change_percent = 2\naction = "warn"\n\n[fixture]\n'

    def rise_a_little(rig: Rig) -> None:
        rig.drifts["supply"] = Drift(0.002 / 60, rig.clock.elapsed_s())

    guarded.night(make_setup(SMALL | {"[fixture]\n": warning}), "soaking", rise_a_little)
    events = [event for event in guarded.store.events(guarded.run) if event.kind == "interlock"]

    assert guarded.store.run(guarded.run).state == "done"
    assert [event.facts["interlock"] for event in events] == ["current drift"]
    assert events[0].facts["highest"] == 2.0
    assert float(events[0].facts["value"]) > 2.0
    assert str(events[0].facts["since"]) <= events[0].at.isoformat(timespec="milliseconds")


# --- What the bench file says of supply and meters


def supply_current_a(guarded: Guarded) -> list[float]:
    readings = guarded.store.frames(guarded.run).readings
    found: list[float] = readings[readings["quantity"] == "supply_current_a"]["value"].tolist()
    assert found
    return found


def test_the_unit_may_hang_on_the_second_output_of_a_supply(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """The same readings as with the only one; the first is switched on by nobody."""
    guarded.night(make_setup(SMALL))
    alone_a = supply_current_a(guarded)
    second = {"highest_current_a = 2\n": "highest_current_a = 2\noutput = 2\nremote_sense = true\n"}
    guarded.night(make_setup(SMALL | second))

    assert guarded.store.run(guarded.run).state == "done"
    assert not [entry for entry in guarded.rig.journal if entry.what.startswith("output 1 on")]
    assert supply_current_a(guarded) == pytest.approx(alone_a, abs=1e-5)


def test_a_bench_that_is_found_live_is_switched_off_before_anything_else(
    guarded: Guarded, make_setup: Callable[..., Setup]
) -> None:
    """After a mains dip a supply may come back as it was, onto a unit that nobody has looked at."""

    def was_left_on(rig: Rig) -> None:
        assert rig.bias is not None
        rig.bias.voltage_v, rig.bias.on = 5.0, True
        rig.tones["tone_1"].on = True

    guarded.night(make_setup(SMALL), "run began", was_left_on)
    whats = [(entry.place, entry.what) for entry in guarded.rig.journal]

    assert whats.index(("tone_1", "rf off")) < whats.index(("supply", "bias off")) < whats.index(("supply", "bias on"))
    assert guarded.rig.exceeded == {}


def test_a_protection_that_had_tripped_is_cleared_and_said(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """The output stays off until bias is due; a person reads that something had happened before."""

    def had_tripped(rig: Rig) -> None:
        assert rig.bias is not None
        rig.bias.over_voltage_tripped = True

    guarded.night(make_setup(SMALL), "run began", had_tripped)
    texts = [event.text for event in guarded.store.events(guarded.run)]

    assert any("tripped before this run and has been cleared" in text for text in texts)


def test_meters_are_set_as_the_bench_file_says(guarded: Guarded, make_setup: Callable[..., Setup]) -> None:
    """Ten cycles take ten times as long; range and sensor are those that are wired, or the readings would overload."""
    guarded.night(make_setup(SMALL))
    usual_s = guarded.rig.clock.elapsed_s()
    said = {
        "accuracy = { offset_ma = 0.02, gain = 0.0005 }": (
            "accuracy = { offset_ma = 0.02, gain = 0.0005, noise_ma = 0.01 }\nrange_ma = 300\nintegration_cycles = 10"
        ),
        "accuracy = { temperature_k = 0.2 }": (
            'accuracy = { temperature_k = 0.2 }\nsensor = "Pt1000"\nwires = 2\nintegration_cycles = 10'
        ),
    }
    guarded.night(make_setup(SMALL | said))

    assert guarded.store.run(guarded.run).state == "done"
    assert guarded.rig.clock.elapsed_s() > usual_s
    assert guarded.rig.exceeded == {}
