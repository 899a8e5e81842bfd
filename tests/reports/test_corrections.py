"""What a report says about its corrections, held against the derivations and against closed forms."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import pytest
from numpy.typing import NDArray

from reports.corrections import Corrections, corrections
from reports.derive import derive
from reports.frames import RunFrames
from reports.wide_readings import wide_readings


class MakeNight(Protocol):
    def __call__(
        self, seed: int = 0, *, size: float = 1.0, **axes: Any
    ) -> tuple[RunFrames, dict[str, NDArray[np.float64]]]: ...


def _of(frames: RunFrames) -> Corrections:
    return corrections(frames, wide_readings(frames.conditions.index, frames.readings))


def _quieter(frames: RunFrames, quantity: str, by_db: float) -> RunFrames:
    """The readings of one quantity lower by ``by_db``, in every other condition."""
    readings = frames.readings.copy()
    meant = (readings["quantity"] == quantity) & (readings["condition"] % 2 == 0)
    readings.loc[meant, "value"] -= by_db
    return replace(frames, readings=readings)


@pytest.mark.parametrize(("line", "word"), [("hd2", "hd2"), ("hd3", "hd3"), ("im2_sum", "oip2")])
@pytest.mark.parametrize("by_db", [0.0, 25.0, 60.0])
def test_the_counts_are_those_of_the_bounded_values(make_night: MakeNight, line: str, word: str, by_db: float) -> None:
    """A harmonic is bounded by its own line alone: in the noise, or too near to what the bench itself puts there."""
    frames, _ = make_night()
    frames = _quieter(frames, f"{line}_level_dbm", by_db)
    use = next(one for one in _of(frames).lines if one.line == line)

    assert use.in_noise + use.near_own == np.count_nonzero(derive(frames)[word].result.bound)
    assert use.conditions == len(frames.conditions)


def test_the_largest_noise_correction_is_that_of_the_line_nearest_the_noise(make_night: MakeNight) -> None:
    """A line 4 dB above the noise by its reading holds 10·log10(1 − 10^(−0.4)) = −2.205 dB of signal against it."""
    frames, _ = make_night(size=0.0)
    wide = wide_readings(frames.conditions.index, frames.readings)
    bench = frames.bench.instrument.analyzer
    assert bench is not None
    noise = bench.noise_dbm_per_hz + wide.of("hd2_attenuation_db") + 10 * np.log10(wide.of("hd2_bandwidth_hz"))
    readings = frames.readings.copy()
    first = (readings["quantity"] == "hd2_level_dbm") & (readings["condition"] == frames.conditions.index[0])
    readings.loc[first, "value"] = noise[0] + 4.0
    lowered = replace(frames, readings=readings)
    use = next(one for one in _of(lowered).lines if one.line == "hd2")

    assert use.noise_db == pytest.approx(2.205, abs=1e-3)
    assert use.in_noise == 0


def test_path_losses_are_those_of_the_bench_file_at_the_frequencies_of_the_run(make_night: MakeNight) -> None:
    """11.0 dB at 10 MHz to 11.6 dB at 500 MHz, straight between: 11.0 + 0.6·50/490 dB at 60 MHz."""
    frames, _ = make_night()
    found = _of(frames)
    output = next(use for use in found.paths if use.path == "output" and use.channel == "A")

    assert dict(output.losses_db)[60e6] == pytest.approx(11.0 + 0.6 * 50 / 490)
    assert output.expanded_db == 0.06
    assert {(use.path, use.channel) for use in found.paths} >= {("input", "A"), ("output", "B")}


def test_a_run_without_lines_names_no_path(make_night: MakeNight) -> None:
    """Supply readings alone: no line was read and no loss was used."""
    frames, _ = make_night()
    readings = frames.readings[frames.readings["quantity"].astype(str).str.startswith("supply")]
    found = _of(replace(frames, readings=readings))

    assert (found.lines, found.paths) == ((), ())
