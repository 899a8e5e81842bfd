"""Readings with one tone or none: what is switched when, on fakes and on the rig, and whether the answers are true."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.events import Event
from bench.job import Job, StopSwitch
from bench.night import start_run
from bench.plan import acquisition_for, make_plan
from bench.runner import Runner
from bench.store.store import open_store
from drivers.errors import TimedOut
from drivers.roles import SweepSetting
from drivers.simulated.noise import noise_figure_db
from drivers.simulated.rig import Rig
from reports.derive import derive
from sequences.products import SINGLE
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
Fakes = Any
MakeSetup = Callable[..., Setup]

MEASURE = "[soak]\nhold_min = 3"
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 15]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}


class NoBook:
    """A RunBook that keeps the readings."""

    def __init__(self) -> None:
        self.readings: list[dict[str, float]] = []

    def instruments(self, identities: object) -> None:
        pass

    def complete_condition(self, _number: int, readings: Any, *_: object) -> None:
        self.readings.extend(dict(one) for one in readings)

    def skip_condition(self, number: int, reason: str) -> None:
        raise AssertionError(f"condition {number} was skipped: {reason}")

    def event(self, event: Event) -> None:
        pass

    def exchanges(self, exchanges: object) -> None:
        pass

    def finish(self, state: object, exchanges: object) -> None:
        pass


def measured(make_setup: MakeSetup, measure: str, edits: dict[str, str] | None = None) -> Setup:
    return make_setup(SMALL | {MEASURE: f"[measure]\n{measure}\n\n{MEASURE}"} | (edits or {}))


def run_on_fakes(setup: Setup, fakes: Fakes, places: Any) -> NoBook:
    book = NoBook()
    plan = make_plan(setup)
    job = Job("run", setup, acquisition_for(setup), plan.conditions)
    runner = Runner(job, places, fakes.clock, book, lambda event: None, StopSwitch(), fakes.take_exchanges)
    runner.run()
    return book


def radiating(fakes: Fakes) -> Iterator[tuple[Any, frozenset[str]]]:
    """Each call, and what was on when it was made."""
    on: set[str] = set()
    for call in fakes.journal:
        yield call, frozenset(on)
        if call.place in ("tone_1", "tone_2", "noise_source"):
            if call.what == "on":
                on.add(call.place)
            elif call.what in ("off", "make safe", "prepare"):
                on.discard(call.place)


@pytest.mark.parametrize(
    "measure",
    ["noise = true", "noise = true\ncompression = true", "two_tone = false\nharmonics = false\nnoise = true"],
    ids=["with tones", "with everything", "alone"],
)
def test_attenuation_falls_only_when_every_tone_is_off_and_is_up_before_one_comes_on(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any], measure: str
) -> None:
    """At 0 dB a tone of 20 dBm would reach the analyzer's mixer; switching off is read back by the driver."""
    setup = measured(make_setup, measure)
    fakes = make_bench(setup)
    run_on_fakes(setup, fakes, make_places(fakes))
    lowest = min(setup.bench.model.instrument.analyzer.attenuations_db)  # type: ignore[union-attr]  # nimbus has one
    attenuation, seen = np.inf, 0
    for call, on in radiating(fakes):
        if call.place == "analyzer" and call.what == "sweep":
            assert isinstance(call.value, SweepSetting)
            attenuation = call.value.attenuation_db
            seen += attenuation == lowest
        if on & {"tone_1", "tone_2"} or (call.what == "on" and call.place in ("tone_1", "tone_2")):
            assert attenuation > lowest, call

    assert seen > 0


def test_the_noise_source_is_on_only_while_no_tone_is(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any]
) -> None:
    """And off at the end of each condition, whatever comes next."""
    setup = measured(make_setup, "noise = true")
    fakes = make_bench(setup)
    book = run_on_fakes(setup, fakes, make_places(fakes))

    assert not any("noise_source" in on and len(on) > 1 for _, on in radiating(fakes))
    assert [what for place, what in fakes.whats("on", "off") if place == "noise_source"] == ["on", "off"] * 4
    assert all("noise_hot_level_dbm" in readings for readings in book.readings)


