"""Curves in the store: what was read comes back bit for bit, with its condition or not at all."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import create_engine

from bench.errors import StoreFault
from bench.store import connect
from bench.store.curves import Curve, pack_curve, unpack_curve
from bench.store.migrations import migrate
from bench.store.records import RunRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from reports.frames import CURVE_COLUMNS
from sequences.conditions import expand
from sequences.read_files import demo_file, read_setup

AT = datetime(2026, 11, 2, 19, 0, tzinfo=UTC)
HERTZ = (30e6, 60e6, 90e6)
FLOATS = st.floats(allow_nan=False, allow_infinity=False)


@pytest.fixture
def quick(store: Store) -> RunWriter:
    """A run of the shipped sweep that has its plan."""
    setup = read_setup(demo_file("small-signal.sequence.toml"))
    writer = store.begin_run(RunRecord.of(setup, unit="VG2-0013", operator="", began=AT, tool_version="0.1.0"))
    writer.conditions(expand(setup.sequence.model, setup.part.model, setup.bench.model)[:6])
    return writer


def sweep(scale: float, repeat: int = 0) -> list[Curve]:
    """Four S-parameters that tell each other, the frequency and the repeat apart."""
    names = ("s11", "s21", "s12", "s22")
    return [
        Curve(name, HERTZ, tuple(complex(scale * place, index + repeat) for index in range(3)), repeat)
        for place, name in enumerate(names, start=1)
    ]


@given(st.lists(st.tuples(FLOATS, FLOATS, FLOATS), min_size=1, max_size=20))
def test_a_curve_survives_packing_bit_for_bit(points: list[tuple[float, float, float]]) -> None:
    """Denormal numbers and −0 included."""
    x, y = tuple(one for one, _, _ in points), tuple(complex(real, imag) for _, real, imag in points)
    back_x, back_y = unpack_curve(*pack_curve(Curve("s21", x, y)))

    assert back_x.tobytes() == np.array(x).tobytes()
    assert back_y.tobytes() == np.array(y).tobytes()


def test_curves_come_back_in_the_frames(store: Store, quick: RunWriter) -> None:
    """Long, by condition, repeat and frequency; each S-parameter in its columns."""
    quick.complete_condition(4, AT, {"supply_current_a": 0.2}, curves=sweep(2.0))
    quick.complete_condition(1, AT, {}, curves=[*sweep(3.0), *sweep(5.0, repeat=1)])
    curves = store.frames(quick.run).curves

    assert list(curves.columns) == list(CURVE_COLUMNS)
    assert curves[["condition", "repeat", "frequency_hz"]].to_numpy().tolist() == [
        [number, repeat, hertz] for number, repeat in ((1, 0), (1, 1), (4, 0)) for hertz in HERTZ
    ]
    last = curves[curves["condition"] == 4]
    assert last["s21_re"].tolist() == [4.0, 4.0, 4.0]
    assert last["s21_im"].tolist() == [0.0, 1.0, 2.0]
    assert (last["s11_re"].iloc[0], last["s12_re"].iloc[0], last["s22_re"].iloc[0]) == (2.0, 6.0, 8.0)


def test_a_run_without_curves_has_an_empty_table(store: Store, quick: RunWriter) -> None:
    """With all its columns."""
    quick.complete_condition(0, AT, {"supply_current_a": 0.2})
    curves = store.frames(quick.run).curves

    assert curves.empty
    assert list(curves.columns) == list(CURVE_COLUMNS)


@pytest.mark.parametrize(
    "curve",
    [
        Curve("s21", HERTZ, (1j, 2j)),
        Curve("s21", (), ()),
        Curve("s21", HERTZ, (1j, complex("nan"), 2j)),
        Curve("s21", (30e6, float("inf"), 90e6), (1j, 2j, 3j)),
    ],
)
def test_a_curve_that_is_none_leaves_the_condition_undone(store: Store, quick: RunWriter, curve: Curve) -> None:
    """Lengths that differ, no point, or a value that is not finite: neither readings nor curves are kept."""
    with pytest.raises(StoreFault, match="condition 0: curve s21"):
        quick.complete_condition(0, AT, {"supply_current_a": 0.2}, curves=[curve])

    assert store.done_conditions(quick.run) == set()


def test_the_same_curve_twice_leaves_the_condition_undone(store: Store, quick: RunWriter) -> None:
    """One transaction: what the database refuses takes readings and completion with it."""
    with pytest.raises(StoreFault):
        quick.complete_condition(0, AT, {"supply_current_a": 0.2}, curves=[*sweep(1.0), *sweep(2.0)])

    assert store.done_conditions(quick.run) == set()
    assert store.frames(quick.run).readings.empty


@pytest.mark.parametrize("taken_away", [0, 1])
def test_curves_that_do_not_belong_together_are_a_fault(store: Store, quick: RunWriter, taken_away: int) -> None:
    """One S-parameter missing, or over other frequencies."""
    curves = sweep(1.0)
    curves[0] = Curve("s11", HERTZ[:2], (1j, 2j))
    quick.complete_condition(0, AT, {}, curves=curves[taken_away:])

    with pytest.raises(StoreFault, match="do not belong together"):
        store.frames(quick.run)


def test_a_store_of_the_first_schema_opens_and_takes_curves(
    path: Path, make_record: Callable[..., RunRecord], store_of_first_schema: str
) -> None:
    """Made by revision 0001 alone: its run is still there, and has no curves."""
    with open_store(str(path)) as opened:
        assert [line.id for line in opened.runs()] == [store_of_first_schema]
    database = sqlite3.connect(path)
    assert database.execute("SELECT count(*) FROM curve").fetchone() == (0,)
    database.close()


@pytest.fixture
def store_of_first_schema(path: Path) -> str:
    """A store that only the first revision has made, with a run in it; its id."""
    engine = create_engine(connect.store_url(str(path)))
    with engine.begin() as connection:
        migrate(connection, "0001")
    engine.dispose()
    database = sqlite3.connect(path)
    columns = [row[1] for row in database.execute("PRAGMA table_info(run)")]
    values = {
        "id": "a" * 36,
        "state": "done",
        "began": "2026-11-02 18:30:00.000000",
        "ended": None,
        "attachments": "{}",
    }
    row = [values.get(column, "") for column in columns]
    database.execute(f"INSERT INTO run VALUES ({', '.join('?' * len(row))})", row)
    database.commit()
    database.close()
    return values["id"] or ""
