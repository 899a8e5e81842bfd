"""Lines of a model and points of note, from tables made by hand."""

from __future__ import annotations

import dataclasses
import math

import pandas as pd
import pytest

from reports.chart_parts import Rows
from reports.guides import compression, load_divider, third_order
from reports.summary import Report

PLACE = {
    "channel": "A", "gain_code": 0, "temperature_c": 25.0, "supply_mode": "nominal", "load_ohm": 200.0,
    "tone_level_dbm": 0.0, "frequency_hz": 60e6,
}  # fmt: skip


def _drawn(axis: str, values: dict[float, float], bound: int = 0) -> pd.DataFrame:
    """What a figure draws of one line in one panel: ``values`` by place on ``axis``."""
    rows = [
        PLACE | {axis: x, "x": x, "value": y, "bound": bound, "panel": "one", "line": "code 0"}
        for x, y in values.items()
    ]
    return pd.DataFrame(rows)


def _with(report: Report, word: str, value: float, bound: int = 0) -> Report:
    """A report that holds one value of one characteristic."""
    row = PLACE | {"characteristic": word, "value": value, "bound": bound, "expanded_uncertainty": 0.1}
    return dataclasses.replace(report, characteristics=pd.DataFrame([row]))


def _of_kind(rows: Rows, kind: str) -> list[tuple[float, float]]:
    return [(row["x"], row["y"]) for row in rows if row["kind"] == kind]


def test_products_that_keep_to_the_third_order_lie_on_the_guide(report: Report) -> None:
    """3 dB per dB of the tones is 2 dB per dB against a tone: −90 dBc at 0 dBm is −78 dBc at 6 dBm."""
    table = _drawn("tone_level_dbm", {0.0: -90.0, 3.0: -83.9, 6.0: -77.2})

    assert _of_kind(third_order(_with(report, "im3_knee_level", 9.0), table), "guide") == [(0.0, -90.0), (6.0, -78.0)]


def test_the_knee_stands_one_decibel_above_the_guide(report: Report) -> None:
    """At 5 dBm the guide is at −80 dBc, so the knee is at −79 dBc by its definition; its words name the line."""
    rows = third_order(
        _with(report, "im3_knee_level", 5.0), _drawn("tone_level_dbm", {0.0: -90.0, 3.0: -83.9, 6.0: -77.2})
    )

    assert _of_kind(rows, "mark") == [(5.0, -79.0)]
    assert next(row["text"] for row in rows if row["kind"] == "mark") == "knee 5 dBm, code 0"


def test_a_knee_beyond_the_levels_is_told_as_a_bound(report: Report) -> None:
    """At least 6.2 dBm, measured at the setting 6 dBm: the mark stands at the edge and says what it is."""
    rows = third_order(_with(report, "im3_knee_level", 6.2, 1), _drawn("tone_level_dbm", {0.0: -90.0, 6.0: -78.0}))

    assert _of_kind(rows, "mark") == [(6.0, -77.0)]
    assert next(row["text"] for row in rows if row["kind"] == "mark") == "knee ≥ 6.2 dBm, code 0"


def test_no_guide_starts_at_a_bound(report: Report) -> None:
    """A lowest level whose products are only bounded does not say where the line begins."""
    assert third_order(report, _drawn("tone_level_dbm", {0.0: -90.0, 6.0: -80.0}, bound=-1)) == []


@pytest.mark.parametrize("load_ohm", [100.0, 400.0])
def test_the_divider_is_that_of_voltages(report: Report, load_ohm: float) -> None:
    """1 V behind 10 Ω: V = R/(R + 10 Ω) and P = V²/R, against the 200 Ω load, where the change is 0 dB."""
    rows = load_divider(
        _with(report, "output_resistance", 10.0), _drawn("load_ohm", {100.0: 2.6, 200.0: 0.0, 400.0: -2.8})
    )
    guide = dict(_of_kind(rows, "guide"))
    power = {ohm: (ohm / (ohm + 10)) ** 2 / ohm for ohm in (load_ohm, 200.0)}
    end = min(guide, key=lambda x: abs(x - load_ohm))

    assert end == pytest.approx(load_ohm)
    assert guide[end] == pytest.approx(10 * math.log10(power[load_ohm] / power[200.0]))
    assert guide[min(guide, key=lambda x: abs(x - 200.0))] == pytest.approx(0.0, abs=1e-9)


def test_a_resistance_that_is_only_bounded_draws_no_divider(report: Report) -> None:
    """At most 12 Ω fits no curve."""
    bounded = _with(report, "output_resistance", 12.0, -1)

    assert load_divider(bounded, _drawn("load_ohm", {100.0: 2.6, 200.0: 0.0})) == []


def test_compression_is_judged_one_decibel_below_the_lowest_level(report: Report) -> None:
    """Gain 24.1 dB at the lowest level: the guide is level at 23.1 dB."""
    guide = _of_kind(compression(report, _drawn("tone_level_dbm", {0.0: 24.1, 8.0: 23.6, 14.0: 22.0})), "guide")

    assert [x for x, _ in guide] == [0.0, 14.0]
    assert [y for _, y in guide] == pytest.approx([23.1, 23.1])
