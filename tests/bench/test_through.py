"""Runs with a through in the unit's place: what is switched, what is read, and what it is good for afterwards."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import bench.night
from bench.assemble import OpenBench, open_bench
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.errors import BenchError, Stopped, UnsafeBench
from bench.events import Event
from bench.exit_codes import ExitCode
from bench.job import StopSwitch
from bench.night import resume_run, start_run, start_through
from bench.plan import make_plan, through_plan
from bench.reporting import frames_of, report_of
from bench.store.store import Store, open_store
from drivers.simulated.rig import Rig
from edited_demo import WITHOUT_COMPANY
from reports.derive import derive
from reports.wide_readings import wide_readings
from sequences.errors import FileFaults
from sequences.read_files import Setup, demo_file, parse_setup
from sequences.through import WITHOUT_UNIT, through_conditions, through_setup

MakeSetup = Callable[..., Setup]

UNIT = "VG2-0007"

#: Two codes, both channels, two levels, one temperature.
SMALL = {
    **WITHOUT_COMPANY,
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 85]",
    "200\ntone_level_dbm = 3\n": "200\ntone_level_dbm = [3, 6]\n",
}


@pytest.fixture
def small(make_setup: MakeSetup) -> Setup:
    return make_setup(SMALL)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


@dataclass(frozen=True)
class Pair:
    """A run with a unit and one with a through, of the same sequence on the same bench."""

    store: Store
    unit: str
    through: str


@pytest.fixture(scope="module")
def pair(make_setup: MakeSetup, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Pair]:
    setup = make_setup(SMALL)
    with open_store(str(tmp_path_factory.mktemp("pair") / "night.db")) as store:
        yield Pair(store, run_unit(setup, store), run_through(setup, store))


@pytest.fixture
def rigs(monkeypatch: pytest.MonkeyPatch) -> list[Rig]:
    kept: list[Rig] = []

    @contextlib.contextmanager
    def keep(*arguments: Any, **named: Any) -> Iterator[OpenBench]:
        with open_bench(*arguments, **named) as opened:
            assert opened.rig is not None
            kept.append(opened.rig)
            yield opened

    monkeypatch.setattr(bench.night, "open_bench", keep)
    return kept


def nothing(*_: object) -> None:
    pass


def run_through(setup: Setup, store: Store, stop: StopSwitch | None = None, hear: Any = nothing) -> str:
    return start_through(setup, "Ada", store, hear, stop or StopSwitch(), nothing).run


def run_unit(setup: Setup, store: Store) -> str:
    return start_run(setup, UNIT, "Ada", store, nothing, StopSwitch(), nothing).run


def test_each_level_at_each_place_is_done_once(overnight: Setup) -> None:
    """Codes, temperatures and modes collapse: of a night of many hundred conditions a few dozen are left."""
    plan = make_plan(overnight)
    left = through_conditions(overnight, plan.conditions)
    keys = {(one.channel, one.load_ohm, one.tone_level_dbm, one.frequency_hz) for one in plan.conditions}

    assert {(one.channel, one.load_ohm, one.tone_level_dbm, one.frequency_hz) for one in left} == keys
    assert len(left) == len(keys)
    assert len({(one.gain_code, one.temperature_c, one.supply_mode) for one in left}) == 1
    assert len(left) * 20 < len(plan.conditions)


def test_levels_at_the_input_become_the_levels_that_a_unit_would_give(make_setup: MakeSetup) -> None:
    """24 dB and 1.5 dB of nominal gain into the reference load: −20 dBm in are 4 and −18.5 dBm out."""
    at_input = make_setup(
        {
            **{old: new for old, new in SMALL.items() if "tone_level" not in old},
            "200\ntone_level_dbm = 3\n": "200\ntone_level_dbm = -20\n",
            "spacing_mhz = 1": 'spacing_mhz = 1\nlevel_at = "input"',
        }
    )
    left = through_conditions(at_input, make_plan(at_input).conditions)

    assert sorted({one.tone_level_dbm for one in left}) == [-18.5, 4.0]
    assert through_setup(at_input).sequence.model.tones.level_at == "output"


def test_bias_stays_off_and_nothing_that_a_unit_needs_moves(small: Setup, store: Store, rigs: list[Rig]) -> None:
    """From the first message to the last; the chamber is not asked for a temperature either."""
    run = run_through(small, store)
    told = {(exchange.instrument, exchange.sent.split(b" ")[0]) for exchange in store.exchanges(run)}
    switched_on = [entry for entry in rigs[0].journal if entry.what in ("bias on", "conditioning on")]

    assert rigs[0].bias is not None
    assert not rigs[0].bias.on
    assert switched_on == []
    assert not any(place in WITHOUT_UNIT and header.startswith(b":SOUR") for place, header in told)
    assert rigs[0].exceeded == {}


def test_a_bias_that_cannot_be_confirmed_off_keeps_rf_off(
    small: Setup, store: Store, rigs: list[Rig], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whoever puts a through in reaches into the fixture: it must be dead, or the run does not begin."""
    from drivers.dc_supply import ScpiDCSupply

    monkeypatch.setattr(ScpiDCSupply, "output_is_on", lambda _: True)
    with pytest.raises(UnsafeBench, match="bias off"):
        run_through(small, store)

    assert not any(entry.what == "rf on" for entry in rigs[0].journal)


