"""The report of a run: limits, worst conditions, budgets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Protocol

import numpy as np
import pytest
from numpy.typing import NDArray

from reports.characteristics import CHARACTERISTICS
from reports.decisions import OUTCOMES
from reports.errors import CannotDerive
from reports.frames import RunFrames
from reports.summary import LimitResult, summarise, where_text
from sequences.values import Matcher

FloatArray = NDArray[np.float64]
AT_60_MHZ: dict[str, object] = {"frequency_hz": 60e6, "load_ohm": 200.0}


class MakeNight(Protocol):
    def __call__(
        self,
        seed: int = 0,
        *,
        size: float = 1.0,
        product_setting: tuple[float, float] = (20.0, 100.0),
        limits: tuple[Mapping[str, object], ...] = (),
        **axes: tuple[object, ...],
    ) -> tuple[RunFrames, dict[str, FloatArray]]: ...


def _limit(characteristic: str, unit: str, **rest: object) -> dict[str, object]:
    return {"characteristic": characteristic, "unit": unit, **rest}


def _only(make_night: MakeNight, limit: Mapping[str, object]) -> LimitResult:
    frames, _ = make_night(limits=(limit,))
    return summarise(frames).limits[0]


def test_a_limit_speaks_only_of_the_conditions_it_names(make_night: MakeNight) -> None:
    """Codes 0 to 2 of six, one of three temperatures, both channels: 6 of 36 conditions."""
    where = {"gain_code": {"min": 0, "max": 2}, "temperature_c": 25.0}
    result = _only(make_night, _limit("oip3", "dBm", min=10.0, where=where))

    assert result.conditions == 6
    assert result.decision == "pass"
    assert result.worst_condition["gain_code"] == 2
    assert result.worst_condition["temperature_c"] == 25.0
    assert result.where == "gain code 0 … 2, temperature 25 °C"


def test_the_worst_condition_is_the_one_that_is_truly_worst(make_night: MakeNight) -> None:
    """OIP3 of the invented unit falls by 0.2 dB per code and 0.01 dB per kelvin: worst at code 5 and 85 °C."""
    result = _only(make_night, _limit("oip3", "dBm", min=30.0))

    assert result.worst_condition["gain_code"] == 5
    assert result.worst_condition["temperature_c"] == 85.0
    assert result.worst_value == pytest.approx(45.0 - 1.0 - 0.6, abs=1.0)
    assert result.margin == pytest.approx(float(result.worst_value or 0) - 30.0)


def test_a_limit_in_milliampere_is_held_against_milliampere(make_night: MakeNight) -> None:
    """200 mA · (1 + 4·10⁻⁴ · 60 K) = 204.8 mA at 85 °C, U in mA as well."""
    result = _only(make_night, _limit("supply_current", "mA", max=230.0))

    assert result.unit == "mA"
    assert result.worst_value == pytest.approx(204.8, abs=0.2)
    assert result.expanded_uncertainty == pytest.approx(2 * np.hypot(0.0005 * 204.8, 0.02) / np.sqrt(3), rel=1e-3)


@pytest.mark.parametrize(
    ("high", "decision"),
    [(206.0, "pass"), (204.8, "conditional"), (204.0, "fail"), (100.0, "fail")],
)
def test_a_run_is_as_good_as_its_worst_limit(make_night: MakeNight, high: float, decision: str) -> None:
    """A limit at the true value itself lies within the uncertainty, so the outcome there is one of the conditional."""
    limits = (_limit("supply_current", "mA", max=high), _limit("oip3", "dBm", min=0.0))
    report = summarise(make_night(limits=limits)[0])

    assert decision in report.decision
    assert report.limits[1].decision == "pass"
    ranks = [[*OUTCOMES, "not tested"].index(one.decision) for one in report.limits]
    assert report.decision == OUTCOMES[max(ranks)]


def test_a_limit_without_a_condition_is_not_tested_and_named(make_night: MakeNight) -> None:
    """No condition at 150 Ω: the limit is listed with its words and without numbers, and decides nothing."""
    limits = (_limit("gain", "dB", min=0.0, where={"load_ohm": 150.0}), _limit("oip3", "dBm", min=0.0))
    report = summarise(make_night(limits=limits)[0])
    missing = report.limits[0]

    assert (missing.decision, missing.conditions, missing.worst_number) == ("not tested", 0, -1)
    assert (missing.worst_value, missing.expanded_uncertainty, missing.margin) == (None, None, None)
    assert missing.worst_condition == {}
    assert report.decision == "pass"


def test_bounded_values_are_counted_and_cannot_pass_beyond_what_they_show(make_night: MakeNight) -> None:
    """With products in the noise OIP3 is only "at least": enough for a min of 10 dBm, not for one of 44 dBm."""
    limits = (_limit("oip3", "dBm", min=10.0), _limit("oip3", "dBm", min=44.0), _limit("oip3", "dBm", max=44.0))
    report = summarise(make_night(limits=limits, product_setting=(20.0, 30e3))[0])
    enough, too_little, wrong_side = report.limits

    assert enough.bounded > 0
    assert (enough.decision, enough.undecided) == ("pass", 0)
    assert too_little.undecided > 0
    assert wrong_side.undecided == wrong_side.bounded
    assert wrong_side.decision != "pass"


def test_budgets_are_worked_where_the_limit_is_worst(make_night: MakeNight) -> None:
    """One budget per characteristic, at the worst condition of its limit, complete to the standard uncertainty."""
    frames, _ = make_night(limits=(_limit("oip3", "dBm", min=40.0),))
    report = summarise(frames)
    budgets = {budget.characteristic: budget for budget in report.budgets}

    held = set(report.characteristics["characteristic"])

    assert list(budgets) == [word for word in CHARACTERISTICS if word in held]
    assert budgets["oip3"].number == report.limits[0].worst_number
    assert budgets["oip3"].value == pytest.approx(report.limits[0].worst_value)
    for budget in report.budgets:
        total = np.sqrt(sum(line.contribution**2 for line in budget.lines))
        assert total == pytest.approx(budget.standard_uncertainty, abs=1e-12)
    assert {"analyzer level", "output path loss"} <= {line.cause for line in budgets["oip3"].lines}


def test_numbers_of_the_report_are_plain_python(make_night: MakeNight) -> None:
    """What goes into JSON must not be a NumPy scalar."""
    result = _only(make_night, _limit("gain", "dB", min=0.0))

    assert {type(value) for value in result.worst_condition.values()} <= {str, int, float}
    assert type(result.worst_number) is int
    assert type(result.worst_value) is float
    assert type(result.margin) is float


@pytest.mark.parametrize(
    ("word", "unit", "problem"), [("oip4", "dBm", "not a characteristic"), ("oip3", "mA", "does not fit")]
)
def test_a_limit_that_names_no_characteristic_or_a_wrong_unit_is_refused(
    make_night: MakeNight, word: str, unit: str, problem: str
) -> None:
    """Such a limit would never be tested; saying nothing would look like a pass."""
    with pytest.raises(CannotDerive, match=problem):
        summarise(make_night(limits=(_limit(word, unit, min=0.0),))[0])


def test_a_run_without_limits_is_not_tested_but_reported(make_night: MakeNight) -> None:
    """Characterising a part comes before its limits."""
    report = summarise(make_night()[0])

    assert report.decision == "not tested"
    assert len(report.characteristics) > 0
    assert "95.45 %" in report.coverage_statement


@pytest.mark.parametrize(
    ("axis", "matcher", "text"),
    [
        ("supply_mode", Matcher.parse("low power"), "supply mode low power"),
        ("frequency_hz", Matcher.parse([45e6, 60e6]), "frequency 45 MHz, 60 MHz"),
        ("temperature_c", Matcher.parse({"min": -40}), "temperature from -40 °C"),
        ("tone_level_dbm", Matcher.parse({"max": 6}), "tone level up to 6 dBm"),
        ("load_ohm", Matcher.parse([100, 150, 200, 300, 400]), "load 100 Ω, 150 Ω … 400 Ω"),
    ],
)
def test_conditions_of_a_limit_are_said_with_units(axis: str, matcher: Matcher, text: str) -> None:
    """People read MHz and °C, not 6e+07."""
    assert where_text({axis: matcher}) == text


def test_the_worst_condition_is_never_one_that_decides_nothing(make_night: MakeNight) -> None:
    """A product lost in a very wide bandwidth makes OIP3 at condition 4 "at least 29 dBm": no worse than the others,
    only unknown. The limit passes on the rest, and says by "conditional" and a count that it is not the whole.
    """
    frames, _ = make_night(limits=(_limit("oip3", "dBm", min=40.0),))
    at_4 = frames.readings["condition"] == 4
    for quantity, value in (("im3_lower_level_dbm", -60.0), ("im3_lower_bandwidth_hz", 1e8)):
        frames.readings.loc[at_4 & (frames.readings["quantity"] == quantity), "value"] = value
    result = summarise(frames).limits[0]

    assert (result.bounded, result.undecided) == (1, 1)
    assert result.decision == "conditional pass"
    assert result.worst_number != 4
    assert result.worst_value == pytest.approx(43.4, abs=1.0)


def test_conditions_that_were_skipped_keep_a_pass_conditional(make_night: MakeNight) -> None:
    """The worst condition may be one of them; a limit that does not hold for them is a pass still."""
    frames, _ = make_night(limits=(_limit("gain", "dB", min=-100.0),))
    kept, left_out = frames.conditions.drop(index=0), frames.conditions.loc[[0]].drop(columns="flag")
    readings = frames.readings[frames.readings["condition"] != 0]
    skipped = left_out.assign(reason="no reply (tried 3 times)")
    whole = summarise(replace(frames, conditions=kept, readings=readings)).limits[0]
    lacking = summarise(replace(frames, conditions=kept, readings=readings, skipped=skipped))

    assert (whole.decision, whole.skipped) == ("pass", 0)
    assert (lacking.limits[0].decision, lacking.limits[0].skipped) == ("conditional pass", 1)
    assert lacking.decision == "conditional pass"
