"""Several units together: what is pooled, and what is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from reports.frames import RunFrames
from reports.pooled import COLUMNS, pool
from reports.summary import Report, summarise
from reports.table_csv import pooled_csv
from reports.unit_statistics import two_sided_factor

MakeNight = Callable[..., tuple[RunFrames, object]]

LIMITS = (
    {"characteristic": "supply_current", "unit": "mA", "max": 230.0, "where": {"temperature_c": 25.0}},
    {"characteristic": "gain", "unit": "dB", "min": 23.0, "max": 25.0, "where": {"gain_code": 0}},
)


@pytest.fixture(scope="module")
def known() -> dict[tuple[int, float], Report]:
    """Reports that a test of this module has had already, by the unit's number and shift."""
    return {}


@pytest.fixture
def units(make_night: MakeNight, known: dict[tuple[int, float], Report]) -> Callable[..., list[Report]]:
    """Reports of units whose supply currents are shifted by the given mA, one unit for each."""

    def one(number: int, shift_ma: float) -> Report:
        frames, _ = make_night(size=0.0, limits=LIMITS)
        is_current = frames.readings["quantity"] == "supply_current_a"
        frames.readings.loc[is_current, "value"] += shift_ma / 1e3
        facts = replace(frames.facts, unit=f"VG2-{number:04d}", run=f"run-{number}")
        return summarise(replace(frames, facts=facts))

    def make(*shifts_ma: float) -> list[Report]:
        for key in enumerate(shifts_ma, start=1):
            if key not in known:
                known[key] = one(*key)
        return [known[key] for key in enumerate(shifts_ma, start=1)]

    return make


def test_units_are_pooled_at_each_limits_conditions_in_its_unit(units: Callable[..., list[Report]]) -> None:
    """200 mA and −3, 0, +3 mA: mean 200, deviation 3, Cpk 30/9 against 230 mA; 12 conditions at 25 °C."""
    pooled = pool(units(-3.0, 0.0, 3.0))
    current = pooled[pooled["limit"] == 1]

    assert tuple(pooled.columns) == COLUMNS
    assert len(current) == 12
    assert set(current["temperature_c"]) == {25.0}
    for column, value in (("units", 3), ("mean", 200.0), ("standard_deviation", 3.0), ("lowest", 197.0)):
        np.testing.assert_allclose(current[column].astype(float), value, rtol=1e-9)
    np.testing.assert_allclose(current["cpk"].astype(float), 30.0 / 9.0, rtol=1e-9)
    np.testing.assert_allclose(current["tolerance_factor"].astype(float), two_sided_factor(3, 0.95, 0.95))
    assert set(pooled[pooled["limit"] == 2]["gain_code"]) == {0}


def test_an_outlying_unit_is_named(units: Callable[..., list[Report]]) -> None:
    """Seven units within 0.2 mA and one 10 mA off."""
    shifts = (0.0, 0.1, -0.1, 0.2, -0.2, 0.05, -0.05, 10.0)
    reports = units(*shifts)
    pooled = pool(reports)

    assert set(pooled[pooled["limit"] == 1]["outlier"]) == {"VG2-0008"}
    assert set(pool(reports[:-1]).query("limit == 1")["outlier"]) == {""}


def test_two_runs_of_one_unit_count_once(units: Callable[..., list[Report]]) -> None:
    """Runs at 199 and 201 mA of one unit are 200 mA of it; the other unit's is 206 mA."""
    first, again, other = units(-1.0, 1.0, 6.0)
    again = replace(again, facts=replace(again.facts, unit=first.facts.unit))
    row = pool([first, again, other]).iloc[0]

    assert row["units"] == 2
    assert (row["lowest"], row["highest"]) == pytest.approx((200.0, 206.0))


def test_a_bounded_value_is_not_pooled(units: Callable[..., list[Report]]) -> None:
    """A unit whose gain at one condition is only "at least" leaves too few units there."""
    first, second = units(0.0, 1.0)
    table = second.characteristics.copy()
    table.loc[(table["characteristic"] == "gain") & (table["condition"] == 0), "bound"] = 1
    before, after = (pool([first, one]) for one in (second, replace(second, characteristics=table)))

    assert len(after) == len(before) - 1


def test_units_of_another_part_are_left_out(units: Callable[..., list[Report]]) -> None:
    """Limits of one part say nothing on another."""
    first, second = units(0.0, 1.0)
    facts = second.part.part.model_copy(update={"name": "OTHER-1"})
    stranger = replace(second, part=second.part.model_copy(update={"part": facts}))

    assert pool([first, stranger]).empty


def test_the_table_as_text_leaves_blank_what_is_not_there(units: Callable[..., list[Report]]) -> None:
    """No min for the current, no Cpk without spread: blank, neither nan nor None."""
    lines = pooled_csv(pool(units(0.0, 0.0))).splitlines()

    assert lines[0].split(",") == list(COLUMNS)
    first = dict(zip(COLUMNS, lines[1].split(","), strict=True))
    assert (first["min"], first["max"], first["cpk"], first["outlier"]) == ("", "230.0", "", "")