def test_the_analyzer_sees_the_tones_as_with_a_unit(pair: Pair) -> None:
    """Within the unit's gain errors and the sources', so that its own products are those of the night."""
    levels = []
    for run in (pair.through, pair.unit):
        frames = pair.store.frames(run)
        wide = wide_readings(frames.conditions.index, frames.readings)
        frames.conditions["level"] = wide.of("tone_lower_level_dbm")
        frames.conditions["attenuation"] = wide.of("im3_lower_attenuation_db")
        levels.append(frames.conditions.groupby(["channel", "tone_level_dbm"])[["level", "attenuation"]].mean())

    assert len(levels[0]) == len(levels[1]) == 4
    assert np.abs(levels[0]["level"] - levels[1]["level"]).max() < 1.0
    assert (levels[0]["attenuation"] == levels[1]["attenuation"]).all()


def test_a_stored_through_says_what_it_is_and_decides_nothing(pair: Pair) -> None:
    """Kind "through" in the list; its gain is 0 dB within U; datasheet limits do not apply to a piece of line."""
    store, run = pair.store, pair.through
    report, gain = report_of(store, run), derive(store.frames(run))["gain"].result

    assert (store.run(run).kind, store.run(run).unit) == ("through", "through")
    assert report.decision == "not tested"
    assert report.limits == ()
    assert np.all(np.abs(gain.value) <= 1.3 * gain.expanded())


def test_what_the_bench_adds_to_weak_lines_is_bounded_in_a_through(pair: Pair) -> None:
    """All of it is the bench's own: no intercept is claimed of a piece of line."""
    derived = derive(pair.store.frames(pair.through))

    assert np.all(derived["oip3"].result.bound == 1)
    assert np.all(derived["hd2"].result.bound == -1)


def test_a_stopped_through_is_resumed_as_one(small: Setup, store: Store, rigs: list[Rig]) -> None:
    """With bias off again, and nothing measured twice."""
    stop = StopSwitch()

    def hear(event: Event) -> None:
        if event.kind == "condition done":
            stop.ask()

    with pytest.raises(Stopped) as caught:
        run_through(small, store, stop, hear)
    run = store.find_run("latest")
    left = len(store.planned_conditions(run)) - len(store.done_conditions(run))
    night = resume_run(store, run, nothing, StopSwitch(), nothing)

    assert caught.value is not None
    assert 0 < left < night.conditions
    assert len(store.done_conditions(run)) == night.conditions
    assert rigs[1].setup.through
    assert not any(entry.what == "bias on" for entry in rigs[1].journal)


def test_a_sequence_with_nothing_to_show_through_a_line_is_refused(make_setup: MakeSetup) -> None:
    """Compression and supply are the unit's own."""
    measure = "[measure]\ntwo_tone = false\nharmonics = false\ncompression = true\n\n[soak]\nhold_min = 3"
    with pytest.raises(FileFaults, match="a through has nothing else to show"):
        through_plan(make_setup({"[soak]\nhold_min = 3": measure}))


def test_sources_too_weak_without_a_units_gain_are_named(make_setup: MakeSetup) -> None:
    """13 dBm per tone behind 7 dB of path is more than 19 dBm; with 24 dB of gain it is not."""
    high = make_setup(
        {
            "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = 0",
            "200\ntone_level_dbm = 3\n": "200\ntone_level_dbm = 13\n",
        }
    )
    make_plan(high)
    with pytest.raises(FileFaults, match=r"tone_1 would have to give 20\.2. dBm"):
        through_plan(high)


