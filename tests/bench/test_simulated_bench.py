"""From files to rig: the typical figures are the datasheet's, the errors the bench's, and nothing is lost between."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace

import pytest

from bench.assemble import open_bench
from bench.simulated_bench import rig_setup
from drivers.simulated.rig_setup import RigSetup
from sequences.read_files import Setup


def rig_of(setup: Setup, unit: str = "VG2-0007") -> RigSetup:
    return rig_setup(setup.part.model, setup.bench, unit)


def drawn_errors(setup: Setup, unit: str = "VG2-0007") -> Mapping[str, float]:
    with open_bench(setup.bench, setup.part.model, unit) as opened:
        assert opened.rig is not None
        return opened.rig.truth.drawn_errors()


def test_the_unit_has_the_datasheets_typical_figures(quick: Setup) -> None:
    """Per mode: voltage, mode word, current, OIP3."""
    unit = rig_of(quick).unit
    modes = {
        name: (mode.supply_v, mode.mode_word, mode.typical_current_a, mode.oip3_dbm)
        for name, mode in unit.modes.items()
    }

    assert modes == {"nominal": (5.0, 0, 0.2, 45.0), "low power": (4.75, 1, 0.158, 40.0)}
    assert unit.nominal_gain_db == quick.part.model.gain_codes.gain_of
    assert (unit.hd2_dbc, unit.hd2_level_dbm) == (-72.0, 3.0)


def test_accuracies_go_over_by_their_names(quick: Setup) -> None:
    """Every figure of the bench file that the rig has under the same name has the same value."""
    rig, places = rig_of(quick), quick.bench.model.instrument
    compared = 0
    for place in ("tone_1", "tone_2", "analyzer", "supply", "current_meter", "board_thermometer", "chamber"):
        given, entry = getattr(rig, place), getattr(places, place)
        for one in fields(given):
            holder = next((source for source in (entry.accuracy, entry) if hasattr(source, one.name)), None)
            if holder is not None:
                declared = getattr(holder, one.name)
                expected = (declared.hd2, declared.hd3) if one.name == "harmonics_dbc" else declared
                assert getattr(given, one.name) == expected, (place, one.name)
                compared += 1

    assert compared >= 25


def test_routes_and_ports_are_turned_round(quick: Setup) -> None:
    """The file says which relay a load has, the rig which load a relay has."""
    rig = rig_of(quick)

    assert rig.load_routes == {101: 100.0, 102: 150.0, 103: 200.0, 104: 400.0}
    assert rig.channel_routes == {201: "A", 202: "B"}
    assert rig.channel_ports == {1: "A", 2: "B"}
    assert rig.mode_port == 3


def test_path_losses_are_the_declared_ones_and_go_on_beyond_their_table(quick: Setup) -> None:
    """As ``sequences.path_losses`` has them; a cable does not stop at 480 MHz."""
    losses = {(one.path, one.channel, one.load_ohm): one for one in rig_of(quick).path_losses}
    output = losses["output", "A", 200.0]

    assert len(losses) == len(quick.bench.model.path_loss)
    for frequency_hz in (10e6, 59.5e6, 480e6):
        assert output.loss_db(frequency_hz) == quick.path_losses.loss_db("output", "A", 200.0, frequency_hz)
    assert output.loss_db(1e9) == output.loss_db(480e6) == 11.57
    assert output.loss_db(1e3) == output.loss_db(10e6) == 10.88
    assert output.uncertainty_db == 0.06
    assert output.vswr == (1.05, 1.2)
    assert losses["input", "A", None].vswr == (1.05, 1.15)


def test_a_path_without_declared_ends_reflects_nothing(quick: Setup) -> None:
    """The bench file need not say it."""
    entries = tuple(entry.model_copy(update={"vswr": None}) for entry in quick.bench.model.path_loss)
    bench = replace(quick.bench, model=quick.bench.model.model_copy(update={"path_loss": entries}))

    assert {one.vswr for one in rig_setup(quick.part.model, bench, "VG2-0007").path_losses} == {(1.0, 1.0)}


def test_the_weak_step_is_in_the_unit_that_the_file_names_and_in_no_other(quick: Setup) -> None:
    """Never told to the drivers, only to the rig."""
    weak = rig_of(quick, "VG2-0013").unit.weak_step

    assert weak is not None
    assert (weak.channel, weak.code, weak.error_db, weak.below_c) == ("B", 17, -0.42, 0.0)
    assert rig_of(quick, "VG2-0014").unit.weak_step is None


def test_a_serial_number_makes_the_unit_and_the_seed_the_bench(quick: Setup, make_setup: Callable[..., Setup]) -> None:
    """Another unit on the same bench meets the same instrument errors; another seed makes other ones."""
    other_seed = make_setup({"seed = 20261102": "seed = 7"})

    assert rig_of(quick).unit == rig_of(quick).unit
    assert rig_of(quick).unit != rig_of(quick, "VG2-0008").unit
    assert drawn_errors(quick) == drawn_errors(quick, "VG2-0008")
    assert drawn_errors(quick) != drawn_errors(other_seed)


@pytest.mark.parametrize("seed", range(10))
def test_errors_are_drawn_within_the_declared_half_widths(make_setup: Callable[..., Setup], seed: int) -> None:
    """Uniform within ±a for each constant of the demo bench."""
    errors = drawn_errors(make_setup({"seed = 20261102": f"seed = {seed}"}))
    half_widths = {
        "tone_1_level_db": 0.25,
        "tone_2_level_db": 0.25,
        "analyzer_level_db": 0.25,
        "analyzer_scale_db_per_10db": 0.03,
        "supply_voltage_v": 0.010,
        "supply_voltage_reading_v": 0.005,
        "supply_current_a": 0.001,
        "current_meter_gain": 0.0005,
        "current_meter_offset_a": 20e-6,
        "board_thermometer_k": 0.2,
        "chamber_k": 0.4,
    }

    assert half_widths.keys() <= errors.keys()
    assert all(abs(errors[name]) <= width for name, width in half_widths.items()), errors
    assert len({errors[name] / width for name, width in half_widths.items()}) == len(half_widths), "drawn apart"
