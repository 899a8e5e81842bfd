"""Every hazard by its name: a bench that has it, and one that has it not; and what it takes to start."""

from __future__ import annotations

import ast
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

import bench.electrical_hazards
import bench.hazards
import bench.machine_hazards
from bench.hazard import HAZARD_NAMES, Hazard
from bench.hazard_numbers import CLOCK_FROM, CLOCK_TO, CONDITION_BYTES, RUN_BYTES
from bench.hazards import hazards
from bench.machine_hazards import Machine, machine_hazards, store_bytes
from bench.plan import make_plan, through_plan
from sequences.conditions import expand
from sequences.read_files import Setup

Edits = dict[str, str]
Make = Callable[..., Setup]
NOW = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)

REAL = {'visa_library = "@sim"\nclock = "simulated"': 'visa_library = "@py"'}
LIMITER = "idle_c = 25\nlimiter_c = 95"
SUPPLY = "[absolute_maximum]\nsupply_v = 5.5"
INPUT = "input_level_dbm = 18"
SATURATED = "saturated_output_dbm = 20"
FIXTURE = "[fixture]\ntemperature_c = { min = -50, max = 105 }"


def at(text: str) -> Edits:
    return {"temperature_c = [-40, 25, 85]": f"temperature_c = {text}"}


def ramp(k_per_min: str) -> Edits:
    return {"ramp_k_per_min = 4": f"ramp_k_per_min = {k_per_min}"}


def humid(percent: str) -> Edits:
    return {"room_humidity_percent = 50": f"room_humidity_percent = {percent}"}


def volts(supply_v: float, rating_v: float) -> Edits:
    """The nominal mode at another voltage, from a supply that can give it."""
    return {
        "supply_v = 5.0": f"supply_v = {supply_v:g}",
        SUPPLY: f"[absolute_maximum]\nsupply_v = {rating_v:g}",
        "highest_voltage_v = 20": "highest_voltage_v = 100",
    }


def named(setup: Setup) -> dict[str, Hazard]:
    """Hazards of a setup's own conditions, by name."""
    conditions = expand(setup.sequence.model, setup.part.model, setup.bench.model)
    return {hazard.name: hazard for hazard in hazards(setup, conditions)}


@pytest.mark.parametrize(
    ("name", "severity", "with_it", "without_it"),
    [
        ("hot-surfaces", "warning", at("[25, 60]"), at("[25, 59.9]")),
        ("warm-surfaces", "note", at("[25, 43]"), at("[25, 42.9]")),
        ("cold-surfaces", "warning", at("[-20, 25]"), at("[-19.9, 25]")),
        ("chilled-surfaces", "note", at("[-0.1, 25]"), at("[0, 25]")),
        ("condensation", "warning", at("[12, 25]"), at("[12.1, 25]")),
        # With 5 K of overshoot 90 °C, and −45 °C.
        ("temperature-margin", "warning", {FIXTURE: "[fixture]\ntemperature_c = { min = -50, max = 89 }"}, {}),
        ("temperature-margin", "warning", {"{ min = -60, max = 150 }": "{ min = -44, max = 150 }"}, {}),
        ("ramp-rate", "warning", ramp("8.1"), ramp("8")),
        ("limiter", "blocking", {**REAL, LIMITER: "idle_c = 25"}, REAL),
    ],
)  # fmt: skip
def test_a_hazard_of_temperature_is_there_at_its_threshold_and_not_beyond(
    make_setup: Make, name: str, severity: str, with_it: Edits, without_it: Edits
) -> None:
    """Thresholds: 60 and 43 °C from memory of ISO 13732-1, −20 °C of ISO 13732-3, 0 °C of Geng et al. 2006."""
    assert named(make_setup(with_it))[name].severity == severity
    without = named(make_setup(without_it)).get(name)
    assert without is None or (without.severity, name) != (severity, name)


