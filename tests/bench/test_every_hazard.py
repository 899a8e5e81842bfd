"""Every hazard by its name, in one table: files that have it, and files nearly like them that have it not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from bench.hazard import HAZARD_NAMES, Hazard
from bench.hazards import hazards
from bench.machine_hazards import Machine, machine_hazards, store_bytes
from bench.plan import make_plan, through_plan
from sequences.conditions import expand
from sequences.read_files import Setup

Edits = dict[str, str]


class Maker:
    """Makes setups and finds their hazards; the fixtures that it needs are of ``conftest``."""

    def __init__(self, make_setup: Callable[..., Setup], make_network_setup: Callable[..., Setup]) -> None:
        self.setup = make_setup
        self.network_setup = make_network_setup


Find = Callable[[Maker], tuple[Hazard, ...]]
NOW = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)

REAL = {'visa_library = "@sim"\nclock = "simulated"': 'visa_library = "@py"'}
LIMITER = "idle_c = 25\nlimiter_c = 95"
TEMPERATURES = "temperature_c = [-40, 25, 85]"
NO_RF = {"[soak]": "[measure]\ntwo_tone = false\nharmonics = false\n[soak]"}


def of(setup: Setup) -> tuple[Hazard, ...]:
    return hazards(setup, expand(setup.sequence.model, setup.part.model, setup.bench.model))


def edited(edits: Edits) -> Find:
    return lambda maker: of(maker.setup(edits))


def at(temperatures: str) -> Find:
    return edited({TEMPERATURES: f"temperature_c = {temperatures}"})


def cooled(by: str) -> Find:
    return edited({LIMITER: f'{LIMITER}\ncooling = "{by}"'})


def without(place: str) -> Find:
    """The demo on a bench that lacks an instrument."""

    def find(maker: Maker) -> tuple[Hazard, ...]:
        setup = maker.setup({})
        bench = setup.bench.model
        lacking = bench.model_copy(update={"instrument": bench.instrument.model_copy(update={place: None})})
        return of(replace(setup, bench=replace(setup.bench, model=lacking)))

    return find


def volts(supply_v: float, rating_v: float, temperatures: str = "[25]") -> Find:
    """The nominal mode at another voltage, from a supply that can give it."""
    return edited(
        {
            "supply_v = 5.0": f"supply_v = {supply_v:g}",
            "[absolute_maximum]\nsupply_v = 5.5": f"[absolute_maximum]\nsupply_v = {rating_v:g}",
            "highest_voltage_v = 20": "highest_voltage_v = 100",
            TEMPERATURES: f"temperature_c = {temperatures}",
        }
    )


def fixture(lowest_c: int, highest_c: int) -> Find:
    """A fixture of other ratings: with 5 K of overshoot it must stand −45 … 90 °C."""
    before, after = "{ min = -50, max = 105 }", f"{{ min = {lowest_c}, max = {highest_c} }}"
    return edited({f"[fixture]\ntemperature_c = {before}": f"[fixture]\ntemperature_c = {after}"})


def through(maker: Maker) -> tuple[Hazard, ...]:
    return through_plan(maker.setup({})).hazards


def on_network(edits: Edits) -> Find:
    return lambda maker: of(maker.network_setup(edits))


def disk(share: float) -> Find:
    """A disk with that share of what the run needs."""

    def find(maker: Maker) -> tuple[Hazard, ...]:
        setup = maker.setup({})
        conditions = make_plan(setup).conditions
        free = int(store_bytes(setup, conditions) * share)
        return tuple(machine_hazards(setup, conditions, Machine(NOW, free)))

    return find


def clock(year: int) -> Find:
    """A real bench at a computer whose clock says another year."""

    def find(maker: Maker) -> tuple[Hazard, ...]:
        setup = maker.setup(REAL)
        return tuple(machine_hazards(setup, make_plan(setup).conditions, Machine(NOW.replace(year=year), None)))

    return find


#: Hazard, what has it, what comes as close to it as can be and has it not.
CASES: dict[str, tuple[Find, Find]] = {
    "limiter": (edited(REAL), without("chamber")),
    "liquid-nitrogen": (cooled("liquid nitrogen"), cooled("compressor")),
    "carbon-dioxide": (cooled("carbon dioxide"), cooled("compressor")),
    # 60 V DC dry, from memory of IEC 61010-1, 6.3: 57 V have their protection at 60.4 V, 56 V at 59.4 V.
    "touch-voltage": (volts(57, 90), volts(56, 90)),
    "unattended": (edited(REAL), edited({})),
    "hot-surfaces": (at("[25, 60]"), at("[25, 59.9]")),
    "warm-surfaces": (at("[25, 43]"), at("[25, 42.9]")),
    "cold-surfaces": (at("[-20, 25]"), at("[-19.9, 25]")),
    "chilled-surfaces": (at("[-0.1, 25]"), at("[0, 25]")),
    # 23 °C and 50 % have their dew point at 12.0 °C (Alduchov & Eskridge 1996).
    "condensation": (at("[12, 25]"), at("[12.1, 25]")),
    "temperature-margin": (fixture(-44, 90), fixture(-45, 90)),
    "ramp-rate": (
        edited({"ramp_k_per_min = 4": "ramp_k_per_min = 8.1"}),
        edited({"ramp_k_per_min = 4": "ramp_k_per_min = 8"}),
    ),
    "powered-unit": (edited({}), without("supply")),
    # 5.3 V is 96 % of 5.5 V; 5.2 V is 94.5 %.
    "supply-margin": (volts(5.3, 5.5), volts(5.2, 5.5)),
    "unit-input": (edited({}), edited(NO_RF)),
    "analyzer-input": (edited({}), edited(NO_RF)),
    "network-analyzer-input": (on_network({}), edited({})),
    "unit-left-in": (through, edited({})),
    "static-discharge": (edited({}), through),
    # Free space is to be five times the need.
    "disk-space": (disk(4.99), disk(5.01)),
    "clock": (clock(2025), clock(2026)),
}


@pytest.fixture
def maker(make_setup: Callable[..., Setup], make_network_setup: Callable[..., Setup]) -> Maker:
    return Maker(make_setup, make_network_setup)


def test_every_hazard_is_tried_here() -> None:
    """None that the code can name is left out; that the list is the code's is tested in ``test_hazard_names``."""
    assert set(CASES) == set(HAZARD_NAMES)


