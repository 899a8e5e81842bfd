"""The way back to room temperature, on the simulated bench: what is said of the door against what is really so."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.errors import Stopped, Tripped
from bench.events import Event
from bench.job import StopSwitch
from bench.night import resume_run, start_run
from bench.store.store import Store, open_store
from drivers.errors import InstrumentError
from drivers.simulated.faults import Faults
from drivers.simulated.front_ends import served_front_ends
from drivers.simulated.rig import Rig
from edited_demo import NOT_RECORDED
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]
Act = Callable[["House"], None]

#: Two conditions at one temperature.
ONE = {
    **NOT_RECORDED,
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    'channel = "all"': 'channel = "A"',
}
AXIS = "temperature_c = [-40, 25, 85]"
COLD = ONE | {AXIS: "temperature_c = -40"}
WARM = ONE | {AXIS: "temperature_c = 25"}
HOT = ONE | {AXIS: "temperature_c = 85"}
COLD_AND_HOT = ONE | {AXIS: "temperature_c = [-40, 85]", "longest_min = 90": "longest_min = 90\n[settle]\nload_s = 900"}


@dataclass
class House:
    """A bench, a store, and what was really so whenever something was said of the door."""

    monkeypatch: pytest.MonkeyPatch
    store: Store
    stop: StopSwitch = field(default_factory=StopSwitch)
    run: str = ""
    opened: OpenBench | None = None
    events: list[Event] = field(default_factory=list)
    true_c: list[tuple[str, float, float]] = field(default_factory=list)
    targets_c: list[float] = field(default_factory=list)
    when: dict[str, Act] = field(default_factory=dict)

    @property
    def rig(self) -> Rig:
        assert self.opened is not None
        assert self.opened.rig is not None
        return self.opened.rig

    def night(self, setup: Setup) -> None:
        self.monkeypatch.setattr(bench.night, "open_bench", self._open)
        start_run(setup, "VG2-0007", "Ada", self.store, self.hear, self.stop, self._begun)

    def resume(self) -> None:
        resume_run(self.store, self.run, self.hear, StopSwitch(), lambda *_: None)

    def hear(self, event: Event) -> None:
        self.events.append(event)
        if event.kind in ("safe to open", "not safe to open"):
            self.rig.advance()
            self.true_c.append((event.kind, self.rig.thermal.air_c, self.rig.thermal.board_c))
        act = self.when.pop(event.kind, None)
        if act is not None:
            act(self)

    @contextlib.contextmanager
    def _open(self, *arguments: Any, **named: Any) -> Iterator[OpenBench]:  # Any: as open_bench takes them
        with open_bench(*arguments, **named) as self.opened:
            thermal = self.rig.thermal
            set_target_c = thermal.set_target_c

            def noted(target_c: float) -> None:
                self.targets_c.append(target_c)
                set_target_c(target_c)

            thermal.set_target_c = noted  # type: ignore[method-assign] # to see what the chamber is sent to
            yield self.opened

    def _begun(self, run: str, _: object) -> None:
        self.run = run

    def texts(self, kind: str) -> list[str]:
        return [event.text for event in self.events if event.kind == kind]

    def at_s(self, kind: str, nth: int = -1) -> float:
        first = self.events[0].at
        return ([event.at for event in self.events if event.kind == kind][nth] - first).total_seconds()

    def after_safety(self) -> list[float]:
        """Targets since the last way to safety."""
        return self.targets_c[self._safe_at :]

    def note_safety(self, _: House | None = None) -> None:
        self._safe_at = len(self.targets_c)

    _safe_at: int = 0


@pytest.fixture
def house(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[House]:
    with open_store(str(tmp_path / "night.db")) as store:
        yield House(monkeypatch, store)


def fault(kind: str, place: str = "board_thermometer") -> Act:
    """A fault of the rig at a place."""

    def strike(house: House) -> None:
        Faults(house.rig, served_front_ends(house.rig), 1.0).switch_on(place, kind)

    return strike


# --- What is said is so


@pytest.mark.parametrize("edits", [COLD, WARM, HOT, COLD_AND_HOT], ids=["cold", "warm", "hot", "cold and hot"])
def test_what_is_called_safe_to_open_is_dry_and_can_be_touched(
    house: House, make_setup: MakeSetup, edits: dict[str, str]
) -> None:
    """Air and board as they really are: above the dew point of 23 °C and 50 % (12.0 °C), and 0 … 43 °C; bias is off."""
    house.night(make_setup(edits))
    (said,) = house.true_c

    assert said[0] == "safe to open"
    assert all(12.02 < true_c < 43.0 for true_c in said[1:])
    assert house.rig.bias is not None
    assert not house.rig.bias.on
    assert house.targets_c[-1] == 25.0
    assert house.store.run(house.run).state == "done"


def test_a_cold_night_dries_out_for_its_time_before_the_door(house: House, make_setup: MakeSetup) -> None:
    """At 40 °C for a quarter of an hour from when air and board are there; then 25 °C."""
    house.night(make_setup(COLD))
    first, second = house.texts("returning")

    assert first.startswith("dry-out at 40 °C for 15 min: something has been below 17.0 °C")
    assert second == "to 25 °C"
    assert house.targets_c[-3:] == [25.0, 40.0, 25.0]
    # 80 K at 4 K/min take 20 min; the air counts as there 2 K before.
    assert 900 + 19.5 * 60 <= house.at_s("returning") - house.at_s("returning", 0) <= 900 + 22 * 60


@pytest.mark.parametrize(
    ("edits", "why"), [(WARM, "never cold"), (HOT, "never cold"), (COLD_AND_HOT, "dried at 85 °C")]
)
def test_nothing_is_dried_out_that_is_dry(house: House, make_setup: MakeSetup, edits: dict[str, str], why: str) -> None:
    """Never below 17 °C, or held at 85 °C for long enough after it."""
    house.night(make_setup(edits))

    assert house.texts("returning") == ["to 25 °C"], why


def test_the_plan_foretells_the_return(house: House, make_setup: MakeSetup) -> None:
    """Within two minutes of what it takes, with and without a dry-out."""
    from bench.plan import make_plan

    for edits in (COLD, HOT, WARM):
        setup = make_setup(edits)
        house.events.clear()
        house.night(setup)
        plan = make_plan(setup)
        took_s = house.at_s("safe to open") - house.at_s("returning", 0)

        assert plan.estimate.by_cause_s["return"] == pytest.approx(took_s, abs=120.0)
        assert plan.dries_out is (edits is COLD)


def test_a_bench_that_nobody_opens_ends_at_idle_without_a_word(house: House, make_setup: MakeSetup) -> None:
    """``wanted = false``: the run is over as soon as the chamber has been sent to idle."""
    house.night(make_setup(COLD | {"[simulation]\n": "[dry_out]\nwanted = false\n\n[simulation]\n"}))

    assert house.true_c == []
    assert house.at_s("run ended") == pytest.approx(house.at_s("condition done"), abs=2.0)
    assert house.targets_c[-1] == 25.0


def test_evidence_and_targets_are_stored_with_the_run(house: House, make_setup: MakeSetup) -> None:
    """A report can say on what grounds the soak ended and the door was called safe."""
    house.night(make_setup(COLD))
    stored = {event.kind: event.facts for event in house.store.events(house.run)}

    soak, door = stored["soak ended"], stored["safe to open"]
    assert soak["target_c"] == -40.0
    assert abs(float(soak["board_temperature_c"]) + 40.0) <= float(soak["board_within_k"])
    assert abs(float(soak["drift_k_per_min"])) <= float(soak["drift_within_k_per_min"])
    assert float(soak["held_s"]) >= 180.0
    assert float(door["board_temperature_c"]) > float(door["dew_point_c"]) + 5.0


# --- Runs that end otherwise


def test_a_night_that_is_stopped_in_the_cold_comes_home_all_the_same(house: House, make_setup: MakeSetup) -> None:
    """The first wish stops the run, and is told at once; the chamber dries out and is safe to open."""
    house.when["condition done"] = lambda house: house.stop.ask()
    with pytest.raises(Stopped):
        house.night(make_setup(COLD))

    assert [kind for kind, *_ in house.true_c] == ["safe to open"]
    assert house.at_s("stopped") < house.at_s("returning", 0) + 1.0
    assert house.store.run(house.run).state == "stopped"


@pytest.mark.parametrize(("ends", "state"), [("stopped", "stopped"), ("done", "done")])
def test_a_wish_to_leave_ends_the_dry_out_with_the_chamber_at_idle(
    house: House, make_setup: MakeSetup, ends: str, state: str
) -> None:
    """At once; what is measured stays measured, and what is missing until the door is safe is said."""
    if ends == "stopped":
        house.when["condition done"] = lambda house: house.stop.ask()
    house.when["returning"] = lambda house: house.stop.ask()
    with pytest.raises(Stopped) if ends == "stopped" else contextlib.nullcontext():
        house.night(make_setup(COLD))
    ((kind, _, board_c),) = house.true_c

    assert kind == "not safe to open"
    assert board_c < 12.0
    assert "not safe to open until air and board have been between 17.0 and 43 °C" in house.texts(kind)[0]
    assert "after 15 min above that to dry" in house.texts(kind)[0]
    assert house.at_s(kind) - house.at_s("returning", 0) < 2.0
    assert house.targets_c[-1] == 25.0
    assert house.store.run(house.run).state == state


def limit_supply(house: House) -> None:
    assert house.rig.bias is not None
    house.rig.bias.most_current_a = 0.05


def test_a_trip_that_is_not_the_chamber_s_comes_home(house: House, make_setup: MakeSetup) -> None:
    """A supply that limits says nothing against chamber and sensors."""
    house.when["condition done"] = limit_supply
    with pytest.raises(Tripped, match="current limit"):
        house.night(make_setup(COLD))

    assert [kind for kind, *_ in house.true_c] == ["safe to open"]
    assert house.store.run(house.run).state == "tripped"


def run_away(house: House) -> None:
    house.rig.advance()
    house.rig.thermal.lose_control(30.0 / 60)


@pytest.mark.parametrize(
    ("act", "why"),
    [
        (run_away, "the interlock"),
        (fault("stuck-sensor"), "the interlock"),
        (fault("open-sensor"), "board thermometer has failed"),
    ],
    ids=["runaway", "stuck sensor", "open sensor"],
)
def test_after_a_trip_of_chamber_or_sensor_nobody_knows_and_nothing_but_idle_is_sent(
    house: House, make_setup: MakeSetup, act: Act, why: str
) -> None:
    """No dry-out by a chamber that is out of control, or seen by a sensor that is dead."""
    house.when["soaking"] = act
    with pytest.raises((Tripped, InstrumentError)):
        house.night(make_setup(COLD))

    assert [kind for kind, *_ in house.true_c] == ["not safe to open"]
    assert house.texts("not safe to open")[0].startswith(f"it is not known whether the chamber is safe to open: {why}")
    assert house.texts("returning") == []
    assert set(house.targets_c) == {25.0, -40.0}


@pytest.mark.parametrize(
    ("act", "why", "state"),
    [
        (run_away, "air rate", "tripped"),
        (fault("stuck-sensor"), "board stuck", "tripped"),
        (fault("open-sensor"), "the sensor of the board is open", "done"),
    ],
    ids=["runaway", "stuck sensor", "open sensor"],
)
def test_what_breaks_on_the_way_home_leaves_the_chamber_at_idle_and_the_readings_whole(
    house: House, make_setup: MakeSetup, act: Act, why: str, state: str
) -> None:
    """An interlock trips the run, whose conditions are complete; a sensor that does not answer only ends the return."""
    house.when["returning"] = act
    with pytest.raises(Tripped) if state == "tripped" else contextlib.nullcontext():
        house.night(make_setup(COLD))
    said = " ".join(event.text + str(event.facts.get("interlock", "")) for event in house.events)

    assert [kind for kind, *_ in house.true_c] == ["not safe to open"]
    assert why in said
    assert house.targets_c[-1] == 25.0
    line = house.store.run(house.run)
    assert (line.state, line.done) == (state, 2)


def test_a_run_that_tripped_on_its_way_home_is_done_when_it_is_resumed(house: House, make_setup: MakeSetup) -> None:
    """Nothing is left to measure; nothing was brought up, so nothing is said of the door."""
    house.when["returning"] = run_away
    with pytest.raises(Tripped):
        house.night(make_setup(COLD))
    said = len(house.true_c)
    house.resume()

    assert house.store.run(house.run).state == "done"
    assert len(house.true_c) == said


def test_a_chamber_that_does_not_get_warm_is_not_called_safe(house: House, make_setup: MakeSetup) -> None:
    """It stands still in the cold: its interlock trips after a quarter of an hour, long before the door's own limit."""
    house.when["returning"] = fault("stuck", "chamber")
    with pytest.raises(Tripped):
        house.night(make_setup(COLD))

    assert [kind for kind, *_ in house.true_c] == ["not safe to open"]
    assert house.at_s("not safe to open") - house.at_s("returning") < 1200


