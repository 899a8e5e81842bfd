"""Cascades of a run's channels: which combinations, with what uncertainty, and how they are compared."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Protocol

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from pydantic import ValidationError

from reports.cascade_table import MOST_COMBINATIONS, STAGE_FIGURES, cascade_table, no_cascades
from reports.derive import derive
from reports.frames import RunFrames
from reports.summary import summarise
from sequences.part_file import Cascade, Part

FloatArray = NDArray[np.float64]
Truth = dict[str, FloatArray]


class MakeNight(Protocol):
    def __call__(self, seed: int = 0, *, size: float = 1.0, **axes: Any) -> tuple[RunFrames, Truth]: ...


A_INTO_B: dict[str, Any] = {
    "name": "A into B", "stages": ("A", "B"), "loss_db": (1.5,), "uncertainty_db": 0.1, "noise_figure_db": (9.0, 12.0),
}  # fmt: skip


def _with(frames: RunFrames, *cascades: dict[str, Any], channels: tuple[str, ...] = ("A", "B")) -> RunFrames:
    facts = frames.part.part.model_copy(update={"channels": channels})
    part = frames.part.model_copy(
        update={"part": facts, "cascade": tuple(Cascade.model_validate(each) for each in cascades)}
    )
    return replace(frames, part=Part.model_validate(part))


def _of(table: pd.DataFrame, quantity: str) -> pd.DataFrame:
    return table[table["quantity"] == quantity].reset_index(drop=True)


def test_every_pair_of_codes_is_predicted_at_every_point(make_night: MakeNight) -> None:
    """6 · 6 codes at 3 temperatures; values against the truth of a bench without errors."""
    frames, truth = make_night(size=0.0)
    table = summarise(_with(frames, A_INTO_B)).cascades
    found = _of(table, "gain")
    where = {
        point: row
        for row, point in enumerate(
            zip(*(frames.conditions[axis].tolist() for axis in ("channel", "gain_code", "temperature_c")), strict=True)
        )
    }
    columns = (found[column].tolist() for column in ("gain_code_1", "gain_code_2", "temperature_c"))
    expected = [
        truth["gain"][where["A", one, at]] + truth["gain"][where["B", two, at]] - 1.5
        for one, two, at in zip(*columns, strict=True)
    ]

    assert len(found) == 6 * 6 * 3
    np.testing.assert_allclose(found["value"], expected, atol=0.001)
    assert set(table["quantity"]) == {"gain", "gain_range", "noise_figure", "oip3", "oip3_non_coherent", "level_1"}
    assert set(table["cascade"]) == {"A into B"}


def test_range_noise_figure_and_plan_by_hand(make_night: MakeNight) -> None:
    """Friis with 9 and 12 dB and a loss at the chamber's temperature; the plan goes back from the tone level."""
    frames, _ = make_night(size=0.0, temperature_c=(85.0,))
    table = summarise(_with(frames, A_INTO_B)).cascades
    both = {"gain_code_1": 0, "gain_code_2": 5}
    gain, noise, level = (
        _of(table, word).merge(pd.DataFrame([both])).iloc[0] for word in ("gain", "noise_figure", "level_1")
    )
    own = (
        summarise(frames).characteristics.query("characteristic == 'gain'").set_index(["channel", "gain_code"])["value"]
    )
    ratio = 10 ** (own["A", 0] / 10)
    passive = 1 + (10**0.15 - 1) * 358.15 / 290
    friis = 10**0.9 + (passive - 1) / ratio + (10**1.2 - 1) / (ratio / 10**0.15)
    (range_row,) = _of(table, "gain_range").to_dict("records")

    assert gain["value"] == pytest.approx(own["A", 0] + own["B", 5] - 1.5)
    assert noise["value"] == pytest.approx(10 * np.log10(friis))
    assert level["value"] == pytest.approx(3.0 - own["B", 5] + 1.5)
    assert range_row["value"] == pytest.approx(own["A", 0] + own["B", 0] - own["A", 5] - own["B", 5])
    assert (range_row["gain_code_1"], range_row["gain_code_2"]) == (5, 5)