@pytest.mark.parametrize("name", CASES)
def test_what_has_a_hazard_is_told_so_with_all_that_a_person_needs(maker: Maker, name: str) -> None:
    """Once, with severity, cause, consequence, what to do, and source."""
    (found,) = [hazard for hazard in CASES[name][0](maker) if hazard.name == name]

    assert found.severity in ("note", "warning", "blocking")
    assert all((found.title, found.cause, found.consequence, found.action, found.source))


@pytest.mark.parametrize("name", CASES)
def test_what_has_a_hazard_not_is_not_told_of_it(maker: Maker, name: str) -> None:
    """A warning that comes always is read by nobody."""
    assert name not in [hazard.name for hazard in CASES[name][1](maker)]


# --- At the very ends


@pytest.mark.parametrize(("lowest_c", "highest_c", "named"), [(-45, 90, False), (-44, 90, True), (-45, 89, True)])
def test_either_end_of_a_rating_is_too_near_when_the_overshoot_would_pass_it(
    maker: Maker, lowest_c: int, highest_c: int, *, named: bool
) -> None:
    """−40 and 85 °C with 5 K of overshoot; at the rating itself nothing is passed."""
    found = [hazard.name for hazard in fixture(lowest_c, highest_c)(maker)]

    assert ("temperature-margin" in found) is named


@pytest.mark.parametrize(("limiter_c", "too_near"), [("87", False), ("86.9", True)])
def test_a_limiter_two_kelvin_above_is_far_enough(maker: Maker, limiter_c: str, *, too_near: bool) -> None:
    """2 to 5 K above the highest set point, as chamber manuals say."""
    found = edited({**REAL, LIMITER: f"idle_c = 25\nlimiter_c = {limiter_c}"})(maker)
    (limiter,) = [hazard for hazard in found if hazard.name == "limiter"]

    assert ("less than the 2 K" in limiter.cause) is too_near


@pytest.mark.parametrize("name", ["liquid-nitrogen", "carbon-dioxide", "unattended", "limiter"])
def test_what_this_tool_cannot_see_a_person_acknowledges(maker: Maker, name: str) -> None:
    """Each of them at a real bench; there are no others in these files."""
    cooling = name.replace("-", " ") if "-" in name else "compressor"
    found = edited({**REAL, LIMITER: f'{LIMITER}\ncooling = "{cooling}"'})(maker)

    assert name in [hazard.name for hazard in found if hazard.acknowledge]
    assert {hazard.name for hazard in found if hazard.acknowledge} <= {name, "unattended", "limiter"}


def test_a_touchable_voltage_is_acknowledged_at_a_real_bench(maker: Maker) -> None:
    """It can kill."""
    edits = {
        "supply_v = 5.0": "supply_v = 57",
        "[absolute_maximum]\nsupply_v = 5.5": "[absolute_maximum]\nsupply_v = 90",
        "highest_voltage_v = 20": "highest_voltage_v = 100",
    }
    (touch,) = [hazard for hazard in edited({**REAL, **edits})(maker) if hazard.name == "touch-voltage"]

    assert touch.acknowledge


def test_air_is_called_dry_when_it_is(maker: Maker) -> None:
    """Below 30 % (common practice, no source)."""
    causes = {
        percent: next(
            hazard.cause
            for hazard in edited({"room_humidity_percent = 50": f"room_humidity_percent = {percent}"})(maker)
            if hazard.name == "static-discharge"
        )
        for percent in (29, 30)
    }

    assert "29 % humidity, below 30 %;" in causes[29]
    assert "30 % humidity;" in causes[30]


def test_a_unit_that_was_left_in_would_get_the_highest_level_of_the_night(maker: Maker) -> None:
    """3 dBm per tone where the unit's input is, as a through has no gain, and 3.01 dB for two tones."""
    (left_in,) = [hazard for hazard in through(maker) if hazard.name == "unit-left-in"]

    assert "the sources give up to 6.0 dBm in both tones" in left_in.cause


def test_nothing_to_run_has_no_hazard(maker: Maker) -> None:
    """A run that is done has none to be acknowledged."""
    setup = maker.setup(REAL)

    assert hazards(setup, ()) == ()
    assert not list(machine_hazards(setup, (), Machine(NOW.replace(year=1970), 0)))