def test_a_board_that_does_not_get_warm_is_waited_for_only_so_long(house: House, make_setup: MakeSetup) -> None:
    """It reads 15 K too cold, within every rating; after half an hour for lag and chamber it is given up."""

    def cool(house: House) -> None:
        house.rig.thermometer_error_k = -15.0

    house.when["returning"] = cool
    house.night(make_setup(WARM))
    (text,) = house.texts("not safe to open")

    assert text.startswith(
        "it is not known whether the chamber is safe to open: board below 17.0 °C after 31 min; air 2"
    )
    assert house.at_s("not safe to open") - house.at_s("returning") == pytest.approx(31 * 60, abs=20)
    assert house.store.run(house.run).state == "done"


# --- A soak that must not be believed


def test_a_sensor_that_is_stuck_at_the_target_ends_no_soak(house: House, make_setup: MakeSetup) -> None:
    """Its interlock only warns, so that the soak must see it: it reads −40 °C from the start."""
    warned = '[[interlock]]\nname = "board stuck"\naction = "warn"\n\n[fixture]\n'

    def stick(house: House) -> None:
        house.rig.dead_sensors["board_thermometer"] = -40.0

    house.when["soak began"] = stick
    with pytest.raises(
        Tripped, match=r"the soak did not end in its time: .*the sensor of board is stuck: it has read -40"
    ):
        house.night(make_setup(COLD | {"[fixture]\n": warned}))

    assert "soak ended" not in [event.kind for event in house.events]


