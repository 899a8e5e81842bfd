"""What is read at a condition: which lines, by which instruments, at which settings, under the names of the frames."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from bench.acquisition import Acquisition, reference_level_dbm
from bench.measure import LineReader, expected_tone_dbm, lines_of, read_condition, read_supply, read_temperatures
from bench.places import Places
from bench.plan import acquisition_for
from drivers.errors import Refused
from drivers.roles import PowerReading, SweepSetting
from reports.frames import READINGS
from sequences.conditions import Condition
from sequences.products import LINES, NOISE, SINGLE, TONES, line_frequency_hz
from sequences.read_files import Setup
from sequences.sequence_file import Measure

#: Any: the FakeBench of conftest.py, which a test cannot import.
Bench = Any
MakeBench = Callable[..., Bench]
MakePlaces = Callable[[Bench], Places]

CONDITION = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)


def reader(setup: Setup, places: Places, between: Callable[[], None] = lambda: None) -> LineReader:
    acquisition = acquisition_for(setup)
    assert acquisition is not None
    assert places.analyzer is not None
    models = setup.part.model, setup.sequence.model
    return LineReader(places.analyzer, acquisition, *models, setup.path_losses, between)


@pytest.mark.parametrize(
    ("two_tone", "harmonics", "lines"),
    [
        (True, True, (*TONES, "im3_lower", "im3_upper", "im2_sum", "hd2", "hd3")),
        (True, False, (*TONES, "im3_lower", "im3_upper", "im2_sum")),
        (False, True, (*TONES, "hd2", "hd3")),
        (False, False, ()),
    ],
)
def test_the_tones_are_read_with_whatever_is_judged_against_them(
    two_tone: bool, harmonics: bool, lines: tuple[str, ...]
) -> None:
    """First, as they set the scale for the products; not at all when there are no products."""
    assert lines_of(Measure(two_tone=two_tone, harmonics=harmonics, supply=True)) == lines


def test_every_reading_has_a_name_that_frames_know(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """And every reading that frames know is taken, but for those that need fewer tones and those the runner adds."""
    bench = make_bench()
    places = make_places(bench)
    readings = read_condition(places, reader(quick, places), CONDITION, quick.sequence.model.measure)

    others = ("source_1", "source_2", "small_signal", "sensor", SINGLE, NOISE)
    assert all(name.startswith(others) for name in set(READINGS) - set(readings))
    assert set(readings) <= set(READINGS)


def test_each_line_is_read_at_its_own_frequency(quick: Setup, make_bench: MakeBench, make_places: MakePlaces) -> None:
    """n·f1 + m·f2 with f1 = 59.5 and f2 = 60.5 MHz; the fake's level tells the frequency back."""
    bench = make_bench()
    readings = reader(quick, make_places(bench)).read(CONDITION)
    expected_mhz = {
        "tone_lower": 59.5,
        "tone_upper": 60.5,
        "im3_lower": 58.5,
        "im3_upper": 61.5,
        "im2_sum": 120.0,
        "hd2": 119.0,
        "hd3": 178.5,
    }

    assert {line: line_frequency_hz(line, 60e6, 1e6) / 1e6 for line in LINES} == expected_mhz
    for line, frequency_mhz in expected_mhz.items():
        assert readings[f"{line}_level_dbm"] == -20.0 - frequency_mhz / 10


