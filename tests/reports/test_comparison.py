"""Runs held against each other: what is subtracted, with what uncertainty, what is called E_n, and what is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from compared_nights import PATH, as_run, named, night, with_serials, with_wrong_path
from reports.comparison import AGREES, COMPATIBLE, CONTRADICTS, Comparison, Pair, compare
from reports.comparison_words import kind_text, sharing_text, suspect_text, tally_text, verdict_text
from reports.derive import Characteristic, derive
from reports.errors import CannotCompare
from reports.frames import AXES, RunFrames
from reports.shared_draws import OF_BENCH, SharedDraws
from reports.uncertainty import Cause, Uncertain

#: Causes of what a run alone knows: noise, scatter, soaks, phases. Another run has others.
OF_RUN = {
    "noise in the reading", "scatter of repeated levels", "analyzer distortion", "source products", "residual product",
    "slope over temperature", "bend over temperature", "unit off its temperature", "temperature during a soak",
    "interpolation between levels", "current meter noise", "power meter reading", "room temperature",
}  # fmt: skip


def pair_of(first: RunFrames, second: RunFrames, *words: str) -> Pair:
    return compare([first, second], words).pairs[0]


@pytest.fixture(scope="module")
def nimbus() -> RunFrames:
    return night(1)


@pytest.fixture(scope="module")
def cirrus() -> RunFrames:
    return night(2, bench="Cirrus")


@pytest.fixture(scope="module")
def benches(nimbus: RunFrames, cirrus: RunFrames) -> Pair:
    return pair_of(nimbus, cirrus)


def test_two_benches_that_share_nothing_give_the_score_of_the_standard(benches: Pair) -> None:
    """E_n = (x − X) / √(U²(x) + U²(X)) from the values and U of both runs, k = 2, wherever settings count for nothing.

    No published worked example was at hand; the right side is the definition of ISO 13528 (from memory, not seen).
    """
    rows = benches.compared
    rows = rows[rows["characteristic"].isin(["gain", "gain_match"])]
    own = (rows[name].to_numpy(dtype=np.float64) for name in ("value_1", "value_2", "expanded_1", "expanded_2"))
    first, second, u_first, u_second = own
    by_definition = (second - first) / np.sqrt(u_first**2 + u_second**2)

    assert benches.kind == "benches"
    assert benches.sharing.common == ()
    assert len(rows) == 12
    assert rows["e_n"].to_numpy() == pytest.approx(by_definition, rel=1e-4)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [((10.0, 0.3), (10.4, 0.4), 0.8), ((10.0, 0.3), (9.0, 0.4), -2.0), ((5.0, 0.6), (5.0, 0.8), 0.0)],
)
def test_a_score_by_hand(first: tuple[float, float], second: tuple[float, float], expected: float) -> None:
    """3-4-5 triangles of U, computed by hand from the definition: 0.4 / 0.5, −1.0 / 0.5, 0 / 1."""
    ours, theirs = (
        Uncertain.of(np.array([x]), {"own": Cause.of(u / 2, number, rows=1)})
        for number, (x, u) in enumerate((first, second))
    )
    gap = theirs - ours

    assert (gap.value / gap.expanded())[0] == pytest.approx(expected)


def test_the_order_of_two_runs_turns_the_sign_and_nothing_else(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """Differences and scores change sign, their size, U and verdicts stay."""
    keys = ["characteristic", *AXES]
    words = ("gain", "im3", "hd3", "supply_current")
    turned = pair_of(cirrus, nimbus, *words).table.set_index(keys).sort_index()
    straight = pair_of(nimbus, cirrus, *words).table.set_index(keys).sort_index()
    alike = straight.index.get_level_values("characteristic") != "supply_current"

    np.testing.assert_array_equal(straight["difference"], -turned["difference"])
    np.testing.assert_allclose(straight["expanded"][alike], turned["expanded"][alike], rtol=1e-9)
    # What the supplies' settings may do is taken from the first run's value.
    np.testing.assert_allclose(straight["expanded"], turned["expanded"], rtol=0.01)
    assert (straight["verdict"] == turned["verdict"]).all()


def test_the_order_of_conditions_makes_no_difference(benches: Pair, nimbus: RunFrames, cirrus: RunFrames) -> None:
    """Conditions are joined by their axes, not by their numbers."""
    mixed = replace(cirrus, conditions=cirrus.conditions.iloc[::-1])
    keys = ["characteristic", *AXES]
    expected, found = (one.table.set_index(keys).sort_index() for one in (benches, pair_of(nimbus, mixed)))

    np.testing.assert_allclose(found["difference"], expected["difference"], rtol=1e-9, atol=1e-12)
    assert (found["condition_2"] == expected["condition_2"]).all()


def test_a_run_derived_again_differs_from_itself_by_nothing(nimbus: RunFrames) -> None:
    """The same readings under another id: every difference is 0, and U holds what is of each run alone."""
    pair = pair_of(nimbus, as_run(nimbus, "again"))

    assert pair.kind == "repeat"
    assert (pair.compared["difference"] == 0).all()
    assert pair.table["e_n"].isna().all()
    assert set(pair.table["verdict"]) <= {AGREES, COMPATIBLE}
    assert "no E_n" in kind_text(pair)


def test_of_two_units_at_one_bench_the_bench_cancels(nimbus: RunFrames) -> None:
    """U of a difference of gains is far below U of either gain, and no E_n is given."""
    pair = pair_of(nimbus, night(1, unit="VG2-0002"), "gain", "oip3")
    gains = pair.table[pair.table["characteristic"] == "gain"]

    assert pair.kind == "units"
    assert (gains["expanded"] < 0.2 * gains["expanded_1"]).all()
    assert pair.table["e_n"].isna().all()
    assert not pair.beyond_chance
    assert "same" in sharing_text(pair)


def test_what_two_units_differ_by_is_laid_upon_no_instrument(nimbus: RunFrames) -> None:
    """A unit of which every gain is 0.3 dB higher has no wrong path: a cause is sought between benches only."""
    pair = pair_of(nimbus, with_wrong_path(night(1, unit="VG2-0002"), 0.3))

    assert pair.kind == "units"
    assert (pair.compared["ratio"].abs() > 1).any()
    assert pair.suspects == ()
    assert "no cause is sought" in kind_text(pair)
    assert "each time that a unit is put in is in no U" in kind_text(pair)


def test_an_instrument_that_was_exchanged_counts_and_the_others_cancel(nimbus: RunFrames) -> None:
    """Another analyzer at the same bench: U of a gain's difference is that of two analyzers and no more."""
    repaired = as_run(with_serials(nimbus, {"analyzer": "NS-999"}), "after")
    pair = pair_of(nimbus, repaired, "gain")
    both, own = pair.table["expanded"], np.hypot(pair.table["expanded_1"], pair.table["expanded_2"])
    gain = derive(nimbus)["gain"].result
    of_analyzer = [cause for name, cause in gain.causes.items() if name.startswith(("analyzer", "noise"))]
    expected = 2 * np.sqrt(2 * sum(cause.variance for cause in of_analyzer))

    assert pair.kind == "benches"
    assert pair.sharing.apart == ("analyzer",)
    assert "before and after" in kind_text(pair)
    assert (both < own).all()
    assert sorted(both) == pytest.approx(sorted(expected), rel=1e-3)


