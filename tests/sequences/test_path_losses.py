"""Path losses: interpolation, refusal beyond the table, one entry for each path."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequences.errors import FileFaults, NotCovered, NotServed, PathLossError
from sequences.path_entries import LossTable, PathLossEntry
from sequences.path_losses import PathLosses

TABLE = LossTable(frequency_hz=(10e6, 30e6, 60e6), loss_db=(9.0, 9.4, 9.1))


def _entry(path: str, loss: object = 1.0, **more: object) -> PathLossEntry:
    return PathLossEntry.model_validate({"path": path, "loss_db": loss, "uncertainty_db": 0.06, **more})


def _losses() -> PathLosses:
    return PathLosses(
        [
            _entry("input", 7.0),
            _entry("output", TABLE, channel="A", load_ohm=200.0),
            _entry("output", 11.0, channel="B", load_ohm=200.0, uncertainty_db=0.1),
        ]
    )


@given(frequency_hz=st.floats(10e6, 60e6))
def test_between_two_points_the_loss_is_linear_in_db(frequency_hz: float) -> None:
    """Checked against the two-point formula, worked out here apart from numpy."""
    low, high, before, after = (10e6, 30e6, 9.0, 9.4) if frequency_hz <= 30e6 else (30e6, 60e6, 9.4, 9.1)
    expected = before + (after - before) * (frequency_hz - low) / (high - low)

    assert _losses().loss_db("output", "A", 200.0, frequency_hz) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("frequency_hz", [9.999e6, 60.001e6, math.nan, math.inf])
def test_a_frequency_beyond_the_table_is_refused_with_its_facts(frequency_hz: float) -> None:
    """The error names path, channel, load, frequency and range; nothing is extrapolated."""
    with pytest.raises(
        NotCovered, match=r"output path, channel A, 200 Ω: .* MHz is outside its table, 10 … 60 MHz"
    ) as e:
        _losses().loss_db("output", "A", 200.0, frequency_hz)

    assert (e.value.path, e.value.channel, e.value.load_ohm) == ("output", "A", 200.0)
    assert (e.value.lowest_hz, e.value.highest_hz) == (10e6, 60e6)


def test_one_bad_row_of_many_is_refused() -> None:
    """The vectorised way refuses as the scalar one does, and names the row's own values."""
    with pytest.raises(NotCovered) as caught:
        _losses().losses_db("output", ["B", "A", "A"], [200.0, 200.0, 200.0], [1e9, 20e6, 61e6])

    assert (caught.value.channel, caught.value.frequency_hz) == ("A", 61e6)


def test_a_plain_number_holds_at_every_frequency() -> None:
    """A loss without a table has no range."""
    losses = _losses()

    assert losses.loss_db("input", "A", 100.0, 5e9) == 7.0
    assert losses.covered_hz("input", "A", 100.0) == (0.0, math.inf)


def test_a_path_that_no_entry_serves_is_refused() -> None:
    """No entry for 400 Ω."""
    with pytest.raises(NotServed, match="400 Ω: no path_loss entries hold"):
        _losses().loss_db("output", "A", 400.0, 20e6)


def test_a_path_that_two_entries_serve_is_refused() -> None:
    """A general entry does not give way to a special one: which of the two is right must not be guessed."""
    losses = PathLosses([_entry("input"), _entry("input", channel="A")])

    with pytest.raises(NotServed, match="2 path_loss entries") as caught:
        losses.entry_index("input", ["B", "A"], [200.0, 200.0])
    assert (caught.value.channel, caught.value.count) == ("A", 2)


@given(rows=st.lists(st.tuples(st.sampled_from("AB"), st.floats(10e6, 60e6)), max_size=30))
def test_rows_agree_with_the_scalar_way(rows: list[tuple[str, float]]) -> None:
    """losses_db, standard_uncertainties_db and entry_index say for each row what the scalar methods say."""
    losses = _losses()
    channels, hertz = [row[0] for row in rows], [row[1] for row in rows]
    loads = [200.0] * len(rows)

    assert losses.losses_db("output", channels, loads, hertz).tolist() == [
        losses.loss_db("output", channel, 200.0, at) for channel, at in rows
    ]
    assert losses.standard_uncertainties_db("output", channels, loads).tolist() == [
        losses.standard_uncertainty_db("output", channel, 200.0) for channel in channels
    ]
    assert losses.entry_index("output", channels, loads).tolist() == [1 if c == "A" else 2 for c in channels]


def test_the_standard_uncertainty_is_half_of_the_expanded_one() -> None:
    """k = 2: JCGM 100:2008, 4.3.3, gives the standard uncertainty as the stated one over its factor."""
    assert _losses().standard_uncertainty_db("output", "B", 200.0) == 0.05
    assert _losses().entry_uncertainties_db.tolist() == [0.03, 0.03, 0.05]


def test_a_touchstone_two_port_gives_the_loss_of_its_s21() -> None:
    """|S21| of −7 dB is a loss of 7 dB; frequency in the unit of the option line (Touchstone 1.1, IBIS Open Forum)."""
    text = "! pad\n# MHz S DB R 50\n10 -20 0 -7 0 -6 0 -20 0\n20 -20 0 -8 90 -6 0 -20 0\n"
    entry = _entry("input", None, touchstone="pad.s2p")

    losses = PathLosses([entry], {"pad.s2p": text})

    assert losses.loss_db("input", "A", 200.0, 15e6) == pytest.approx(7.5, abs=1e-9)
    assert losses.covered_hz("input", "A", 200.0) == (10e6, 20e6)


@pytest.mark.parametrize(
    ("name", "texts", "why"),
    [
        ("pad.s2p", {}, "text of this Touchstone file is missing"),
        ("pad.s2p", {"pad.s2p": "no numbers at all"}, "not a Touchstone two-port|two or more points"),
        ("pad.s2p", {"pad.s2p": ""}, "not a Touchstone two-port|two or more points"),
        ("pad.s2p", {"pad.s2p": "# MHz S DB R 50\n10 0 0 -7 0 -7 0 0 0\n"}, "two or more points"),
        ("pad.s2p", {"pad.s2p": "# MHz S RI R 50\n1 0 0 0 0 0 0 0 0\n2 0 0 0 0 0 0 0 0\n"}, "S21 is zero"),
        ("pad.s1p", {"pad.s1p": "# MHz S DB R 50\n10 0 0\n"}, "two-port"),
    ],
)
def test_a_bad_touchstone_text_is_a_fault_of_that_file(name: str, texts: dict[str, str], why: str) -> None:
    """Missing, garbled, too short, without transmission or with one port only."""
    with pytest.raises(FileFaults, match=why) as caught:
        PathLosses([_entry("input", None, touchstone=name)], texts)

    assert caught.value.faults[0].file == name


@pytest.mark.parametrize(
    "error",
    [NotServed("input", "A", 200.0, 2), NotCovered("output", "B", 100.0, 1e9, 1e6, 2e6)],
)
def test_errors_of_paths_survive_pickling(error: PathLossError) -> None:
    """An error may cross a process border, to the guard or a test worker."""
    again = pickle.loads(pickle.dumps(error))

    assert (type(again), str(again)) == (type(error), str(error))


def test_ten_thousand_rows_come_from_a_dozen_lookups() -> None:
    """Which entry serves a path is looked up once for each path, not for each row."""
    losses = _losses()
    channels = np.array(["A", "B"] * 5000, dtype=object)

    index = losses.entry_index("output", channels, np.full(10_000, 200.0))

    assert index.shape == (10_000,)
    assert set(index.tolist()) == {1, 2}
