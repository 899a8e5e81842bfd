"""The same readings with other path losses: each figure moves exactly as its correction says, and no bench is asked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from bench.job import StopSwitch
from bench.night import start_run
from bench.reporting import frames_of
from bench.store.store import Store, open_store
from reports.derive import Derived, derive
from sequences.path_entries import PathLossEntry
from sequences.path_losses import PathLosses
from sequences.read_files import Setup, demo_file

MakeSetup = Callable[..., Setup]
FloatArray = NDArray[np.float64]

UNIT = "VG2-0007"

OUTPUT_A_DB = "loss_db = [10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28, 11.36, 11.57]"
INPUT_A_DB = "loss_db = [7.15, 7.19, 7.23, 7.26, 7.28, 7.33, 7.36, 7.39, 7.47]"


@dataclass(frozen=True)
class Run:
    """A stored run of channel A with noise and compression, and what it derives to with its own files."""

    store: Store
    run: str
    before: Derived

    def again(self, folder: Path, old: str, new: str) -> Derived:
        """Derived with a bench file in which ``old`` has become ``new``."""
        text = demo_file("nimbus.bench.toml").read_text("utf-8")
        assert text.count(old) == 1
        bench = folder / "other.bench.toml"
        bench.write_text(text.replace(old, new), encoding="utf-8")
        return derive(frames_of(self.store, self.run, bench=bench))

    def change(self, after: Derived, word: str) -> FloatArray:
        assert np.array_equal(after[word].rows, self.before[word].rows)
        return after[word].result.value - self.before[word].result.value


@pytest.fixture(scope="module")
def measured(make_setup: MakeSetup, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    setup = make_setup(
        {
            'channel = "all"': 'channel = "A"',
            "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 1]",
            "temperature_c = [-40, 25, 85]": "temperature_c = 25",
            "200\ntone_level_dbm = 3\n": "200\ntone_level_dbm = [3, 10, 16, 18, 20, 22]\n",
            "[soak]\nhold_min = 3": "[measure]\nnoise = true\ncompression = true\n\n[soak]\nhold_min = 3",
        }
    )
    with open_store(str(tmp_path_factory.mktemp("again") / "night.db")) as store:
        run = start_run(setup, UNIT, "Ada", store, lambda _: None, StopSwitch(), lambda *_: None).run
        yield Run(store, run, derive(frames_of(store, run)))


def raised(table: str, by_db: float, from_point: int = 0) -> str:
    """The table with the losses from one of its points on raised."""
    losses = [float(text) for text in table.partition("[")[2].rstrip("]").split(",")]
    moved = [loss + by_db * (place >= from_point) for place, loss in enumerate(losses)]
    return f"loss_db = [{', '.join(f'{loss:.4f}' for loss in moved)}]"


def test_half_a_decibel_more_output_loss_is_in_levels_once_and_in_ratios_not_at_all(
    measured: Run, tmp_path: Path
) -> None:
    """Levels in the load, and what is made of them, rise by it; a harmonic against its tone stays where it was."""
    after = measured.again(tmp_path, OUTPUT_A_DB, raised(OUTPUT_A_DB, 0.5))

    for word in ("oip3", "oip2", "gain", "op1db"):
        assert measured.change(after, word) == pytest.approx(0.5, abs=1e-9), word
    for word in ("hd2", "hd3", "gain_step_error", "im3", "noise_figure_gain"):
        assert measured.change(after, word) == pytest.approx(0.0, abs=0.01), word


def test_more_input_loss_is_less_at_the_input_and_so_more_gain(measured: Run, tmp_path: Path) -> None:
    """Gain rises by it, what is told of the output stays, the noise figure falls: more gain made the same noise."""
    after = measured.again(tmp_path, INPUT_A_DB, raised(INPUT_A_DB, 0.3))

    assert measured.change(after, "gain") == pytest.approx(0.3, abs=1e-9)
    for word in ("oip3", "hd2", "op1db"):
        assert measured.change(after, word) == pytest.approx(0.0, abs=1e-9), word
    assert measured.change(after, "noise_figure_gain") == pytest.approx(-0.3, abs=0.02)
    assert measured.change(after, "noise_figure_y") == pytest.approx(-0.3, abs=0.02)


def test_each_line_has_the_loss_of_its_own_frequency(measured: Run, tmp_path: Path) -> None:
    """1 dB more from 120 MHz on: OIP3 at 60 MHz does not know it; the third harmonic at 178.5 MHz rises by all of it.

    The second harmonic at 119 MHz lies on the way from 90 to 120 MHz and rises by 29/30 of a decibel.
    """
    after = measured.again(tmp_path, OUTPUT_A_DB, raised(OUTPUT_A_DB, 1.0, from_point=4))

    assert measured.change(after, "oip3") == pytest.approx(0.0, abs=1e-9)
    assert measured.change(after, "hd3") == pytest.approx(1.0, abs=1e-9)
    assert measured.change(after, "hd2") == pytest.approx(29 / 30, abs=1e-9)


def test_only_what_was_measured_counts_not_what_was_commanded(measured: Run) -> None:
    """A source that says 5 dB more than it gives moves the gain by as much, and no intercept: tones are measured."""
    frames = frames_of(measured.store, measured.run)
    readings = frames.readings.copy()
    told = readings["quantity"].isin(["source_1_level_dbm", "source_2_level_dbm"])
    readings.loc[told, "value"] += 5.0
    after = derive(replace(frames, readings=readings))

    assert measured.change(after, "gain") == pytest.approx(-5.0, abs=1e-9)
    assert measured.change(after, "oip3") == pytest.approx(0.0, abs=1e-9)
    assert measured.change(after, "hd2") == pytest.approx(0.0, abs=1e-9)


# --- Pads and baluns are part of the output path


def pad_touchstone(source_ohm: float, load_ohm: float) -> str:
    """A minimum-loss pad between its own matched ends, from its resistors, as a Touchstone text.

    Series √(Zs·(Zs − Zl)), shunt Zl·√(Zs/(Zs − Zl)), Zs the greater: the L-pad formulas of textbooks.
    """
    from skrf.network import a2s

    series = np.sqrt(source_ohm * (source_ohm - load_ohm))
    shunt = load_ohm * np.sqrt(source_ohm / (source_ohm - load_ohm))
    chain = np.array([[1.0, series], [0.0, 1.0]]) @ np.array([[1.0, 0.0], [1.0 / shunt, 1.0]])
    hertz = np.linspace(1e6, 500e6, 6)
    s = a2s(
        np.repeat(chain[None].astype(complex), len(hertz), axis=0), np.tile([source_ohm, load_ohm], (len(hertz), 1))
    )
    rows = [
        " ".join(
            [
                f"{hz:.0f}",
                *(f"{part:.12g}" for one in (m[0, 0], m[1, 0], m[0, 1], m[1, 1]) for part in (one.real, one.imag)),
            ]
        )
        for hz, m in zip(hertz, s, strict=True)
    ]
    comment = f"! minimum-loss pad {source_ohm:g} to {load_ohm:g} ohm, waves normalised to its own ends"
    return "\n".join([comment, "# Hz S RI R 50", *rows, ""])


@pytest.mark.parametrize(("source_ohm", "load_ohm", "loss_db"), [(75.0, 50.0, 5.7195), (100.0, 50.0, 7.6555)])
def test_a_minimum_loss_pad_as_touchstone_is_the_loss_that_textbooks_give(
    source_ohm: float, load_ohm: float, loss_db: float
) -> None:
    """PD-01: 5.7195 dB for 75 → 50 Ω (manual of a microwave program: 5.719 dB); PD-02: 7.6555 dB for 100 → 50 Ω."""
    entry = PathLossEntry(path="output", touchstone="pad.s2p", uncertainty_db=0.05)
    losses = PathLosses([entry], {"pad.s2p": pad_touchstone(source_ohm, load_ohm)})

    for frequency_hz in (1e6, 59.5e6, 178.5e6):
        assert losses.loss_db("output", "A", 200.0, frequency_hz) == pytest.approx(loss_db, abs=1e-3)


def test_a_pad_in_the_output_path_is_taken_back_like_any_other_loss(measured: Run) -> None:
    """The run derived as if it had been measured behind the pad alone: levels as a plain number of dB would give."""
    frames = frames_of(measured.store, measured.run)
    inputs = tuple(entry for entry in frames.path_losses.entries if entry.path == "input")
    attachments = {"pad.s2p": pad_touchstone(100.0, 50.0)}
    shown = [
        derive(replace(frames, path_losses=PathLosses((*inputs, entry), attachments)))
        for entry in (
            PathLossEntry(path="output", touchstone="pad.s2p", uncertainty_db=0.05),
            PathLossEntry(path="output", loss_db=7.655514, uncertainty_db=0.05),
        )
    ]

    for word in ("oip3", "gain", "hd2", "hd3", "op1db"):
        assert shown[0][word].result.value == pytest.approx(shown[1][word].result.value, abs=1e-5), word
        assert shown[0][word].result.standard == pytest.approx(shown[1][word].result.standard, abs=1e-6), word