@pytest.mark.parametrize("change", ["calibrated", "no serial, other bench"])
def test_an_instrument_that_may_have_changed_is_not_taken_for_the_same(nimbus: RunFrames, change: str) -> None:
    """One that is due on another day has been adjusted; one without a number is known by its bench alone."""
    before, after = nimbus, as_run(nimbus, "after")
    if change == "calibrated":
        instruments = nimbus.instruments.assign(calibration_due="2031-01-01")
        after = replace(after, instruments=instruments)
    else:
        before = replace(before, instruments=nimbus.instruments.assign(serial="0"))
        after = named(replace(after, instruments=before.instruments), "Cirrus")

    assert "analyzer" in SharedDraws([before, after]).told(0, 1).apart


def test_a_path_that_was_measured_again_is_another_draw(nimbus: RunFrames) -> None:
    """One output path with another loss: it alone is told apart, and only its conditions differ."""
    pair = pair_of(nimbus, as_run(with_wrong_path(nimbus, 0.3), "after"), "gain")
    on_path = (pair.table["channel"] == "A") & (pair.table["load_ohm"] == 200)

    assert pair.sharing.apart == (PATH,)
    assert pair.table["difference"][on_path].to_numpy() == pytest.approx(0.3)
    assert pair.table["difference"][~on_path].to_numpy() == pytest.approx(0.0)
    assert (pair.table["e_n"][on_path] > 1).all()
    assert pair.beyond_chance