def test_errors_of_the_bench_that_both_stages_share_add_up(make_night: MakeNight) -> None:
    """Almost all of a gain's uncertainty is common: two stages have twice that, and not √2 times."""
    frames, _ = make_night(temperature_c=(25.0,), gain_code=(0,))
    report = summarise(_with(frames, A_INTO_B))
    single = report.characteristics.query("characteristic == 'gain'")["standard_uncertainty"].mean()
    (both,) = _of(report.cascades, "gain")["standard_uncertainty"]

    assert both == pytest.approx(2 * single, rel=0.04)


@pytest.mark.slow
def test_predictions_cover_the_truth_on_drawn_benches(make_night: MakeNight) -> None:
    """Gain and coherent OIP3 of 100 benches: 93 % within U, errors as large as said, within a third."""
    scores: dict[str, list[float]] = {"gain": [], "oip3": []}
    for seed in range(100):
        frames, truth = make_night(seed, temperature_c=(25.0,), gain_code=(0, 1))
        loss = float(np.random.default_rng(seed).normal(0, 0.05))
        frames = _with(frames, A_INTO_B)
        stages = {word: one for word, one in derive(frames).items() if word in STAGE_FIGURES}
        table = cascade_table(frames.part, frames.conditions, stages)
        codes = {("A", 0): 0, ("A", 1): 1, ("B", 0): 2, ("B", 1): 3}
        for word, found in scores.items():
            for row in _of(table, word).to_dict("records"):
                one, two = codes["A", int(row["gain_code_1"])], codes["B", int(row["gain_code_2"])]
                behind = truth["gain"][two]
                parts = 10 ** -((truth["oip3"][one] + behind - 1.5 - loss) / 10) + 10 ** -(truth["oip3"][two] / 10)
                true = truth["gain"][one] + behind - 1.5 - loss if word == "gain" else -10 * np.log10(parts)
                found.append(float((row["value"] - true) / row["expanded_uncertainty"]))

    for word, found in scores.items():
        assert np.mean(np.abs(found) <= 1.0) >= 0.93, word
        assert 2 / 3 < 2 * np.sqrt(np.mean(np.square(found))) < 4 / 3, word


def _measured_as(frames: RunFrames, channel: str, name: str) -> RunFrames:
    """The same run in which a channel has another name: readings of B stand for those of the cascade."""
    renamed = frames.conditions["channel"].replace({channel: name})
    entries = [
        entry.model_copy(update={"channel": name}) for entry in frames.bench.path_loss if entry.channel == channel
    ]
    bench = frames.bench.model_copy(update={"path_loss": (*frames.bench.path_loss, *entries)})
    losses = type(frames.path_losses).of(bench)
    return replace(frames, conditions=frames.conditions.assign(channel=renamed), bench=bench, path_losses=losses)


def test_a_channel_of_the_cascades_name_is_compared_at_equal_codes(make_night: MakeNight) -> None:
    """A cascade of A with itself, "measured" as B: the difference is B − (2·A − loss), at codes 0/0, 1/1 …

    It is no partner for gain match, being no single amplifier.
    """
    frames, _ = make_night(temperature_c=(25.0,))
    frames = _measured_as(frames, "B", "twice A")
    twice = {"name": "twice A", "stages": ("A", "A"), "loss_db": (2.0,)}
    report = summarise(_with(frames, twice, channels=("A", "twice A")))
    found = _of(report.cascades, "gain")
    compared = found[found["measured"].notna()]
    own = report.characteristics.query("characteristic == 'gain'").set_index(["channel", "gain_code"])["value"]

    assert compared["gain_code_1"].tolist() == compared["gain_code_2"].tolist() == list(range(6))
    expected = [own["twice A", code] - (2 * own["A", code] - 2.0) for code in range(6)]
    np.testing.assert_allclose(compared["difference"], expected, atol=1e-9)
    assert "gain_match" not in set(report.characteristics["characteristic"])
    assert (compared["difference_expanded_uncertainty"] < found["expanded_uncertainty"].min()).all()
    assert _of(report.cascades, "oip3")["measured"].notna().sum() == 6


