"""Typical values over several units: what counts, what the spread is, and how well the mean is known."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pandas as pd
import pytest
from scipy import stats

from reports.frames import RunFrames
from reports.page_html import page_html
from reports.summary import Report, summarise
from reports.typical_values import TypicalValue, typical_values

MakeNight = Callable[..., tuple[RunFrames, object]]
Units = Callable[..., list[Report]]

LIMITS = (
    {"characteristic": "supply_current", "unit": "mA", "max": 230.0, "where": {"temperature_c": 25.0}},
    {"characteristic": "gain", "unit": "dB", "min": 23.0, "typical": 24.0, "max": 25.0, "where": {"gain_code": 0}},
)


@pytest.fixture
def units(make_night: MakeNight) -> Units:
    """Reports of units whose supply currents are shifted by the given mA, one unit for each."""

    def make(*shifts_ma: float) -> list[Report]:
        reports = []
        for number, shift_ma in enumerate(shifts_ma, start=1):
            frames, _ = make_night(size=0.0, limits=LIMITS)
            is_current = frames.readings["quantity"] == "supply_current_a"
            frames.readings.loc[is_current, "value"] += shift_ma / 1e3
            facts = replace(frames.facts, unit=f"VG2-{number:04d}", run=f"run-{number}")
            reports.append(summarise(replace(frames, facts=facts)))
        return reports

    return make


def _typical(reports: list[Report]) -> tuple[TypicalValue, ...]:
    return typical_values(reports[0].part, reports)


def test_lowest_typical_and_highest_are_of_all_units_in_the_limits_unit(units: Units) -> None:
    """200 mA and −3, 0, +3 mA: 197, 200, 203 mA, spread 3 mA, at the 12 conditions at 25 °C."""
    current, gain = _typical(units(-3.0, 0.0, 3.0))

    assert (current.limit, gain.limit) == (1, 2)
    assert current.units == ("VG2-0001", "VG2-0002", "VG2-0003")
    assert (current.lowest, current.typical, current.highest) == pytest.approx((197.0, 200.0, 203.0))
    assert current.spread == pytest.approx(3.0)
    assert (current.conditions, current.left_out) == (12, 0)
    assert gain.spread == pytest.approx(0.0, abs=1e-12)


def test_the_uncertainty_of_the_mean_follows_from_the_scatter_and_a_common_measurement(units: Units) -> None:
    """u² = s²/n + u_m²; degrees of freedom by Welch–Satterthwaite (JCGM 100:2008, 5.2.2 and G.4.1), by hand."""
    reports = units(-3.0, 0.0, 3.0)
    (current, _) = _typical(reports)
    table = pd.concat([report.characteristics for report in reports])
    held = table.query("characteristic == 'supply_current' and temperature_c == 25.0")
    measured_ma = held["standard_uncertainty"].mean() * 1e3
    of_mean_ma = 3.0 / math.sqrt(3)
    u = math.hypot(of_mean_ma, measured_ma)
    dof = u**4 / (of_mean_ma**4 / 2 + measured_ma**4 / held["dof"].min())

    assert measured_ma > 0
    assert current.expanded_uncertainty == pytest.approx(u * stats.t.ppf((1 + 0.9545) / 2, math.floor(dof)), rel=1e-6)


def test_more_units_do_not_average_the_bench_away(units: Units) -> None:
    """Six units that agree: U is that of one of them, for what the bench reads wrong it reads wrong on all."""
    reports = units(*[0.0] * 6)
    gain = _typical(reports)[1]
    held = reports[0].characteristics.query("characteristic == 'gain' and gain_code == 0")

    assert gain.expanded_uncertainty == pytest.approx(2 * held["standard_uncertainty"].mean(), rel=1e-3)


def test_two_runs_of_one_unit_count_once(units: Units) -> None:
    """Runs at 199 and 201 mA of one unit are 200 mA of it; the other unit's is 206 mA: 203 mA is typical."""
    first, again, other = units(-1.0, 1.0, 6.0)
    again = replace(again, facts=replace(again.facts, unit=first.facts.unit))
    current = _typical([first, again, other])[0]

    assert len(current.units) == 2
    assert (current.lowest, current.typical, current.highest) == pytest.approx((200.0, 203.0, 206.0))


def test_conditions_at_which_a_unit_is_only_bounded_are_left_out_of_all(units: Units) -> None:
    """Means over different conditions would compare what is not the same."""
    reports = units(0.0, 1.0)
    before = _typical(reports)[1]
    table = reports[1].characteristics
    table.loc[(table["characteristic"] == "gain") & (table["condition"] == 0), "bound"] = 1
    after = _typical(reports)[1]

    assert (after.conditions, after.left_out) == (before.conditions - 1, 1)


def test_one_unit_alone_has_no_typical_values(units: Units) -> None:
    """One value has no spread; two runs of one unit are still one unit. The page then has no such section."""
    first, again = units(0.0, 1.0)
    again = replace(again, facts=replace(again.facts, unit=first.facts.unit))

    assert _typical([first]) == ()
    assert _typical([first, again]) == ()
    assert "Typical values over the units" not in page_html(first, ())


def test_units_of_another_part_do_not_count(units: Units) -> None:
    """Limits of one part say nothing on another."""
    first, second = units(0.0, 1.0)
    facts = second.part.part.model_copy(update={"name": "OTHER-1"})
    stranger = replace(second, part=second.part.model_copy(update={"part": facts}))

    assert _typical([first, stranger]) == ()


def test_the_page_shows_them_beside_the_datasheet(units: Units) -> None:
    """Min, typ and max of the part file, then those of the units, spread and U with their unit."""
    reports = units(-3.0, 0.0, 3.0)
    page = page_html(replace(reports[0], typical=_typical(reports)), ())
    section = page.partition('id="typical"')[2].partition("</section>")[0]
    row = section.partition("Supply current</a>")[2].partition("</tr>")[0]
    cells = [cell.partition(">")[2].replace("\u00a0", " ") for cell in row.split("<td")[1:]]
    texts = [cell.replace("<strong>", "").replace("</strong>", "").partition("<")[0] for cell in cells]

    assert texts[:3] == ["–", "–", "230"]
    assert texts[3:6] == ["197.0", "200.0", "203.0"]
    assert texts[6] == "3.0 mA"
    assert texts[8:] == ["mA", "3", "12"]
    assert 'href="#typical"' in page