def test_a_wrong_path_is_the_first_line_and_is_named(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """0.3 dB in one path of one of two benches with all their errors: path, size and bench are told."""
    pair = pair_of(nimbus, with_wrong_path(cirrus, 0.3))
    first = pair.suspects[0]

    assert pair.draw_words[first.draw] == f"{PATH}: loss"
    assert first.effects[0].characteristic == "gain"
    assert abs(first.effects[0].shift - 0.3) < first.effects[0].expanded
    assert first.score > 1
    assert suspect_text(pair, first).startswith("Output path, channel A, 200 Ω: loss. Voltage gain reads 0.")
    assert "higher at bench Cirrus" in suspect_text(pair, first)


def test_sound_benches_agree_within_chance(benches: Pair, nimbus: RunFrames, cirrus: RunFrames) -> None:
    """These two, drawn from what their files declare, differ by no more than that."""
    assert not benches.beyond_chance
    assert verdict_text(compare([nimbus, cirrus])) == "Benches agree within chance"
    assert "where about 95 % are to be expected" in tally_text(benches)


def test_a_mean_does_not_gain_from_conditions_that_share_an_error(benches: Pair) -> None:
    """U of the mean gain behind one path is hardly below that of one condition, though two went into it."""
    groups = benches.groups[
        (benches.groups["characteristic"] == "gain") & (benches.groups["by"] == "channel, load_ohm")
    ]
    single = benches.table[benches.table["characteristic"] == "gain"]["expanded"]

    assert len(groups) == 4
    assert (groups["expanded"] > 0.9 * single.min()).all()


@given(
    shared=st.lists(st.floats(-2, 2), min_size=3, max_size=3),
    own=st.lists(st.floats(0.01, 2), min_size=4, max_size=4),
)
def test_a_difference_has_the_uncertainty_that_an_independent_library_gives(
    shared: list[float], own: list[float]
) -> None:
    """Two values with a common error of unlike weight each, and own ones: ``uncertainties`` as an oracle."""
    common, extra = ufloat(0, 1), [ufloat(0, u) for u in own]
    x, y = 1 + shared[0] * common + extra[0] + extra[1], 2 + shared[1] * common + extra[2]
    causes = [
        {"common": Cause.of(shared[0], rows=1), "a": Cause.of(own[0], rows=1), "b": Cause.of(own[1], rows=1)},
        {"common": Cause.of(shared[1], rows=1), "a": Cause.of(own[2], 1, rows=1)},
    ]
    ours, theirs = (Uncertain.of(np.array([value]), one) for value, one in zip((1.0, 2.0), causes, strict=True))
    gap = theirs - ours

    assert gap.standard[0] == pytest.approx((y - x).std_dev, rel=1e-9)


def test_bounds_are_not_subtracted(monkeypatch: pytest.MonkeyPatch, nimbus: RunFrames, cirrus: RunFrames) -> None:
    """≥ 45 against 41 ± 1 contradicts; ≥ 45 against 46 agrees; ≥ 45 against ≤ 44 contradicts, against ≥ 50 agrees."""
    from reports import comparison

    given = {
        nimbus.facts.run: [(45, 1), (45, 1), (45, 1), (45, 1)],
        cirrus.facts.run: [(41, 0), (46, 0), (43, -1), (50, 1)],
    }

    def derived(frames: RunFrames) -> object:
        value, bound = np.array(given[frames.facts.run], dtype=np.float64).T
        result = Uncertain(value, {"noise in the reading": Cause.of(0.5, np.arange(4), rows=4)}, bound.astype(np.int8))
        yield "oip3", Characteristic(np.arange(4), result)

    monkeypatch.setattr(comparison, "derive_each", derived)
    pair = pair_of(nimbus, cirrus)
    verdicts = pair.table.sort_values("condition_1")["verdict"].tolist()

    assert verdicts == [CONTRADICTS, COMPATIBLE, CONTRADICTS, COMPATIBLE]
    assert pair.table["difference"].isna().all()
    assert pair.table["verdict"].iloc[0] == CONTRADICTS
    assert pair.beyond_chance
    assert "2 bounds contradict; 2 bounds agree" in tally_text(pair)


def test_conditions_that_one_run_has_alone_are_counted_and_told(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """A run with fewer conditions, one of which is another by the last digit of its load."""
    fewer = cirrus.conditions.iloc[1:].copy()
    fewer.loc[fewer.index[0], "tone_level_dbm"] = np.nextafter(3.0, 4.0)
    readings = cirrus.readings[cirrus.readings["condition"].isin(fewer.index)]
    pair = pair_of(nimbus, replace(cirrus, conditions=fewer, readings=readings), "oip3")

    assert pair.only["run"].value_counts().to_dict() == {1: 2, 2: 1}
    assert len(pair.table) == len(nimbus.conditions) - 2
    assert "2 conditions are in bench Nimbus only; 1 condition is in bench Cirrus only" in tally_text(pair)


def test_further_runs_are_held_against_the_first(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """Three runs make two pairs, and no consensus."""
    comparison = compare([nimbus, cirrus, night(1, unit="VG2-0002")], ["gain"])

    assert [pair.reference.facts.run for pair in comparison.pairs] == [nimbus.facts.run] * 2
    assert [pair.kind for pair in comparison.pairs] == ["benches", "units"]
    assert len({side.label for side in comparison.sides}) == 3


def _other_part(frames: RunFrames) -> RunFrames:
    head = frames.part.part.model_copy(update={"name": "OTHER-1"})
    return replace(frames, part=frames.part.model_copy(update={"part": head}))


def _no_readings(frames: RunFrames) -> RunFrames:
    return replace(frames, readings=frames.readings.iloc[:0])


def _elsewhere(frames: RunFrames) -> RunFrames:
    return replace(frames, conditions=frames.conditions.assign(tone_level_dbm=-7.0))


def _through(frames: RunFrames) -> RunFrames:
    return replace(frames, facts=replace(frames.facts, kind="through"))


@pytest.mark.parametrize(
    ("changed", "text"),
    [
        (lambda frames: night(1), "named twice"),
        (_other_part, "part VIRGA-2, run .* of OTHER-1"),
        (_no_readings, "has no readings"),
        (_elsewhere, "no condition in common"),
        (_through, "compare like with like"),
    ],
)
def test_what_cannot_be_compared_is_refused(
    nimbus: RunFrames, cirrus: RunFrames, changed: Callable[[RunFrames], RunFrames], text: str
) -> None:
    """The message says which runs and why."""
    with pytest.raises(CannotCompare, match=text):
        compare([nimbus, changed(cirrus)])


def test_an_unknown_characteristic_and_a_lone_run_are_refused(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """Both before anything is derived."""
    with pytest.raises(CannotCompare, match="'gian' is not a characteristic; there are oip3"):
        compare([nimbus, cirrus], ["gian"])
    with pytest.raises(CannotCompare, match="two or more"):
        compare([nimbus])


def test_every_cause_is_known_to_be_of_the_bench_or_of_the_run(nimbus: RunFrames) -> None:
    """A new cause must be decided on: taken for a run's own it would not cancel, for the bench's it would."""
    named_ = {name for one in derive(nimbus).values() for name in one.result.causes}
    of_run = {name for name in named_ if name in OF_RUN or name.startswith("scatter of the repeats")}

    assert named_ - of_run <= OF_BENCH
    assert set() == OF_BENCH & OF_RUN


def test_what_else_differs_is_said(nimbus: RunFrames, cirrus: RunFrames) -> None:
    """Another tone spacing makes other products: no uncertainty tells, so the page does."""
    tones = cirrus.sequence.tones.model_copy(update={"spacing_hz": 2e6})
    other = replace(cirrus, sequence=cirrus.sequence.model_copy(update={"tones": tones}))
    comparison: Comparison = compare([nimbus, other], ["supply_current"])

    assert comparison.cautions == ("bench Cirrus was made with another tone spacing than bench Nimbus.",)


def test_every_difference_is_in_the_table_that_leaves() -> None:
    """comparison.csv names both runs and holds bounds in words."""
    from reports.comparison_files import differences

    comparison = compare([night(1), night(2, bench="Cirrus")], ["gain"])
    table: pd.DataFrame = differences(comparison)

    assert table["reference"].unique().tolist() == [night(1).facts.run]
    assert table["run"].unique().tolist() == [night(2, bench="Cirrus").facts.run]
    assert set(table["bound_1"]) == {"measured"}
    assert len(table) == len(comparison.pairs[0].table)
