"""Sweeps of the network analyzer in a run: where they are taken, in which order, and what of them is kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.change import Changer
from bench.errors import Stopped
from bench.events import Event
from bench.hazards import hazards
from bench.job import StopSwitch
from bench.measure import Readings
from bench.night import resume_run, start_run
from bench.places import Places
from bench.plan import Plan, make_plan
from bench.safe_state import make_safe
from bench.small_signal import Sweeps, swept_conditions
from bench.store.curves import Curve
from bench.store.store import Store, open_store
from drivers.errors import LinkLost
from reports.derive import derive
from reports.frames import RunFrames
from sequences.conditions import Condition
from sequences.part_file import Part
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
MakePlaces = Callable[[Any], Places]
MakeSetup = Callable[..., Setup]

BOTH = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
TONE_ROUTE, NETWORK_ROUTE = 201, 211
SWEEP = "{ frequency_mhz = [30, 60, 90], power_dbm = -30, bandwidth_hz = 300 }"

CONDITIONS = st.lists(
    st.builds(
        Condition,
        st.sampled_from("AB"),
        st.sampled_from((0, 30)),
        st.sampled_from((25.0, 85.0)),
        st.just("nominal"),
        st.just(200.0),
        st.sampled_from((0.0, 3.0)),
        st.sampled_from((45e6, 60e6)),
    ),
    unique=True,
)


def swept_axes(condition: Condition) -> tuple[object, ...]:
    return condition.channel, condition.gain_code, condition.temperature_c, condition.supply_mode, condition.load_ohm


@given(CONDITIONS)
def test_one_sweep_for_each_channel_code_temperature_mode_and_load(conditions: list[Condition]) -> None:
    """At the first condition of each in run order: neither level nor frequency of the tones matters to it."""
    swept = swept_conditions(conditions)
    first = {}
    for condition in reversed(conditions):
        first[swept_axes(condition)] = condition

    assert swept == set(first.values())


@dataclass
class Stand:
    """A bench of fakes with tones and network analyzer, set to one condition."""

    bench: Any
    places: Places
    changer: Changer
    sweeps: Sweeps
    waits: list[float] = field(default_factory=list)

    def take(self, condition: Condition = BOTH) -> tuple[Readings, list[Curve]]:
        return self.sweeps.take(condition)


@pytest.fixture
def stand(make_bench: MakeBench, make_places: MakePlaces) -> Callable[[Setup], Stand]:
    """Makes a stand at ``BOTH``, RF on as in a run."""

    def make(setup: Setup) -> Stand:
        bench = make_bench(setup)
        places = make_places(bench)
        sequence, part, file = setup.sequence.model, setup.part.model, setup.bench.model
        changer = Changer(places, part, file, sequence, setup.path_losses)
        waits: list[float] = []
        made = Stand(bench, places, changer, Sweeps(places, setup, [BOTH], changer, waits.append), waits)
        changer.apply(None, BOTH)
        changer.rf_on()
        bench.journal.clear()
        return made

    return make


def test_the_tones_are_off_before_the_relay_moves_and_the_source_on_only_behind_it(
    make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]
) -> None:
    """No relay switches RF, in either direction; the two never drive the unit together."""
    at = stand(make_network_setup())
    at.take()

    moves = [(call.place, call.what, call.value) for call in at.bench.journal if call.what in ("on", "off", "select")]
    assert moves == [
        ("tone_1", "off", None),
        ("tone_2", "off", None),
        ("channel_switch", "select", NETWORK_ROUTE),
        ("network_analyzer", "on", None),
        ("network_analyzer", "off", None),
        ("channel_switch", "select", TONE_ROUTE),
    ]


def test_the_tones_come_back_on_for_the_next_condition(
    make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]
) -> None:
    """Both of them, once."""
    at = stand(make_network_setup())
    at.take()
    at.bench.journal.clear()
    at.changer.rf_on()

    assert at.bench.whats("on") == [("tone_1", "on"), ("tone_2", "on")]


def test_relay_and_source_are_waited_for(make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]) -> None:
    """The relay's own time and the unit's, then the network analyzer's."""
    setup = make_network_setup()
    at = stand(setup)
    at.take()
    switch, entry = setup.bench.model.instrument.channel_switch, setup.bench.model.instrument.network_analyzer
    assert switch is not None
    assert entry is not None

    assert at.waits == [setup.sequence.model.settle.channel_s + switch.settle_s, entry.settle_s]


def test_a_sweep_brings_four_curves_for_each_repeat_and_what_the_analyzer_is_set_to(
    make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]
) -> None:
    """At the frequencies of the sequence; power and bandwidth as read back."""
    at = stand(make_network_setup({'name = "quick"': 'name = "quick"\nrepeats = 2'}))
    held, curves = at.take()

    assert held == {"small_signal_power_dbm": -30.0, "small_signal_bandwidth_hz": 300.0}
    assert [(curve.name, curve.repeat) for curve in curves] == [
        (name, repeat) for repeat in (0, 1) for name in ("s11", "s21", "s12", "s22")
    ]
    assert all(curve.x == (30e6, 60e6, 90e6) for curve in curves)
    assert {curve.y for curve in curves if curve.name == "s21"} == {(2 - 1j,) * 3}


def test_where_no_sweep_is_due_nothing_moves(make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]) -> None:
    """At a condition that another one has served."""
    at = stand(make_network_setup())

    assert at.take(Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 75e6)) == ({}, [])
    assert at.bench.journal == []


