"""What a report says about uncertainties that do not hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from reports.caveats import caveats
from reports.frames import RunFrames
from reports.summary import summarise
from reports.wide_readings import wide_readings

MakeNight = Callable[..., tuple[RunFrames, object]]


def _said(frames: RunFrames) -> str:
    return " ".join(caveats(frames, wide_readings(frames.conditions.index, frames.readings)))


def _with_accuracy(frames: RunFrames, place: str, **accuracy: float) -> RunFrames:
    instruments: Any = frames.bench.instrument
    entry = getattr(instruments, place)
    changed = entry.model_copy(update={"accuracy": entry.accuracy.model_copy(update=accuracy)})
    bench = frames.bench.model_copy(update={"instrument": instruments.model_copy(update={place: changed})})
    return replace(frames, bench=bench)


def test_a_bench_with_all_accuracies_has_nothing_undeclared(make_night: MakeNight) -> None:
    """And with repeats nothing is said of them."""
    said = _said(make_night(repeats=2)[0])

    assert "declares as 0" not in said
    assert "measured once" not in said


@pytest.mark.parametrize(
    ("place", "key"),
    [
        ("analyzer", "flatness_db"),
        ("tone_2", "setting_db"),
        ("current_meter", "gain"),
        ("supply", "voltage_reading_v"),
    ],
)
def test_an_accuracy_of_zero_is_named_in_the_report(make_night: MakeNight, place: str, key: str) -> None:
    """No instrument is exact: a 0 is an accuracy that nobody has looked up, and U is too small by it."""
    frames = _with_accuracy(make_night()[0], place, **{key: 0.0})

    assert f"declares as 0: {place}.accuracy.{key}." in " ".join(summarise(frames).caveats)


def test_what_no_figure_uses_need_not_be_declared(make_night: MakeNight) -> None:
    """The supply's set voltage is read back, and its current reading gives way to the meter."""
    assert "declares as 0" not in _said(_with_accuracy(make_night()[0], "supply", voltage_v=0.0, current_a=0.0))


def test_a_path_without_uncertainty_is_named(make_night: MakeNight) -> None:
    """By path, channel and load."""
    frames, _ = make_night()
    entries = list(frames.bench.path_loss)
    entries[0] = entries[0].model_copy(update={"uncertainty_db": 0.0})
    said = _said(replace(frames, bench=frames.bench.model_copy(update={"path_loss": tuple(entries)})))

    assert "declares as 0: input path, channel A: loss." in said


def test_one_repeat_and_one_temperature_are_said(make_night: MakeNight) -> None:
    """What a run did not look at cannot be in its uncertainty."""
    said = _said(make_night(temperature_c=(25.0,))[0])

    assert "measured once" in said
    assert "With one temperature" in said


def test_a_run_that_did_not_count_its_samples_says_so(make_night: MakeNight) -> None:
    """Runs that were stored before the samples were a reading."""
    frames, _ = make_night()
    kept = ~frames.readings["quantity"].astype("str").str.endswith("_points")

    assert "not counted" in _said(replace(frames, readings=frames.readings[kept]))
    assert "not counted" not in _said(frames)


def test_an_empty_run_has_no_caveats(make_night: MakeNight) -> None:
    """Stopped before its first condition: there is no figure to be wary of."""
    frames, _ = make_night()

    assert _said(replace(frames, conditions=frames.conditions.iloc[:0], readings=frames.readings.iloc[:0])) == ""
