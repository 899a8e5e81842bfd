"""Bring-up: safe state, protection, bias, codes, chamber, in this order; RF never; nothing implausible is passed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.bring_up import CHAMBER_MARGIN_K, STEPS, WakeUp, bring_up
from bench.errors import Tripped, UnsafeBench
from bench.places import Places
from drivers.errors import InstrumentError, NotThere, TimedOut
from sequences.conditions import Condition
from sequences.read_files import Setup

#: Any: the FakeBench of conftest.py, which a test cannot import.
MakeBench = Callable[..., Any]
Wake = Callable[..., list[str]]

CONDITION = Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6)
LOW_POWER = replace(CONDITION, supply_mode="low power")
HOT, COLD = replace(CONDITION, temperature_c=85.0), replace(CONDITION, temperature_c=-40.0)


@pytest.fixture(scope="session")
def wake(make_places: Callable[[Any], Places]) -> Wake:
    """Brings a bench of fakes up for conditions; returns the reports. ``places`` leaves some of them out."""

    def go(bench: Any, *conditions: Condition, without: tuple[str, ...] = ()) -> list[str]:
        reports: list[str] = []
        setup = bench.setup
        places = replace(make_places(bench), **dict.fromkeys(without))
        context = WakeUp(places, setup.part.model, setup.bench.model, conditions or (CONDITION,), bench.clock, {})
        bring_up(context, reports.append)
        return reports

    return go


def test_each_step_is_reported_in_order(make_bench: MakeBench, wake: Wake) -> None:
    """One line a step, named as in the table."""
    reports = wake(make_bench())

    assert [report.partition(":")[0] for report in reports] == [name for name, _ in STEPS]


def test_safety_comes_before_protection_before_bias_before_codes_before_the_chamber(
    make_bench: MakeBench, wake: Wake
) -> None:
    """And everybody has said who he is before anything else is sent to anybody."""
    bench = make_bench()
    wake(bench)
    last_identified = max(at for at, call in enumerate(bench.journal) if call.what == "identify")
    milestones = [
        last_identified,
        bench.first("tone_1", "make safe"),
        bench.first("supply", "make safe"),
        bench.first("supply", "prepare"),
        bench.first("supply", "output"),
        bench.first("supply", "on"),
        bench.first("supply", "current?"),
        bench.first("code_port", "port 1"),
        bench.first("chamber", "conditioning"),
    ]

    assert milestones == sorted(milestones)
    assert bench.first("chamber", "prepare") < bench.first("chamber", "conditioning")


@pytest.mark.parametrize("unread", [(), ("supply",), ("tone_1", "supply")])
def test_what_cannot_be_read_back_is_not_called_confirmed(
    make_bench: MakeBench, make_places: Callable[[Any], Places], unread: tuple[str, ...]
) -> None:
    """A table without the query answers with the word last sent, which confirms nothing."""
    bench = make_bench()
    reports: list[str] = []
    setup = bench.setup
    context = WakeUp(
        make_places(bench), setup.part.model, setup.bench.model, (CONDITION,), bench.clock, {}, frozenset(unread)
    )
    bring_up(context, reports.append)
    said = next(report for report in reports if report.startswith("safe state: "))

    assert said.startswith("safe state: RF and bias off, confirmed by reading back")
    expected = f", but for {', '.join(unread)}, whose table of deviations has no query for it" if unread else ""
    assert said == f"safe state: RF and bias off, confirmed by reading back{expected}"


def test_bring_up_never_switches_rf_on(make_bench: MakeBench, wake: Wake) -> None:
    """RF comes last, when the first condition has soaked and settled."""
    bench = make_bench()
    wake(bench)

    assert bench.energy() == {"tone_1": False, "tone_2": False, "supply": True}


def test_another_serial_number_is_not_there_and_nothing_is_powered(make_bench: MakeBench, wake: Wake) -> None:
    """The error names place, resource and both numbers."""
    bench = make_bench()
    bench.serials["analyzer"] = "NS-999"
    with pytest.raises(NotThere, match="NS-999 answers where the bench file expects NS-203") as caught:
        wake(bench)

    assert caught.value.instrument == "analyzer"
    assert "analyzer.nimbus" in caught.value.resource
    assert bench.whats("on", "output", "prepare", "conditioning") == []


def test_a_bench_file_without_a_serial_number_takes_any(
    make_setup: Callable[..., Setup], make_bench: MakeBench, wake: Wake
) -> None:
    """Who does not care is not asked to."""
    bench = make_bench(make_setup({'serial = "NS-203"\n': ""}))
    bench.serials["analyzer"] = "anything"

    assert len(wake(bench)) == len(STEPS)


def test_a_bench_that_cannot_be_made_safe_is_not_powered(make_bench: MakeBench, wake: Wake) -> None:
    """A source that stays on would drive the unit from the first moment."""
    bench = make_bench()
    bench.stuck_on.add("tone_2")
    with pytest.raises(UnsafeBench, match="RF of tone_2 off"):
        wake(bench)

    assert bench.whats("on", "output") == []


@pytest.mark.parametrize("current_a", [0.0, 0.1149, 0.2501, 1.0])
def test_an_implausible_current_trips(make_bench: MakeBench, wake: Wake, current_a: float) -> None:
    """115 … 250 mA: the mode pins are not driven yet, so either mode is plausible; both ends are named."""
    bench = make_bench()
    bench.supply_current_a = current_a
    with pytest.raises(Tripped, match=r"mA right after bias on, plausible 115 … 250 mA") as caught:
        wake(bench)

    assert f"{current_a * 1e3:.1f} mA" in caught.value.cause
    assert bench.whats("conditioning") == []


@pytest.mark.parametrize("current_a", [0.115, 0.16, 0.25])
def test_a_plausible_current_passes(make_bench: MakeBench, wake: Wake, current_a: float) -> None:
    """Ends included."""
    bench = make_bench()
    bench.supply_current_a = current_a

    assert any(f"{current_a * 1e3:.1f} mA, plausible" in report for report in wake(bench))


def test_the_current_is_read_after_the_supply_has_settled(make_bench: MakeBench, wake: Wake) -> None:
    """The inrush of the first moment is no evidence."""
    bench = make_bench()
    times: dict[str, float] = {}
    bench.before = lambda _, call: times.setdefault(f"{call.place} {call.what}", bench.clock.elapsed_s())
    wake(bench)

    assert times["supply current?"] - times["supply on"] >= 0.2


@given(st.floats(4.76, 5.5), st.booleans())
def test_protection_never_stands_above_the_absolute_maximum(
    make_setup: Callable[..., Setup], make_bench: MakeBench, wake: Wake, supply_v: float, low_power_only: bool
) -> None:
    """Nor below what the run needs; over-current likewise."""
    setup = make_setup({"supply_v = 5.0": f"supply_v = {supply_v}"})
    bench = make_bench(setup)
    wake(bench, *([LOW_POWER] if low_power_only else [LOW_POWER, CONDITION]))
    ((over_voltage_v, over_current_a),) = bench.values("supply", "prepare")
    highest_v = 4.75 if low_power_only else supply_v

    assert highest_v <= over_voltage_v <= 5.5
    assert 0.3 <= over_current_a <= 0.35


def test_the_supply_gets_the_first_conditions_mode(make_bench: MakeBench, wake: Wake) -> None:
    """Voltage, current limit and mode word of "low power"."""
    bench = make_bench()
    wake(bench, LOW_POWER, CONDITION)

    assert bench.values("supply", "output") == [(4.75, 0.3)]
    assert bench.values("code_port", "port 3") == [1]


def test_every_channel_starts_at_its_lowest_gain(make_bench: MakeBench, wake: Wake) -> None:
    """Code 30 has 1.5 dB; whatever comes first, the unit is driven as little as it can be."""
    bench = make_bench()
    wake(bench)

    assert bench.values("code_port", "port 1") == [30]
    assert bench.values("code_port", "port 2") == [30]


@pytest.mark.parametrize(
    ("conditions", "lowest_c", "highest_c"),
    [((CONDITION,), 18.0, 30.0), ((COLD, HOT), -45.0, 90.0), ((HOT,), 18.0, 90.0)],
)
def test_the_chamber_limits_itself_around_the_runs_temperatures_and_its_idle_one(
    make_bench: MakeBench, wake: Wake, conditions: tuple[Condition, ...], lowest_c: float, highest_c: float
) -> None:
    """5 K beyond, so that it may overshoot; idle (25 °C) and the air as it is now (23 °C) are always within."""
    bench = make_bench()
    wake(bench, *conditions)

    assert CHAMBER_MARGIN_K == 5.0
    assert bench.values("chamber", "prepare") == [(4.0, lowest_c, highest_c, 25.0)]


def test_the_chambers_limits_stay_within_its_own_range(
    make_setup: Callable[..., Setup], make_bench: MakeBench, wake: Wake
) -> None:
    """A chamber from −42 to 150 °C cannot take a limit of −45 °C."""
    bench = make_bench(
        make_setup({"temperature_c = { min = -60, max = 150 }": "temperature_c = { min = -42, max = 87 }"})
    )
    wake(bench, COLD, HOT)

    assert bench.values("chamber", "prepare") == [(4.0, -42.0, 87.0, 25.0)]


def test_the_ramp_is_never_faster_than_the_part_allows(
    make_setup: Callable[..., Setup], make_bench: MakeBench, wake: Wake
) -> None:
    """The part's rating of 2.5 K/min, not the chamber's 4."""
    bench = make_bench(make_setup({"ramp_k_per_min = 10": "ramp_k_per_min = 2.5"}))
    wake(bench)

    assert [value[0] for value in bench.values("chamber", "prepare")] == [2.5]


def test_each_source_gets_its_own_ceiling(make_setup: Callable[..., Setup], make_bench: MakeBench, wake: Wake) -> None:
    """As the bench file rates it."""
    old = 'serial = "NS-102"\ncalibration_due = 2027-05-31\nhighest_level_dbm = 19'
    bench = make_bench(make_setup({old: old.replace("19", "17")}))
    wake(bench)

    assert bench.values("tone_1", "prepare") == [19.0]
    assert bench.values("tone_2", "prepare") == [17.0]


@pytest.mark.parametrize("step", ["identify", "drain", "make safe", "is on?", "prepare", "output", "on", "current?"])
def test_an_instrument_that_fails_ends_bring_up_there(make_bench: MakeBench, wake: Wake, step: str) -> None:
    """Whatever the supply fails at: the chamber is not started, and no step after it is reported."""
    bench = make_bench()
    bench.failing["supply", step] = TimedOut("no reply", instrument="supply")
    with pytest.raises((InstrumentError, UnsafeBench)):
        wake(bench)

    assert bench.whats("conditioning") == []


def test_a_bench_without_supply_port_or_chamber_says_so_and_is_brought_up(make_bench: MakeBench, wake: Wake) -> None:
    """Each place may be left out."""
    reports = wake(make_bench(), without=("supply", "code_port", "chamber", "board_thermometer", "current_meter"))

    assert [report for report in reports if "on this bench" in report] == [
        "protect: no supply on this bench",
        "bias on: no supply on this bench",
        "gain codes: no code port on this bench",
        "chamber: no chamber on this bench",
    ]
