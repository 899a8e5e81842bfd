"""A plausible report from closed forms, made without the derivations, so that writers are tested apart from them."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable
from datetime import UTC, date, datetime
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
import pytest

from reports.characteristics import CHARACTERISTICS
from reports.corrections import Corrections, LineUse, PathUse
from reports.decisions import Decision
from reports.frames import AXES, HazardNote, RunFacts
from reports.summary import Budget, LimitResult, Report, where_text
from reports.uncertainty import BudgetLine
from sequences.bench_file import Bench
from sequences.part_file import Limit, Part
from sequences.sequence_file import Sequence
from sequences.values import Matcher

CORRECTIONS = Corrections(
    paths=(
        PathUse("output", "A", 200.0, ((60e6, 11.01), (180e6, 11.22)), 0.06, (1.5, 1.2)),
        PathUse("input", None, None, ((60e6, 7.5),), 0.05, None),
    ),
    lines=(
        LineUse("tone_lower", 1708, 0.0001, 0, None, 0),
        LineUse("im3_lower", 1708, 0.43, 0, 8.1, 0),
        LineUse("hd3", 1708, 2.1, 12, 5.2, 24),
    ),
    board_off_k=0.31,
)

TEMPERATURES_C = (-40.0, -20.0, 0.0, 25.0, 45.0, 65.0, 85.0)
MODES = ("nominal", "low power")
CODES = range(31)
FAULTY_CODE = 17


def _sweep() -> pd.DataFrame:
    rows = []
    for temperature, mode, channel, code in itertools.product(TEMPERATURES_C, MODES, "AB", CODES):
        combinations = [(200.0, 3.0, 60e6)]
        if code % 6 == 0:
            combinations += [(load, 3.0, 60e6) for load in (100.0, 150.0, 400.0)]
        if code % 15 == 0:
            combinations += [(200.0, level, 60e6) for level in (0.0, 6.0)]
            combinations += [(200.0, 3.0, frequency) for frequency in (45e6, 75e6)]
        rows += [(channel, code, temperature, mode, *rest) for rest in combinations]
    frame = pd.DataFrame(rows, columns=pd.Index(AXES))
    frame.index.name = "condition"
    frame["flag"] = pd.Series("", index=frame.index, dtype="str")
    return frame


def _step_error_db(row: Any) -> float:
    error = 0.05 * math.sin(2.1 * row.gain_code + (row.channel == "B"))
    faulty = row.channel == "B" and row.gain_code == FAULTY_CODE and row.temperature_c < 0
    return float(error + (0.42 if faulty else 0.0))


def _current_a(row: Any) -> float:
    nominal_a = 0.2 if row.supply_mode == "nominal" else 0.158
    return float(nominal_a * (1 + 6e-4 * (row.temperature_c - 25)) + 2e-5 * (row.gain_code % 3))


def _oip3_dbm(row: Any) -> float:
    level = 46.5 - 0.09 * row.gain_code - 0.03 * abs(row.temperature_c - 5) - 4.5 * (row.supply_mode != "nominal")
    return float(level - 0.4 * (row.channel == "B") + 5 * math.log10(200 / row.load_ohm))


def _values(row: Any) -> dict[str, tuple[float, float, int]]:
    """Word → value in the unit of the tables, expanded uncertainty, bound."""
    code, warm = row.gain_code, (row.temperature_c - 25) / 60
    cumulative = 0.006 * code + 0.1 * math.sin(0.4 * code) + 0.05 * warm
    current = _current_a(row)
    values = {
        "oip3": (_oip3_dbm(row), 0.55, 0),
        "gain": (24.04 - 0.75 * code - 0.2 * warm, 0.38, 0),
        "hd2": (-74.0 + 0.1 * code - 3 * warm, 1.2, 0),
        "hd3": (-96.0 + 0.2 * code, 1.5, -1 if code < 8 else 0),
        "supply_current": (current, 0.00023, 0),
        "supply_current_drift": ((current / _current_a(row._replace(temperature_c=25.0)) - 1) * 100, 0.013, 0),
    }
    if code > 0:
        values["gain_step_error"] = (_step_error_db(row), 0.031, 0)
        values["cumulative_gain_error"] = (cumulative, 0.06, 0)
    if row.channel == "B":
        values["gain_match"] = (0.12 * math.sin(0.3 * code) - 0.05 * warm, 0.07, 0)
    return values


def _characteristics(conditions: pd.DataFrame) -> pd.DataFrame:
    rows = [
        (word, row.Index, *row[1:-1], value, u / 2, u, math.inf, bound, CHARACTERISTICS[word].unit, row.flag)
        for row in conditions.itertuples()
        for word, (value, u, bound) in _values(row).items()
    ]
    columns = ["characteristic", "condition", *AXES, "value", "standard_uncertainty", "expanded_uncertainty", "dof"]
    return pd.DataFrame(rows, columns=pd.Index([*columns, "bound", "unit", "flag"])).astype({"bound": "int8"})


def _part(modes: tuple[str, ...]) -> Part:
    usual = {"load_ohm": Matcher.parse(200), "frequency_hz": Matcher.parse(60e6), "tone_level_dbm": Matcher.parse(3)}
    nominal = {**usual, "supply_mode": Matcher.parse("nominal"), "gain_code": Matcher.parse({"min": 0, "max": 20})}
    at_25_c = {**nominal, "temperature_c": Matcher.parse(25)}
    limits = (
        Limit(characteristic="oip3", unit="dBm", min=40.0, typical=45.0, where=at_25_c),
        Limit(characteristic="oip3", unit="dBm", min=38.0, where=nominal),
        Limit(characteristic="gain_step_error", unit="dB", min=-0.25, max=0.25, typical=0.0, where=usual),
        Limit(characteristic="supply_current", unit="mA", max=230.0, where={"supply_mode": Matcher.parse("nominal")}),
        Limit(characteristic="hd3", unit="dBc", max=-75.0, where=nominal),
        Limit(characteristic="oip2", unit="dBm", min=70.0, where=nominal),
    )
    text = {
        "part": {"name": "VIRGA-2", "channels": ["A", "B"], "input_resistance_ohm": 200.0, "reference_load_ohm": 200.0},
        "gain_codes": {"codes": [float(code) for code in CODES], "nominal_gain_db": [24 - 0.75 * c for c in CODES]},
        "supply_mode": [
            {"name": name, "supply_v": 5.0, "mode_word": word, "typical_current_a": 0.2, "current_limit_a": 0.3,
             "plausible_current_a": {"min": 0.1, "max": 0.25}}
            for word, name in enumerate(modes)
        ],
        "absolute_maximum": {
            "supply_v": 5.5, "supply_current_a": 0.35, "input_level_dbm": 18.0, "saturated_output_dbm": 20.0,
            "temperature_c": {"min": -55.0, "max": 110.0}, "ramp_k_per_min": 10.0,
        },
        "operating": {"temperature_c": {"min": -40.0, "max": 85.0}, "frequency_hz": {"min": 20e6, "max": 150e6}},
        "limit": limits,
    }  # fmt: skip
    text["part"]["loads_ohm"] = [100.0, 150.0, 200.0, 400.0]  # type: ignore[index]  # a literal of mixed tables
    return Part.model_validate(text, strict=False)


def _bench() -> Bench:
    return Bench.model_validate(
        {
            "bench": {"name": "Nimbus", "visa_library": "@sim", "clock": "simulated"},
            "instrument": {
                "current_meter": {
                    "resource": "TCPIP0::meter.nimbus.example::5025::SOCKET",
                    "accuracy": {"offset_a": 2e-5, "gain": 5e-4},
                    "calibration_due": date(2026, 8, 31),
                }
            },
            "fixture": {"temperature_c": {"min": -50.0, "max": 105.0}, "time_constant_s": 180.0},
        },
        strict=False,
    )


def _sequence() -> Sequence:
    return Sequence.model_validate(
        {
            "sequence": {"name": "overnight", "part": "virga-2.part.toml"},
            "axes": {"tone_level_dbm": [0, 3, 6], "frequency_hz": [45e6, 60e6, 75e6]},
            "tones": {"spacing_hz": 1e6},
        },
        strict=False,
    )


def _result(limit: Limit, table: pd.DataFrame) -> LimitResult:
    rows = table[table["characteristic"] == limit.characteristic]
    for axis, matcher in limit.where.items():
        rows = rows[rows[axis].map(matcher.matches).astype(bool)]
    untested = LimitResult(
        characteristic=limit.characteristic, unit=limit.unit, where=where_text(limit.where), min=limit.min,
        max=limit.max, typical=limit.typical, worst_value=None, worst_bound=0, expanded_uncertainty=None, margin=None,
        decision="not tested", worst_condition={}, worst_number=-1, conditions=0, bounded=0, undecided=0,
        rule=limit.rule, guard_band_factor=1.0, conformity_probability=None,
    )  # fmt: skip
    if rows.empty:
        return untested
    factor = 1e3 if limit.unit == "mA" else 1.0
    values = rows["value"].to_numpy() * factor
    below = values - (-math.inf if limit.min is None else limit.min)
    margins = np.minimum(below, (math.inf if limit.max is None else limit.max) - values)
    place = int(margins.argmin())
    worst, margin = rows.iloc[place], float(margins[place])
    expanded = float(worst["expanded_uncertainty"]) * factor
    decided: tuple[Decision, Decision] = (
        "pass" if margin >= expanded else "conditional pass",
        "conditional fail" if margin >= -expanded else "fail",
    )
    return dataclasses.replace(
        untested,
        worst_value=float(values[place]),
        worst_bound=int(worst["bound"]),
        expanded_uncertainty=expanded,
        margin=margin,
        decision=decided[margin < 0],
        worst_condition={axis: worst[axis] for axis in AXES},
        worst_number=int(worst["condition"]),
        conformity_probability=NormalDist().cdf(2 * margin / expanded),
        conditions=len(rows),
        bounded=int((rows["bound"] != 0).sum()),
    )


def _budgets(table: pd.DataFrame) -> tuple[Budget, ...]:
    budgets = []
    for word, rows in table.groupby("characteristic"):
        row = rows.iloc[0]
        u = float(row["standard_uncertainty"])
        lines = (
            BudgetLine("analyzer scale", "B", "rectangular", 0.8 * u, math.inf, "analyzer: scale", u, "", -0.8),
            BudgetLine("noise", "A", "normal", 0.6 * u, 15.0, "noise, condition 1", 1.2 * u, "", 0.5),
        )
        condition = {axis: row[axis] for axis in AXES}
        value, expanded = float(row["value"]), float(row["expanded_uncertainty"])
        number = int(row["condition"])
        budgets.append(
            Budget(
                str(word), str(row["unit"]), condition, number, value, u, math.inf, expanded, int(row["bound"]), lines
            )
        )
    return tuple(budgets)


def _report(
    unit: str = "VG2-0013",
    operator: str = "R. Reed",
    conditions: pd.DataFrame | None = None,
    modes: tuple[str, ...] = MODES,
) -> Report:
    """A whole report; other ``conditions`` give a smaller one."""
    conditions = _sweep() if conditions is None else conditions
    part, table = _part(modes), _characteristics(conditions)
    kinds = {"source_1_level_dbm": 4.25, "supply_current_a": 0.2003}
    readings = pd.DataFrame(
        [(number, 0, kind, value) for number in conditions.index for kind, value in kinds.items()],
        columns=pd.Index(["condition", "repeat", "quantity", "value"]),
    ).astype({"quantity": "category"})
    began = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
    instruments = pd.DataFrame(
        [
            ("tone_1", "TCPIP0::tone-1.nimbus.example::5025::SOCKET", "Example", "TS-1", "NS-101", "1.0", "2027-05-31"),
            ("current_meter", "TCPIP0::m.nimbus.example::5025::SOCKET", "Example", "M-4", "NS-404", "2", "2026-08-31"),
            ("chamber", "TCPIP0::chamber.nimbus.example::5025::SOCKET", "Example", "C-5", "NS-500", "1.0", ""),
        ],
        columns=pd.Index(["place", "resource", "maker", "model", "serial", "firmware", "calibration_due"]),
    )  # fmt: skip
    events = pd.DataFrame(
        [(began, "run began", "overnight"), (began.replace(hour=23), "soak extended", "−40 °C, 4 min more")],
        columns=pd.Index(["at", "kind", "text"]),
    )
    hazard = HazardNote(
        "high", "Hot unit", "85 °C in the chamber", "burns", "let it cool to 40 °C", "IEC 61010-1, 10.1"
    )
    run, ended = "3f2c9a10-0000-4000-8000-000000000001", began.replace(day=3, hour=3)
    facts = RunFacts(run, unit, operator, "done", began, ended, "0.1.0", len(conditions))
    limits = tuple(_result(limit, table) for limit in part.limit)
    return Report(
        facts=facts,
        part=part,
        bench=_bench(),
        sequence=_sequence(),
        decision="fail" if any(limit.decision == "fail" for limit in limits) else "pass",
        limits=limits,
        characteristics=table,
        readings=readings,
        conditions=conditions,
        instruments=instruments,
        events=events,
        hazards=(hazard,),
        budgets=_budgets(table),
        coverage_statement="U is the expanded uncertainty with k = 2, about 95.45 %.",
        caveats=("U does not hold unless these errors are negligible: tone_1.accuracy.level_db.",),
        corrections=CORRECTIONS,
    )  # fmt: skip


@pytest.fixture(scope="session")
def report() -> Report:
    return _report()


@pytest.fixture(scope="session")
def sweep() -> pd.DataFrame:
    return _sweep()


@pytest.fixture(scope="session")
def make_report() -> Callable[..., Report]:
    return _report