def test_given_numbers_are_compared_where_they_are_meant(make_night: MakeNight) -> None:
    """46.8 ± 0.2 dB at codes 0 and 1, at 25 °C only; nothing is said about the noise figure."""
    frames, _ = make_night()
    measured = {"gain_codes": (0, 1), "gain_db": 46.8, "uncertainty_db": 0.2, "where": {"temperature_c": 25.0}}
    table = summarise(_with(frames, A_INTO_B | {"measured": (measured,)})).cascades
    (row,) = _of(table, "gain").dropna(subset="measured").to_dict("records")

    assert (row["gain_code_1"], row["gain_code_2"], row["temperature_c"]) == (0, 1, 25.0)
    assert row["difference"] == pytest.approx(46.8 - row["value"])
    assert row["difference_expanded_uncertainty"] == pytest.approx(np.hypot(row["expanded_uncertainty"], 0.2), rel=1e-3)
    assert not _of(table, "noise_figure")["measured"].notna().any()


def test_without_cascades_stages_or_the_right_load_there_is_no_table(make_night: MakeNight) -> None:
    """Nothing is filled in: a run of one channel, or of a load that is no input resistance, predicts nothing."""
    frames, _ = make_night(temperature_c=(25.0,), gain_code=(0,))
    one_channel, _ = make_night(temperature_c=(25.0,), gain_code=(0,), channel=("A",))
    other_load, _ = make_night(temperature_c=(25.0,), gain_code=(0,), load_ohm=(50.0,))

    for run in (frames, _with(one_channel, A_INTO_B), _with(other_load, A_INTO_B)):
        pd.testing.assert_frame_equal(summarise(run).cascades, no_cascades())


def test_many_stages_are_taken_at_one_code(make_night: MakeNight) -> None:
    """Six codes in five stages are 7,776 combinations, above the most that are listed: six remain."""
    frames, _ = make_night(temperature_c=(25.0,))
    five = {"name": "five", "stages": ("A", "B", "A", "B", "A")}
    found = _of(summarise(_with(frames, five)).cascades, "gain")

    assert MOST_COMBINATIONS < 6**5
    assert len(found) == 6
    assert (found["gain_code_5"] == found["gain_code_1"]).all()


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"stages": ("A", "C")}, "'C' is not one of"),
        ({"name": "A"}, "stage of itself"),
        ({"loss_db": (1.0, 2.0)}, "one for each gap"),
        ({"loss_db": (-1.0,)}, "from 0 up"),
        ({"noise_figure_db": (1.0, 2.0, 3.0)}, "one for each stage"),
        ({"measured": ({"gain_codes": (0,), "gain_db": 1.0, "uncertainty_db": 0.1},)}, "must be 2"),
        ({"measured": ({"gain_codes": (0, 1), "uncertainty_db": 0.1},)}, "give one at least"),
        ({"measured": ({"gain_codes": (0, 77), "gain_db": 1.0, "uncertainty_db": 0.1},)}, "gain code that the part"),
        (
            {"measured": ({"gain_codes": (0, 1), "gain_db": 1.0, "uncertainty_db": 0.1, "where": {"channel": "A"}},)},
            "nothing else can be asked",
        ),
    ],
)
def test_a_cascade_that_cannot_be_is_refused(make_night: MakeNight, change: dict[str, Any], complaint: str) -> None:
    """By the part file's own rules, before any run."""
    frames, _ = make_night(temperature_c=(25.0,), gain_code=(0,))
    raw = frames.part.model_dump() | {"cascade": (A_INTO_B | change,)}

    with pytest.raises(ValidationError, match=complaint):
        Part.model_validate(raw)
