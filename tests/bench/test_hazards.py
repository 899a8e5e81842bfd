"""Hazards: each one provoked by a file that has it, and absent from one that has not."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.dew_point import dew_point_c
from bench.hazard import Hazard
from bench.hazard_numbers import BURN_C, FROSTBITE_C
from bench.hazards import hazards
from sequences.conditions import expand
from sequences.read_files import Setup

Edits = dict[str, str]
Make = Callable[..., Setup]


def found(setup: Setup) -> dict[str, Hazard]:
    """Hazards of a setup's own conditions, by title."""
    conditions = expand(setup.sequence.model, setup.part.model, setup.bench.model)
    return {hazard.title: hazard for hazard in hazards(setup, conditions)}


def temperatures(text: str) -> Edits:
    return {"temperature_c = [-40, 25, 85]": f"temperature_c = {text}"}


COOLING = "idle_c = 25\nlimiter_c = 95"
REAL = {'visa_library = "@sim"\nclock = "simulated"': 'visa_library = "@py"'}


@pytest.mark.parametrize(
    ("title", "with_it", "without_it"),
    [
        ("Hot surfaces", temperatures("[25, 60]"), temperatures("[25, 59.9]")),
        ("Cold surfaces", temperatures("[-20, 25]"), temperatures("[-19.9, 25]")),
        ("Condensation", temperatures("[12, 25]"), temperatures("[12.1, 25]")),
        ("Condensation", {}, {"room_humidity_percent = 50": "room_humidity_percent = 0"}),
        ("Suffocation", {COOLING: f'{COOLING}\ncooling = "liquid nitrogen"'}, {}),
        ("Suffocation", {COOLING: f'{COOLING}\ncooling = "carbon dioxide"'}, {}),
        ("Nobody at the bench", REAL, {}),
        (
            "RF at the unit's input",
            {},
            {"[soak]": "[measure]\ntwo_tone = false\nharmonics = false\n[soak]"},
        ),
        ("RF at the analyzer", {}, {"[soak]": "[measure]\ntwo_tone = false\nharmonics = false\n[soak]"}),
    ],
)
def test_a_hazard_is_named_when_it_is_there_and_only_then(
    make_setup: Make, title: str, with_it: Edits, without_it: Edits
) -> None:
    """60 °C and −20 °C are from memory of ISO 13732-1 and -3, not seen; the other thresholds come from the files."""
    assert title in found(make_setup(with_it))
    assert title not in found(make_setup(without_it))


@pytest.mark.parametrize(
    ("place", "titles"),
    [
        ("supply", {"Powered unit"}),
        ("chamber", {"Hot surfaces", "Cold surfaces", "Condensation", "Chamber out of control"}),
        ("analyzer", {"RF at the unit's input", "RF at the analyzer"}),
    ],
)
def test_what_a_bench_lacks_is_no_hazard_of_it(quick: Setup, place: str, titles: set[str]) -> None:
    """Exactly the hazards of that instrument go with it."""
    bench = quick.bench.model
    instruments = bench.instrument.model_copy(update={place: None})
    loaded = quick.bench
    without = Setup(
        quick.sequence,
        quick.part,
        type(loaded)(
            bench.model_copy(update={"instrument": instruments}), loaded.text, loaded.path, loaded.fingerprint
        ),
        quick.path_losses,
    )

    assert found(quick).keys() - found(without).keys() == titles


def test_what_refuses_comes_first_and_notes_come_last(make_setup: Make) -> None:
    """Blocking, to be acknowledged, warnings, notes."""
    named = found(make_setup({**REAL, COOLING: 'idle_c = 25\ncooling = "liquid nitrogen"'})).values()
    grave = [(hazard.severity, hazard.acknowledge) for hazard in named]

    assert list(dict.fromkeys(grave)) == [("blocking", False), ("warning", True), ("warning", False), ("note", False)]
    assert grave == sorted(grave, key=list(dict.fromkeys(grave)).index)


def test_every_hazard_says_cause_consequence_action_and_source(make_setup: Make) -> None:
    """A hazard without something to do is only a fright."""
    everything = make_setup({**REAL, COOLING: f'{COOLING}\ncooling = "liquid nitrogen"'})
    for hazard in found(everything).values():
        assert all((hazard.cause, hazard.consequence, hazard.action, hazard.source)), hazard.title

    assert len(found(everything)) == 10