def test_hazards_of_a_through_are_its_own(small: Setup) -> None:
    """No chamber, no powered unit; but a unit that was left in gets RF without bias."""
    titles = [hazard.title for hazard in through_plan(small).hazards]

    assert titles == ["Unit left in its place", "RF at the analyzer"]


def test_only_a_through_tells_what_the_bench_contributes(pair: Pair) -> None:
    """A run with a unit is refused as such, by name."""
    with pytest.raises(BenchError, match=f"with unit {UNIT}"):
        frames_of(pair.store, pair.unit, residual=pair.unit)


def test_with_a_through_the_report_says_where_the_residuals_come_from(pair: Pair) -> None:
    """And without one it does not; both decide alike here, where the unit is far above the bench."""
    store, unit, through = pair.store, pair.unit, pair.through
    with_it, without = report_of(store, unit, residual=through), report_of(store, unit)

    assert f"run {through[:8]} showed with a through" in " ".join(with_it.caveats)
    assert "through" not in " ".join(without.caveats)
    assert [limit.decision for limit in with_it.limits] == [limit.decision for limit in without.limits]


def test_figures_with_and_without_the_through_have_the_same_values(pair: Pair) -> None:
    """Nothing is subtracted: only uncertainty and bounds may differ."""
    store, unit, through = pair.store, pair.unit, pair.through
    shown, declared = derive(frames_of(store, unit, residual=through)), derive(frames_of(store, unit))
    both = (shown["oip3"].result.bound == 0) & (declared["oip3"].result.bound == 0)

    assert both.all()
    assert np.array_equal(shown["oip3"].result.value, declared["oip3"].result.value)
    assert np.any(shown["oip3"].result.standard != declared["oip3"].result.standard)
    assert any(line.cause == "residual product" for line in shown["oip3"].result.budget(0))


def test_a_bench_that_declares_no_harmonics_says_that_they_are_not_considered(pair: Pair, store: Store) -> None:
    """The default of the bench file, and the report's own words; what is declared is not mentioned."""
    sequence, part = (demo_file(name).read_text("utf-8") for name in ("quick.sequence.toml", "virga-2.part.toml"))
    lines = demo_file("nimbus.bench.toml").read_text("utf-8").splitlines()
    silent = "\n".join(
        one for one in lines if not one.startswith(("harmonics_dbc", "[combiner]", "intercept3_dbm = 70"))
    )
    short = sequence.replace("temperature_c = [-40, 25, 85]", "temperature_c = 25")
    setup = parse_setup(short, part, silent)
    said = [
        " ".join(report_of(store, run_unit(setup, store)).caveats),
        " ".join(report_of(pair.store, pair.unit).caveats),
    ]

    assert "no harmonics of tone_1" in said[0]
    assert "no combiner" in said[0]
    assert "not considered" not in said[1]


def test_commands_take_the_through(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """``run --through``, then ``derive --residual``; and a run without a word on what is on the bench is refused."""
    monkeypatch.chdir(tmp_path)
    text = demo_file("quick.sequence.toml").read_text("utf-8")
    for old, new in {**SMALL, 'part = "': f'part = "{demo_file("virga-2.part.toml").parent}/'}.items():
        text = text.replace(old, new)
    text = text.replace('bench = "', f'bench = "{demo_file("nimbus.bench.toml").parent}/')
    Path("short.sequence.toml").write_text(text, encoding="utf-8")
    quick = "short.sequence.toml"

    assert run_guarded(app, ["run", quick, "--no-report"]) == ExitCode.BAD_INPUT
    assert run_guarded(app, ["run", quick, "--unit", UNIT, "--through", "--no-report"]) == ExitCode.BAD_INPUT
    assert run_guarded(app, ["run", quick, "--through", "--no-report"]) == ExitCode.DONE
    assert run_guarded(app, ["run", quick, "--unit", UNIT, "--no-report"]) == ExitCode.DONE
    with open_store("nightbench.db") as store:
        through = next(line.id for line in store.runs() if line.kind == "through")
    assert run_guarded(app, ["derive", "latest", "--residual", through[:8]]) == ExitCode.DONE
