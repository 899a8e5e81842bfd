"""Sweeps as Touchstone files: read back by another library, equal to the last digit that floats have."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pytest

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.store.store import open_store
from reports.curves import Curves, path_chains
from reports.errors import CannotDerive
from reports.frames import RunFrames, no_curves
from reports.touchstone_file import touchstone_files
from reports.two_ports import ComplexArray, chain_of_s
from sequences.read_files import demo_file

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import skrf

SIDES: tuple[Literal["input", "output"], ...] = ("input", "output")

SMALL = {
    'gain_code = "all"': "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [-40, 25]",
    "frequency_mhz = [45, 60, 75]": "frequency_mhz = 60",
    "step = 2.5": "step = 20",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight sweeps of a small night: two channels, codes and temperatures; its store is night.db."""
    made = tmp_path_factory.mktemp("sweeps")
    source = demo_file("small-signal.sequence.toml")
    for path in source.parent.iterdir():
        if path.is_file():
            text = path.read_text("utf-8")
            for old, new in SMALL.items():
                text = text.replace(old, new) if path == source else text
            (made / path.name).write_text(text, encoding="utf-8")
    arguments = ["run", str(made / source.name), "--unit", "VG2/0007", "--store", str(made / "night.db"), "--no-report"]
    assert run_guarded(app, arguments) == 0
    return made


@pytest.fixture(scope="module")
def frames(folder: Path) -> Iterator[RunFrames]:
    with open_store(str(folder / "night.db")) as store:
        yield store.frames(store.find_run("latest"))


def network(s: ComplexArray, curves: Curves) -> Any:
    return skrf.Network(f=curves.frequency_hz, f_unit="Hz", s=s, z0=50.0)


def export(folder: Path, to: Path, *options: str) -> int:
    return run_guarded(app, ["export", "latest", "--store", str(folder / "night.db"), "--to", str(to), *options])


def test_each_sweep_is_a_file_that_scikit_rf_reads_back_equal(folder: Path, frames: RunFrames, tmp_path: Path) -> None:
    """Within 1e-9; scikit-rf takes the two-ports off on its own, and renormalises to the part's 200 Ω."""
    assert export(folder, tmp_path, "--format", "touchstone") == 0
    curves = Curves.of(frames)
    files = sorted(tmp_path.iterdir())

    assert len(files) == len(curves.rows) == 8
    for place, row in enumerate(curves.rows):
        condition = frames.conditions.iloc[row]
        number = frames.conditions.index[row]
        (path,) = [one for one in files if one.stem.endswith(f"_condition{number}")]
        before, after = (
            network(frames.de_embedding.s_parameters(side, condition["channel"], 200.0, curves.frequency_hz), curves)
            for side in SIDES
        )
        expected = before.inv ** network(curves.s[place], curves) ** after.inv
        expected.renormalize(200.0)
        read = skrf.Network(path)
        np.testing.assert_allclose(read.s, expected.s, rtol=1e-9, atol=1e-9)
        np.testing.assert_array_equal(read.f, curves.frequency_hz)
        assert read.z0[0, 0] == 200.0


def test_a_file_says_run_unit_condition_and_reference(frames: RunFrames) -> None:
    """In comments of ASCII, whatever the names hold; the name of the file holds no separator of folders."""
    name, text = next(iter(touchstone_files(frames).items()))
    comments = [line for line in text.splitlines() if line.startswith("!")]

    assert name == "VG2-0007_A_code00_-40C_nominal_200ohm_condition0.s2p"
    assert f"run {frames.facts.run}" in comments[0]
    assert comments[1] == "! part VIRGA-2, unit VG2/0007"
    assert "channel = A, gain_code = 0, temperature_c = -40.0, supply_mode = nominal, load_ohm = 200.0" in comments[2]
    assert comments[-1] == "! reference impedance 200 ohm at both ports"
    assert text.isascii()


def test_a_name_cannot_end_a_comment(frames: RunFrames) -> None:
    """A line end in a serial number would put the rest of it among the numbers."""
    hostile = replace(frames, facts=replace(frames.facts, unit="7\n1 2 3\r# MHz Ω"))
    name, text = next(iter(touchstone_files(hostile).items()))

    assert {line[0] for line in text.splitlines() if not line[0].isdigit()} == {"!", "#"}
    assert len([line for line in text.splitlines() if line.startswith("#")]) == 1
    assert name.startswith("7-1-2-3-MHz-_A")


@pytest.mark.parametrize(
    ("options", "count"),
    [
        (("--channel", "B"), 4),
        (("--gain-code", "0", "--temperature-c", "-40"), 2),
        (("--channel", "A", "--gain-code", "0", "--gain-code", "30", "--temperature-c", "25"), 2),
    ],
)
def test_sweeps_can_be_chosen(folder: Path, tmp_path: Path, options: tuple[str, ...], count: int) -> None:
    """By channel, code and temperature, each more than once."""
    assert export(folder, tmp_path, "--format", "touchstone", *options) == 0
    assert len(list(tmp_path.iterdir())) == count


def test_what_no_sweep_has_is_refused(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No empty folder passes for an export."""
    assert export(folder, tmp_path, "--format", "touchstone", "--gain-code", "5") == 2
    assert "has no sweep of what was chosen" in capsys.readouterr().err


def test_tables_are_not_chosen_by_condition(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The options would be ignored, and a whole table taken for a part of one."""
    assert export(folder, tmp_path, "--format", "csv", "--channel", "A") == 2
    assert "they go with --format touchstone" in capsys.readouterr().err


def test_a_run_without_sweeps_has_no_two_ports(frames: RunFrames) -> None:
    """It says so instead of writing nothing."""
    with pytest.raises(CannotDerive, match="no sweep of a network analyzer"):
        touchstone_files(replace(frames, curves=no_curves()))


def test_the_paths_that_are_taken_off_are_those_of_the_condition(frames: RunFrames) -> None:
    """Each channel has its own."""
    hertz = Curves.of(frames).frequency_hz
    known = frames.de_embedding.s_parameters("input", "B", 200.0, hertz)

    np.testing.assert_array_equal(path_chains(frames, "B", 200.0, hertz, 50.0)[0], chain_of_s(known, 50.0))