def test_one_attenuation_serves_all_lines_of_a_condition(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Its error then cancels in every product relative to its tones."""
    readings = reader(quick, make_places(make_bench())).read(CONDITION)

    assert len({readings[f"{line}_attenuation_db"] for line in LINES}) == 1


def test_a_setting_that_stands_is_not_written_again(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Two tones of one level in a row need one setting: fewer messages than sweeps."""
    bench = make_bench()
    lines = reader(quick, make_places(bench))
    for _ in range(3):
        lines.read(CONDITION)
    written = bench.values("analyzer", "sweep")

    assert all(before != after for before, after in itertools.pairwise(written))
    assert len(written) < len(bench.values("analyzer", "begin")) == 3 * len(LINES)


def test_the_slow_meters_work_while_the_analyzer_sweeps(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Both begin before the first sweep and finish after the last."""
    bench = make_bench()
    places = make_places(bench)
    read_condition(places, reader(quick, places), CONDITION, quick.sequence.model.measure)
    sweeps = [at for at, call in enumerate(bench.journal) if call.place == "analyzer"]
    for meter in ("current_meter", "board_thermometer"):
        assert bench.first(meter, "begin") < sweeps[0]
        assert bench.first(meter, "finish") > sweeps[-1]


def test_a_scattered_reading_is_taken_again_once_and_the_second_one_counts(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Even if the second still scatters: the lower tone is swept twice, more slowly, and no third time."""
    bench = make_bench()
    places = make_places(bench)
    readings = iter([PowerReading(-100.0, 3.0), PowerReading(-90.0, 2.0)])
    assert places.analyzer is not None
    monkeypatch.setattr(places.analyzer, "finish_power", lambda: next(readings, PowerReading(-20.0, 0.001)))
    found = reader(quick, places).read(CONDITION)
    settings = [value for value in bench.values("analyzer", "sweep") if isinstance(value, SweepSetting)]

    assert found["tone_lower_level_dbm"] == -90.0
    assert found["tone_lower_scatter_db"] == 2.0
    assert found["tone_lower_bandwidth_hz"] == settings[1].resolution_bandwidth_hz < settings[0].resolution_bandwidth_hz
    assert len(bench.values("analyzer", "begin")) == len(LINES) + 1


@pytest.mark.parametrize("tones_dbm", [(-14.0, -8.0), (-8.0, -14.0)])
def test_products_are_predicted_from_the_stronger_tone(
    quick: Setup,
    make_bench: MakeBench,
    make_places: MakePlaces,
    monkeypatch: pytest.MonkeyPatch,
    tones_dbm: tuple[float, float],
) -> None:
    """6 dB stronger: what is learnt of the products is learnt at its level, whichever of both it is."""
    places = make_places(make_bench())
    levels = iter(tones_dbm)
    assert places.analyzer is not None
    monkeypatch.setattr(places.analyzer, "finish_power", lambda: PowerReading(next(levels, -90.0), 0.001))
    learnt: list[tuple[str, float]] = []
    monkeypatch.setattr(Acquisition, "learn", lambda self, line, tone, loss, level: learnt.append((line, tone)))
    reader(quick, places).read(CONDITION)

    assert learnt == [(line, -8.0) for line in LINES if line not in TONES]


def test_the_current_comes_from_the_meter_in_the_line_or_else_from_the_supply(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """The meter is the better one of the two; without either there is no current."""
    bench = make_bench()
    places = make_places(bench)
    assert read_supply(places) == {"supply_voltage_v": 5.0, "supply_current_a": 0.2}
    assert bench.whats("current?") == []
    assert read_supply(replace(places, current_meter=None)) == {"supply_voltage_v": 5.0, "supply_current_a": 0.2}
    assert bench.whats("current?") == [("supply", "current?")]

    assert read_supply(replace(places, current_meter=None, supply=None)) == {}
    assert quick.bench.model.instrument.current_meter is not None


def test_nothing_of_the_supply_is_read_when_it_is_not_asked_for(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """A meter that was not begun must not be finished either."""
    bench = make_bench()
    readings = read_condition(make_places(bench), None, CONDITION, Measure(two_tone=True, supply=False))

    assert readings == {"board_temperature_c": 23.0, "air_temperature_c": 23.0}
    assert {call.place for call in bench.journal} == {"board_thermometer", "chamber"}


def test_temperatures_are_those_of_the_instruments_that_are_there(
    make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Air from the chamber, board from its thermometer."""
    bench = make_bench()
    bench.board_error_k = -0.5
    places = make_places(bench)

    assert read_temperatures(places) == {"air_temperature_c": 23.0, "board_temperature_c": 22.5}
    assert read_temperatures(replace(places, board_thermometer=None)) == {"air_temperature_c": 23.0}
    assert read_temperatures(Places()) == {}


def test_the_expected_tone_is_the_wanted_one_or_follows_the_gain(
    make_setup: Callable[..., Setup], quick: Setup
) -> None:
    """3 dBm at the output, or 3 dBm at the input plus 24 dB of voltage gain into 200 Ω, 3.01 dB more into 100 Ω."""
    at_input = make_setup({"spacing_mhz = 1": 'spacing_mhz = 1\nlevel_at = "input"'}).sequence.model
    part = quick.part.model

    assert expected_tone_dbm(CONDITION, part, quick.sequence.model) == 3.0
    assert expected_tone_dbm(CONDITION, part, at_input) == 27.0
    half = replace(CONDITION, load_ohm=100.0)
    assert expected_tone_dbm(half, part, at_input) == pytest.approx(27.0 + 3.0103, abs=1e-4)


@pytest.mark.parametrize(
    ("strongest_dbm", "reference_dbm"), [(-8.0, 5.0), (-5.0, 5.0), (-4.9, 10.0), (3.0, 15.0), (-50.0, -40.0)]
)
def test_the_reference_level_stands_ten_to_fifteen_decibels_above_the_strongest_line(
    strongest_dbm: float, reference_dbm: float
) -> None:
    """In steps of 5 dB; what is above it would be cut off."""
    assert reference_level_dbm(strongest_dbm) == reference_dbm


def test_the_reference_level_is_set_before_the_first_sweep_and_only_when_it_changes(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Ten thousand conditions each pay for every message. Noise has a lower one, and the tones theirs again after."""
    bench = make_bench()
    lines = reader(quick, make_places(bench))
    for _ in range(2):
        lines.read(CONDITION)
    tones = bench.values("analyzer", "reference")
    assert bench.whats("reference", "begin")[0] == ("analyzer", "reference")
    lines.read_noise(CONDITION, NOISE)
    lines.protect()
    lines.read(CONDITION)

    assert len(tones) == 1
    assert bench.values("analyzer", "reference") == [tones[0], -40.0, tones[0]]


def test_a_reference_level_that_was_refused_is_asked_for_again(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """Where it stands nobody knows."""
    bench = make_bench()
    lines = reader(quick, make_places(bench))
    bench.failing["analyzer", "reference"] = Refused(0, "it holds 0 instead of 5", instrument="analyzer")
    with pytest.raises(Refused):
        lines.read(CONDITION)
    del bench.failing["analyzer", "reference"]
    lines.read(CONDITION)

    assert len(bench.values("analyzer", "reference")) == 2


def test_who_must_look_meanwhile_is_called_before_each_line(
    quick: Setup, make_bench: MakeBench, make_places: MakePlaces
) -> None:
    """A condition may take a minute; between two sweeps the analyzer and the rest of the bench can be asked."""
    bench = make_bench(quick)
    sweeps: list[int] = []
    reader(quick, make_places(bench), lambda: sweeps.append(len(bench.values("analyzer", "begin")))).read(CONDITION)

    assert len(sweeps) == len(lines_of(quick.sequence.model.measure))
    assert sweeps[0] == 0
    assert all(later > earlier for earlier, later in itertools.pairwise(sweeps))