@pytest.mark.parametrize(
    ("name", "severity", "with_it", "without_it"),
    [
        ("powered-unit", "warning", {}, None),
        # 5.3 V is 96 % of 5.5 V; 5.2 V is 94.5 %.
        ("supply-margin", "warning", volts(5.3, 5.5), volts(5.2, 5.5)),
        # 60 V DC dry, from memory of IEC 61010-1, 6.3: 57 V have their protection at 60.4 V, 56 V at 59.4 V.
        ("touch-voltage", "warning", {**volts(57, 90), **at("25")}, {**volts(56, 90), **at("25")}),
        # 35 V DC where water may condense: the same voltage in a dry bench is none.
        ("touch-voltage", "warning", volts(40, 90), {**volts(40, 90), **at("25")}),
        ("unit-input", "warning", {INPUT: "input_level_dbm = 7"}, {}),
        ("analyzer-input", "warning", {SATURATED: "saturated_output_dbm = 30.1"}, {}),
        ("static-discharge", "warning", humid("29"), humid("30")),
        ("unattended", "warning", REAL, {}),
        ("liquid-nitrogen", "warning", {LIMITER: f'{LIMITER}\ncooling = "liquid nitrogen"'}, {}),
        ("carbon-dioxide", "warning", {LIMITER: f'{LIMITER}\ncooling = "carbon dioxide"'}, {}),
    ],
)  # fmt: skip
def test_other_hazards_are_named_when_they_are_there_and_only_then(
    make_setup: Make, name: str, severity: str, with_it: Edits, without_it: Edits | None
) -> None:
    """Without it, there is no such hazard, or it is only a note."""
    assert named(make_setup(with_it))[name].severity == severity
    if without_it is not None:
        found = named(make_setup(without_it)).get(name)
        assert found is None or found.severity == "note"


def test_a_limiter_is_confirmed_by_a_person_with_its_setting_and_its_margin(make_setup: Make) -> None:
    """95 °C above 85 °C: 10 K; the part stands 110 °C and the fixture 105 °C, which is the weaker."""
    limiter = named(make_setup(REAL))["limiter"]

    assert (limiter.severity, limiter.acknowledge) == ("warning", True)
    assert "stated as 95 °C, 10 K above that; the fixture stands 105 °C" in limiter.cause
    assert limiter.takes == "start only with --acknowledge limiter"


@pytest.mark.parametrize(
    ("limiter_c", "severity", "said"),
    [("105", "warning", "20 K above"), ("105.1", "blocking", "20.1 K above"), ("86", "warning", "less than the 2 K")],
)
def test_a_limiter_above_the_weakest_item_protects_nothing(
    make_setup: Make, limiter_c: str, severity: str, said: str
) -> None:
    """DIN 12880 limiters protect the load only if set below what it stands; 2 to 5 K are makers' advice."""
    found = named(make_setup({**REAL, LIMITER: f"idle_c = 25\nlimiter_c = {limiter_c}"}))["limiter"]

    assert found.severity == severity
    assert said in found.cause


def test_a_simulated_bench_neither_refuses_nor_asks(make_setup: Make) -> None:
    """Whatever it lacks: the hazard stands there as a warning, to be learnt from. A served rig is simulated, too."""
    edits = {LIMITER: 'idle_c = 25\ncooling = "liquid nitrogen"'}
    found = [*named(make_setup(edits)).values()]

    assert {"limiter", "liquid-nitrogen"} < {hazard.name for hazard in found}
    assert not any(hazard.takes for hazard in found)
    real = named(make_setup({**REAL, **edits}))
    assert {name for name, hazard in real.items() if hazard.takes} == {"limiter", "liquid-nitrogen", "unattended"}


def test_the_level_that_a_lost_message_could_leave_is_named(make_setup: Make) -> None:
    """Channel B loses 0.05 dB more than A at 60 MHz; the source's level for B would meet A's path.

    3 dBm per tone less 1.5 dB of gain, 3.01 dB for two tones, and 0.05 dB; both tones are within 0.01 dB.
    """
    cause = named(make_setup({}))["unit-input"].cause

    assert "up to 4.5 dBm in both tones" in cause
    assert "4.6 dBm if the highest level met the path with the least loss" in cause