def test_the_input_hazard_names_the_highest_level_of_both_tones(quick: Setup) -> None:
    """Code 30 has 1.5 dB of voltage gain into 200 Ω = R_in: 3 − 1.5 dBm per tone, and 3.01 dB more for two."""
    assert f"up to {3 - 1.5 + 10 * math.log10(2):.1f} dBm" in found(quick)["RF at the unit's input"].cause


def test_the_analyzer_hazard_takes_the_least_loss(quick: Setup) -> None:
    """3 dBm per tone, two of them, less the 11.01 dB of channel A at 60 MHz; saturated 20 dBm less the same."""
    cause = found(quick)["RF at the analyzer"].cause

    assert f"planned up to {3 + 10 * math.log10(2) - 11.01:.1f} dBm" in cause
    assert f"at worst {20 - 11.01:.1f} dBm" in cause


def test_the_supply_hazard_names_the_protection_that_bring_up_will_set(make_setup: Make) -> None:
    """6 % above 5 V, but never above the absolute maximum."""
    assert "over-voltage protection at 5.3 V" in found(make_setup({}))["Powered unit"].cause
    narrow = make_setup({"[absolute_maximum]\nsupply_v = 5.5": "[absolute_maximum]\nsupply_v = 5.1"})
    assert "over-voltage protection at 5.1 V" in found(narrow)["Powered unit"].cause


def test_a_limiter_that_the_bench_file_does_not_state_is_said_to_be_unknown(make_setup: Make) -> None:
    """Silence about the independent limiter must not read as if there were one."""
    stated = found(make_setup({}))["Chamber out of control"].cause
    silent = found(make_setup({"limiter_c = 95\n": ""}))["Chamber out of control"].cause

    assert "stated as 95 °C" in stated
    assert "not stated" in silent


@pytest.mark.parametrize(
    ("air_c", "humidity_percent", "dew_c"),
    [(23.0, 50.0, 12.020), (20.0, 100.0, 20.0), (0.0, 100.0, 0.0), (30.0, 60.0, 21.390)],
)
def test_the_dew_point_is_that_of_the_published_formula(air_c: float, humidity_percent: float, dew_c: float) -> None:
    """Alduchov & Eskridge 1996, constants 17.625 and 243.04 °C (from memory, not seen); values rounded to 0.001 K."""
    assert dew_point_c(air_c, humidity_percent) == pytest.approx(dew_c, abs=0.002)


@given(st.floats(-40.0, 50.0), st.floats(0.1, 100.0))
def test_the_dew_point_gives_the_humidity_back(air_c: float, humidity_percent: float) -> None:
    """Vapour pressure at the dew point over that of saturated air is the humidity: the formula's own definition."""
    dew_c = dew_point_c(air_c, humidity_percent)
    pressure, saturated = (math.exp(17.625 * at / (243.04 + at)) for at in (dew_c, air_c))

    assert 100 * pressure / saturated == pytest.approx(humidity_percent, rel=1e-9)
    assert dew_c <= air_c + 1e-9


@pytest.mark.parametrize("humidity_percent", [0.0, -1.0])
def test_air_without_water_has_no_dew_point(humidity_percent: float) -> None:
    """A logarithm of nothing must not become a plausible temperature."""
    with pytest.raises(ValueError, match="humidity"):
        dew_point_c(23.0, humidity_percent)


def test_the_thresholds_for_skin_are_those_that_the_hazards_cite() -> None:
    """From memory of ISO 13732-1 (60 °C, bare metal, seconds) and ISO 13732-3 (−20 °C); neither was seen."""
    assert (BURN_C, FROSTBITE_C) == (60.0, -20.0)


@pytest.mark.parametrize(
    ("said", "cause", "action"),
    [
        ("", "5 V with", "check polarity and sense leads,"),
        ("output = 2\n", "output 2: 5 V with", "check polarity and sense leads,"),
        ("remote_sense = true\n", "5 V with", "an open one lets the voltage rise"),
        ("remote_sense = false\n", "5 V with", "remote sense is switched off"),
    ],
)
def test_the_powered_unit_names_its_output_and_what_the_leads_need(
    make_setup: Callable[..., Setup], said: str, cause: str, action: str
) -> None:
    """Whoever connects the unit reads it before power-up."""
    setup = make_setup({"highest_current_a = 2\n": f"highest_current_a = 2\n{said}"})
    conditions = expand(setup.sequence.model, setup.part.model, setup.bench.model)
    found = next(hazard for hazard in hazards(setup, conditions) if hazard.title == "Powered unit")

    assert found.cause.startswith(cause)
    assert action in found.action