def test_a_bench_without_noise_source_reads_cold_noise_only(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any]
) -> None:
    """The gain method needs no hot reading."""
    setup = measured(make_setup, "noise = true")
    fakes = make_bench(setup)
    places = make_places(fakes)
    object.__setattr__(places, "noise_source", None)
    book = run_on_fakes(setup, fakes, places)

    assert all("noise_level_dbm" in readings and "noise_hot_level_dbm" not in readings for readings in book.readings)


def test_compression_alone_never_switches_the_upper_tone_on(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any]
) -> None:
    """It could only spoil the reading; and the level that counts is that of the lower source."""
    setup = measured(make_setup, "two_tone = false\nharmonics = false\ncompression = true")
    fakes = make_bench(setup)
    book = run_on_fakes(setup, fakes, make_places(fakes))

    assert not any("tone_2" in on for _, on in radiating(fakes))
    assert all(f"{SINGLE}_level_dbm" in readings and "source_1_level_dbm" in readings for readings in book.readings)


def test_after_two_tones_only_the_upper_one_is_switched_off(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any]
) -> None:
    """The lower one stays as it was, so that the single tone is the one that was measured with its neighbour."""
    setup = measured(make_setup, "compression = true")
    fakes = make_bench(setup)
    run_on_fakes(setup, fakes, make_places(fakes))
    switched = [(place, what) for place, what in fakes.whats("on", "off") if place.startswith("tone")]

    assert switched[:4] == [("tone_1", "on"), ("tone_2", "on"), ("tone_2", "off"), ("tone_2", "on")]


def test_repeats_are_kept_apart(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any]
) -> None:
    """Every repeat has every reading, though the tones are switched only once for all of them."""
    setup = measured(
        make_setup,
        "noise = true\ncompression = true",
        {"reference_temperature_c = 25": "reference_temperature_c = 25\nrepeats = 3"},
    )
    fakes = make_bench(setup)
    book = run_on_fakes(setup, fakes, make_places(fakes))

    assert len(book.readings) == 3 * 4
    assert len({frozenset(readings) for readings in book.readings}) == 1
    assert len([1 for place, what in fakes.whats("on") if place == "noise_source"]) == 4


@pytest.mark.parametrize("place", ["tone_1", "tone_2", "noise_source", "analyzer"])
def test_a_fault_while_fewer_tones_are_on_ends_in_the_safe_state(
    make_setup: MakeSetup, make_bench: Callable[..., Fakes], make_places: Callable[[Fakes], Any], place: str
) -> None:
    """Nothing of what was on stays on, and the noise source is made safe too."""
    setup = measured(make_setup, "noise = true\ncompression = true")
    fakes = make_bench(setup)
    begun = [False]

    def fail_later(_number: int, call: Any) -> None:
        begun[0] |= (call.place, call.what) == ("tone_2", "off")
        if begun[0] and call.place == place and call.what in ("off", "on", "begin"):
            raise TimedOut("no reply", instrument=place, resource="fake")

    fakes.before = fail_later
    with pytest.raises(TimedOut):
        run_on_fakes(setup, fakes, make_places(fakes))

    on = set[str]()
    for _, on_then in radiating(fakes):
        on = set(on_then)
    assert on == set()
    assert fakes.energy() == {"tone_1": False, "tone_2": False, "supply": False}


@pytest.fixture
def rigs(monkeypatch: pytest.MonkeyPatch) -> list[Rig]:
    """Rigs of the nights of this test."""
    kept: list[Rig] = []
    opening = open_bench

    @contextlib.contextmanager
    def keep(*arguments: Any, **named: Any) -> Iterator[OpenBench]:
        with opening(*arguments, **named) as opened:
            assert opened.rig is not None
            kept.append(opened.rig)
            yield opened

    monkeypatch.setattr(bench.night, "open_bench", keep)
    return kept


NOISE = "noise = true\nharmonics = false\nsupply = false"
SWEEP = "two_tone = false\nharmonics = false\nsupply = false\ncompression = true"
LEVELS = {"200\ntone_level_dbm = 3\n": "200\ntone_level_dbm = [-4, -2, 2, 8, 13, 16, 18, 19, 20, 21, 22, 23]\n"}