def slow_down(factor: float) -> Act:
    """The chamber ramps at this part of its rate."""

    def slow(house: House) -> None:
        house.rig.advance()
        house.rig.thermal.set_ramp_k_per_s(4 / 60 * factor)

    return slow


def test_a_chamber_that_is_too_slow_trips_at_its_limit(house: House, make_setup: MakeSetup) -> None:
    """63 K at 4 K/min take 16 min; half as long again and a quarter of an hour are 39 min, not the 90 of the soak."""
    house.when["soak began"] = slow_down(0.3)
    with pytest.raises(Tripped, match=r"the chamber has not reached -40 °C within 39 min"):
        house.night(make_setup(COLD))

    assert 38 * 60 <= house.at_s("tripped") <= 40 * 60


def test_a_chamber_that_is_only_a_little_slow_is_waited_for(house: House, make_setup: MakeSetup) -> None:
    """At half its rate it takes 32 min to be there."""
    house.when["soak began"] = slow_down(0.5)
    house.night(make_setup(COLD))

    assert house.store.run(house.run).state == "done"


def test_a_chamber_that_is_too_slow_flags_its_conditions_if_the_sequence_says_so(
    house: House, make_setup: MakeSetup
) -> None:
    """They are measured all the same, with the flag."""
    flagged = {"reference_temperature_c = 25": 'reference_temperature_c = 25\non_soak_timeout = "flag"'}
    house.when["soak began"] = slow_down(0.3)
    house.night(make_setup(COLD | flagged))

    assert {item.flag for item in house.store.planned_conditions(house.run)} == {"soak timed out"}


def test_a_board_off_the_air_is_named_as_a_disagreement(house: House, make_setup: MakeSetup) -> None:
    """1.5 K off is within what the interlocks allow in a soak, and more than its end allows."""

    def shift(house: House) -> None:
        house.rig.thermometer_error_k = 1.5

    house.when["soak began"] = shift
    with pytest.raises(Tripped, match="board and air disagree: board has come to rest"):
        house.night(make_setup(WARM | {"longest_min = 90": "longest_min = 30"}))


def test_a_second_sensor_is_evidence_and_a_reading(house: House, make_setup: MakeSetup) -> None:
    """Stored with the end of the soak, with each condition, and with the word on the door."""
    house.night(make_setup(COLD | {"idle_c = 25": "idle_c = 25\nsecond_sensor = true"}))
    stored = {event.kind: event.facts for event in house.store.events(house.run)}
    readings = house.store.frames(house.run).readings
    values = readings.loc[readings["quantity"] == "sensor_temperature_c", "value"]

    assert abs(float(stored["soak ended"]["sensor_temperature_c"]) + 40.0) <= 1.0
    assert "sensor_temperature_c" in stored["safe to open"]
    assert len(values) == 2
    assert (abs(values + 40.0) <= 1.0).all()