def test_gain_in_the_cold_adds_to_the_planned_level_up_to_saturation(make_setup: Make) -> None:
    """−5.0 dBm planned, 3 dB more from memory; 3 dBm saturated, less 11.01 dB of pad and cable, is the end of it."""
    assert "planned up to -5.0 dBm (-2.0 dBm with 3 dB more gain" in named(make_setup({}))["analyzer-input"].cause
    capped = named(make_setup({SATURATED: "saturated_output_dbm = 7"}))["analyzer-input"].cause
    assert "planned up to -5.0 dBm (-4.0 dBm with 3 dB more gain" in capped


def test_a_through_has_its_own_hazard_and_none_of_a_unit(make_setup: Make) -> None:
    """No unit, no discharge that could hurt it; but a unit that was left in."""
    through = {hazard.name for hazard in through_plan(make_setup({})).hazards}

    assert "unit-left-in" in through
    assert not through & {"static-discharge", "unit-input", "powered-unit"}
    assert "unit-left-in" not in named(make_setup({}))


@pytest.mark.parametrize(
    ("share", "severity"), [(0.99, "blocking"), (1.01, "warning"), (4.99, "warning"), (5.01, None)]
)
def test_a_disk_that_is_too_small_refuses_and_one_that_is_nearly_so_warns(
    make_setup: Make, share: float, severity: str | None
) -> None:
    """42 conditions; on a simulated bench too, as its disk is real."""
    setup = make_setup({})
    conditions = make_plan(setup).conditions
    machine = Machine(NOW, int(store_bytes(setup, conditions) * share))
    found = {hazard.name: hazard for hazard in machine_hazards(setup, conditions, machine)}

    assert store_bytes(setup, conditions) == RUN_BYTES + 42 * CONDITION_BYTES
    assert (found["disk-space"].severity if severity else not found) == (severity or True)


def test_a_database_elsewhere_says_nothing_of_this_disk(make_setup: Make) -> None:
    """Its own machine looks after it."""
    setup = make_setup({})
    assert not list(machine_hazards(setup, make_plan(setup).conditions, Machine(NOW, None)))


@pytest.mark.parametrize(
    ("now", "newest", "wrong"),
    [
        (CLOCK_FROM - timedelta(days=1), None, "that cannot be"),
        (CLOCK_TO, None, "that cannot be"),
        (NOW, NOW + timedelta(minutes=5), "this run was going on at 2026-11-02 18:35 UTC"),
        (NOW, NOW - timedelta(minutes=5), ""),
        (NOW, None, ""),
    ],
)
def test_a_clock_that_cannot_be_right_refuses_on_a_real_bench(
    make_setup: Make, now: datetime, newest: datetime | None, wrong: str
) -> None:
    """A battery that died leaves 1970 or 2000; a simulated bench brings its own time."""
    setup, simulated = make_setup(REAL), make_setup({})
    conditions = make_plan(simulated).conditions
    machine = Machine(now, None, newest)
    found = list(machine_hazards(setup, conditions, machine))

    assert [(hazard.name, hazard.severity) for hazard in found] == ([("clock", "blocking")] if wrong else [])
    assert all(wrong in hazard.cause for hazard in found)
    assert not list(machine_hazards(simulated, conditions, machine))


def test_this_machine_knows_its_time_and_the_space_beside_a_file_that_is_not_there_yet(tmp_path: Path) -> None:
    """The nearest folder that exists says it."""
    machine = Machine.here(tmp_path / "not" / "there" / "night.db")

    assert machine.free_bytes is not None
    assert machine.free_bytes > 0
    assert CLOCK_FROM < machine.now < CLOCK_TO
    assert Machine.here(None).free_bytes is None


def test_names_are_unique_and_the_list_holds_exactly_those_that_the_code_gives() -> None:
    """Read from the source: the second argument of each ``Hazard(…)``."""
    given = set()
    for module in (bench.hazards, bench.electrical_hazards, bench.machine_hazards):
        for node in ast.walk(ast.parse(Path(str(module.__file__)).read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Hazard":
                name = node.args[1]
                assert isinstance(name, ast.Constant)
                given.add(name.value)

    assert given == set(HAZARD_NAMES)
    assert len(set(HAZARD_NAMES)) == len(HAZARD_NAMES)