def frames_of_night(setup: Setup, path: Path) -> Any:
    with open_store(str(path)) as store:
        night = start_run(setup, "VG2-0007", "Ada", store, lambda event: None, StopSwitch(), lambda run, plan: None)
        return store.frames(night.run)


@pytest.mark.parametrize("seed", range(3))
def test_noise_figures_hold_what_they_promise_on_the_rig(
    make_setup: MakeSetup, rigs: list[Rig], tmp_path: Path, seed: int
) -> None:
    """Truth lies within U of each method, or on the right side of a bound, from code 0 to the last."""
    codes_0_to_30 = {"gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 10, 20, 30]"}
    setup = measured(make_setup, NOISE, codes_0_to_30 | {"seed = 20261102": f"seed = {seed}"})
    frames = frames_of_night(setup, tmp_path / "night.db")
    unit, derived = rigs[0].setup.unit, derive(frames)
    die_c = rigs[0].thermal.board_c + 15.0
    for word in ("noise_figure", "noise_figure_y", "noise_figure_gain"):
        one = derived[word]
        codes, channels = (frames.conditions[axis].to_numpy()[one.rows] for axis in ("gain_code", "channel"))
        truth = np.array(
            [
                noise_figure_db(unit, name, int(code), die_c, "nominal")
                for name, code in zip(channels, codes, strict=True)
            ]
        )
        off = one.result.value - truth
        expanded = one.result.expanded()
        is_measured = one.result.bound == 0

        assert is_measured.any()
        assert np.all(np.abs(off[is_measured]) <= 1.3 * expanded[is_measured]), (word, off, expanded)
        assert np.all(off[~is_measured] >= -expanded[~is_measured])


@pytest.mark.parametrize("seed", range(3))
def test_compression_points_hold_what_they_promise_on_the_rig(
    make_setup: MakeSetup, rigs: list[Rig], tmp_path: Path, seed: int
) -> None:
    """The rig's limiter and its series, found from source settings and analyzer readings; nothing was overdriven."""
    setup = measured(make_setup, SWEEP, LEVELS | {"seed = 20261102": f"seed = {seed}"})
    frames = frames_of_night(setup, tmp_path / "night.db")
    points = derive(frames)["op1db"]
    truth = _true_points(rigs[0], frames, points.rows)

    assert len(points.rows) == 4
    assert np.all(points.result.bound == 0)
    assert np.all(np.abs(points.result.value - truth) <= 1.3 * points.result.expanded())
    assert rigs[0].exceeded == {}


def _true_points(rig: Rig, frames: Any, rows: Any) -> Any:
    found = []
    ports = {name: port for port, name in rig.setup.channel_ports.items()}
    relays = {name: relay for relay, name in rig.setup.channel_routes.items()}
    loads = {load: relay for relay, load in rig.setup.load_routes.items()}
    if rig.bias is not None:
        rig.bias.on = True
    for row in rows:
        condition = frames.conditions.iloc[int(row)]
        rig.closed_channels.clear()
        rig.closed_channels.add(relays[condition.channel])
        rig.closed_loads.clear()
        rig.closed_loads.add(loads[condition.load_ohm])
        rig.words[ports[condition.channel]] = int(condition.gain_code)
        found.append(rig.truth.output_1db_dbm(59.5e6))
    return np.array(found)


def test_a_plan_counts_the_time_for_noise_and_single_tones(make_setup: MakeSetup) -> None:
    """A night that reads more takes longer, by about what its sweeps take."""
    plain, more = (
        make_plan(measured(make_setup, measure)).estimate.by_cause_s["measure"]
        for measure in ("supply = true", "supply = true\nnoise = true\ncompression = true")
    )

    # 1,887 samples at 30 kHz and 1.5 reciprocal bandwidths each, twice, at 4 conditions, and four single tones.
    assert more - plain == pytest.approx(4 * 2 * 1887 * 1.5 / 30e3, abs=0.5)