def test_the_setting_is_written_once(make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]) -> None:
    """It is the same at every condition."""
    at = stand(make_network_setup())
    at.take()
    at.take()

    assert len(at.bench.values("network_analyzer", "sweep")) == 1
    assert len(at.bench.values("network_analyzer", "frequencies")) == 1
    assert len(at.bench.values("network_analyzer", "begin")) == 2


def test_without_tones_the_relay_stays_at_the_network_analyzer(
    make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]
) -> None:
    """It is put there with the channel, and not moved to and fro with every code."""
    off = "[measure]\ntwo_tone = false\nharmonics = false\nsmall_signal"
    at = stand(make_network_setup({"[soak]": "[soak]", "spacing_mhz = 1": f"spacing_mhz = 1\n\n{off} = {SWEEP}"}))
    at.take()

    assert at.bench.whats("select", "on", "off") == [("network_analyzer", "on"), ("network_analyzer", "off")]
    assert at.places.channel_switch is not None
    assert at.places.channel_switch.selected() == (NETWORK_ROUTE,)


def test_a_source_that_was_on_when_a_sweep_failed_is_switched_off_on_the_way_to_safety(
    make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]
) -> None:
    """Confirmed by reading back, before the bias goes."""
    at = stand(make_network_setup())
    at.bench.failing["network_analyzer", "finish"] = LinkLost("gone")
    with pytest.raises(LinkLost):
        at.take()
    steps = [step.name for step in make_safe(at.places, sleep=at.bench.clock.sleep)]

    assert at.places.network_analyzer is not None
    assert not at.places.network_analyzer.output_is_on()
    assert steps.index("RF of network_analyzer off") < steps.index("bias off")


def test_a_source_that_stays_on_is_named(make_network_setup: MakeSetup, stand: Callable[[Setup], Stand]) -> None:
    """The safe state could not be confirmed there."""
    at = stand(make_network_setup())
    at.bench.stuck_on = {"network_analyzer"}

    assert [step.name for step in make_safe(at.places, sleep=at.bench.clock.sleep) if not step.confirmed] == [
        "RF of network_analyzer off"
    ]


def test_a_plan_counts_each_sweep_and_names_what_it_can_break(
    make_network_setup: MakeSetup, make_setup: MakeSetup
) -> None:
    """Two directions of three points, one and a half reciprocal bandwidths each, and the source's settling."""
    with_sweep, without = make_plan(make_network_setup()), make_plan(make_setup({}))
    swept = len(swept_conditions(with_sweep.conditions))
    more_s = with_sweep.estimate.by_cause_s["measure"] - without.estimate.by_cause_s["measure"]
    titles = [hazard.title for hazard in hazards(with_sweep.setup, with_sweep.conditions)]

    assert more_s == pytest.approx(swept * (0.02 + 2 * 3 * 1.5 / 300))
    assert "RF at the network analyzer" in titles
    assert "RF at the network analyzer" not in [hazard.title for hazard in without.hazards]


# --- On the simulated bench --------------------------------------------------------------------------------------

MIXED = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 85]",
}


def _night(setup: Setup, store: Store, stop_after: int | None = None) -> str:
    """A run of ``setup``, stopped after some conditions and resumed if that is wanted; its id."""
    stop = StopSwitch()
    runs: list[str] = []

    def hear(event: Event) -> None:
        if event.kind == "condition done" and len(store.done_conditions(runs[0])) == stop_after:
            stop.ask()

    def begin(run: str, plan: Plan) -> None:
        runs.append(run)

    try:
        start_run(setup, "VG2-0007", "", store, hear, stop, begin)
    except Stopped:
        resume_run(store, runs[0], lambda event: None, StopSwitch(), begin)
    return runs[0]


@pytest.fixture(scope="module")
def mixed(make_network_setup: MakeSetup, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunFrames]:
    """Tones and sweeps in one run of eight conditions."""
    with open_store(str(tmp_path_factory.mktemp("mixed") / "night.db")) as store:
        yield store.frames(_night(make_network_setup(MIXED), store))


def test_tones_and_sweep_agree_on_the_gain(mixed: RunFrames) -> None:
    """Two instruments, two paths, one unit: at every condition they differ by less than both uncertainties allow."""
    derived = derive(mixed)
    by_tones, by_sweep = derived["gain"].result, derived["small_signal_gain"].result
    apart = np.abs(by_tones.value - by_sweep.value)

    assert len(by_sweep) == len(mixed.conditions) == 8
    assert np.all(apart < np.hypot(by_tones.expanded(), by_sweep.expanded()))
    assert by_sweep.expanded().max() < by_tones.expanded().min()


def test_a_cascade_is_no_partner_of_a_channel_in_a_match(mixed: RunFrames) -> None:
    """With B as the name of a cascade the part has one single channel, and nothing to match it with."""
    twice_a = {"name": "B", "stages": ("A", "A")}
    cascaded = replace(mixed, part=Part.model_validate(mixed.part.model_dump() | {"cascade": (twice_a,)}))

    assert "phase_match" in derive(mixed)
    assert {"small_signal_gain_match", "phase_match", "image_rejection"} & set(derive(cascaded)) == set()


def test_a_stopped_night_and_its_resumption_hold_every_sweep_once(
    make_network_setup: MakeSetup, mixed: RunFrames, tmp_path: Path
) -> None:
    """At the same conditions as one night does."""
    with open_store(str(tmp_path / "night.db")) as store:
        frames = store.frames(_night(make_network_setup(MIXED), store, stop_after=3))
    keys = ["condition", "repeat", "frequency_hz"]

    assert frames.curves[keys].to_numpy().tolist() == mixed.curves[keys].to_numpy().tolist()
    assert len(frames.curves) == 8 * 3
