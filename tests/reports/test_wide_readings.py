"""From the long table to one column per quantity."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.errors import ShapeFault
from reports.frames import READINGS
from reports.wide_readings import wide_readings

ROWS = tuple[int, int, str, float]


def _frame(rows: list[ROWS]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["condition", "repeat", "quantity", "value"])
    return frame.astype({"condition": "int64", "repeat": "int64", "value": "float64"})


@given(
    st.dictionaries(
        st.tuples(st.sampled_from([3, 7, 20, 21]), st.just(0), st.sampled_from(sorted(READINGS))),
        st.floats(-200, 200),
        min_size=1,
    ),
    st.booleans(),
)
def test_every_reading_is_found_where_it_belongs(rows: dict[tuple[int, int, str], float], as_category: bool) -> None:
    """Whatever numbers the conditions have and whether or not the column is categorical."""
    conditions = pd.Index([20, 3, 21, 7], name="condition")
    frame = _frame([(*key, value) for key, value in rows.items()])
    wide = wide_readings(conditions, frame.astype({"quantity": "category"}) if as_category else frame)

    for place, condition in enumerate(conditions):
        for quantity in READINGS:
            expected = rows.get((condition, 0, quantity), np.nan)
            np.testing.assert_equal(wide.of(quantity)[place], expected)


def test_levels_are_averaged_as_power_and_currents_as_they_are() -> None:
    """0 and 10 dBm average to 5.5 mW = 7.404 dBm; 0.1 and 0.3 A to 0.2 A."""
    rows: list[ROWS] = [
        (0, 0, "hd2_level_dbm", 0.0),
        (0, 1, "hd2_level_dbm", 10.0),
        (0, 0, "supply_current_a", 0.1),
        (0, 1, "supply_current_a", 0.3),
    ]
    wide = wide_readings(pd.Index([0], name="condition"), _frame(rows))

    assert wide.of("hd2_level_dbm")[0] == pytest.approx(10 * np.log10(5.5))
    assert wide.of("supply_current_a")[0] == pytest.approx(0.2)
    assert wide.spread["supply_current_a"][0] == pytest.approx(np.std([0.1, 0.3], ddof=1) / np.sqrt(2))


def test_a_repeat_that_is_missing_does_not_count() -> None:
    """Two of three repeats average over two, and a condition without any has none."""
    rows: list[ROWS] = [(0, 0, "supply_current_a", 0.1), (0, 2, "supply_current_a", 0.2)]
    wide = wide_readings(pd.Index([0, 1], name="condition"), _frame(rows))

    assert wide.of("supply_current_a")[0] == pytest.approx(0.15)
    assert np.isnan(wide.of("supply_current_a")[1])
    np.testing.assert_array_equal(wide.repeats["supply_current_a"], [2.0, 0.0])


def test_a_reading_that_stands_twice_is_refused() -> None:
    """Two values for one condition, repeat and quantity: the second must not silently replace the first."""
    rows: list[ROWS] = [(0, 0, "supply_current_a", 0.1), (0, 0, "supply_current_a", 0.2)]

    with pytest.raises(ShapeFault, match="stands twice"):
        wide_readings(pd.Index([0], name="condition"), _frame(rows))


@pytest.mark.parametrize("conditions", [[0, 1], []])
def test_a_reading_of_no_condition_is_refused(conditions: list[int]) -> None:
    """A reading whose condition is not complete has no place in the run."""
    with pytest.raises(ShapeFault, match="not in the run"):
        wide_readings(pd.Index(conditions, dtype="int64", name="condition"), _frame([(5, 0, "supply_current_a", 0.1)]))
