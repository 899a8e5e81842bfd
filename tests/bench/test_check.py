"""Looking at a bench: every instrument is named with what it answered, and nothing is switched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from bench.assemble import OpenBench, open_bench
from bench.check import SOON_DAYS, Finding, check_bench
from bench.places import ROLE_OF_PLACE, Places
from bench.recording import ExchangeLog
from drivers.errors import NotThere, TimedOut
from drivers.roles import QueueEntry
from sequences.read_files import Setup

#: The demo bench as it is wired for tones has every instrument but two.
PLACES = tuple(place for place in ROLE_OF_PLACE if place not in ("network_analyzer", "power_meter"))

#: Any: the FakeBench of conftest.py, which a test cannot import.
Bench = Any


@pytest.fixture
def look(make_places: Callable[[Bench], Places]) -> Callable[[Bench], dict[str, Finding]]:
    """Checks a bench of fakes."""

    def check(bench: Bench) -> dict[str, Finding]:
        opened = OpenBench(make_places(bench), bench.clock, ExchangeLog(), None)
        return {finding.place: finding for finding in check_bench(bench.setup.bench.model, opened, {})}

    return check


Look = Callable[[Bench], dict[str, Finding]]


def said(finding: Finding) -> dict[str, str]:
    """What an instrument said, by what it was asked."""
    return {answer.asked: answer.said for answer in finding.answers}


def test_every_instrument_of_the_demo_bench_works(quick: Setup) -> None:
    """Each place once, with maker, model, serial and resource."""
    with open_bench(quick.bench, quick.part.model, "VG2-0007") as opened:
        findings = check_bench(quick.bench.model, opened, {})
        assert opened.rig is not None
        journal = list(opened.rig.journal)

    assert [finding.place for finding in findings] == list(PLACES)
    assert all(finding.works for finding in findings), findings
    assert "serial NS-203" in next(finding.answer for finding in findings if finding.place == "analyzer")
    assert journal == [], "looking must not switch or move anything"


def test_looking_asks_only_who_what_and_how_it_stands(make_bench: Callable[..., Bench], look: Look) -> None:
    """Identity, queue, and readings that need no preparation."""
    bench = make_bench()
    look(bench)

    asked = {"identify", "drain", "is on?", "voltage?", "current?", "tripped?", "air?", "closed?"}
    assert {call.what for call in bench.journal} == asked


def test_a_silent_instrument_is_reported_and_the_others_are_looked_at(
    make_bench: Callable[..., Bench], look: Look
) -> None:
    """The answer is what happened; place and resource stand beside it."""
    bench = make_bench()
    bench.failing["supply", "identify"] = TimedOut("no reply", instrument="supply", resource="fake", message="*IDN?")
    findings = look(bench)

    assert not findings["supply"].works
    assert findings["supply"].answer == "to '*IDN?': no reply"
    assert "terminator" in findings["supply"].advice
    assert len(findings) == len(PLACES)
    assert [place for place, finding in findings.items() if not finding.works] == ["supply"]


def test_an_instrument_that_could_not_be_opened_stands_in_its_place(
    make_bench: Callable[..., Bench], make_places: Callable[[Bench], Places]
) -> None:
    """All places of the bench file, in its order, and the missing one with its reason."""
    bench = make_bench()
    opened = OpenBench(replace(make_places(bench), supply=None), bench.clock, ExchangeLog(), None)
    findings = check_bench(bench.setup.bench.model, opened, {"supply": NotThere("connection refused")})

    assert [finding.place for finding in findings] == list(PLACES)
    assert [(finding.place, finding.answer) for finding in findings if not finding.works] == [
        ("supply", "connection refused")
    ]


def test_an_instrument_that_fails_at_its_reading_does_not_work(make_bench: Callable[..., Bench], look: Look) -> None:
    """It answered who it is, but not what was asked."""
    bench = make_bench()
    bench.failing["chamber", "air?"] = TimedOut("no reply", instrument="chamber")

    assert not look(bench)["chamber"].works


def test_another_serial_number_does_not_work_and_says_which_is_expected(
    make_bench: Callable[..., Bench], look: Look
) -> None:
    """An instrument that was swapped has another calibration."""
    bench = make_bench()
    bench.serials["analyzer"] = "NS-999"
    finding = look(bench)["analyzer"]

    assert not finding.works
    assert finding.warnings[0] == "the bench file expects serial NS-203"
    assert "NS-999" in finding.answer


def test_old_queue_entries_are_shown(make_bench: Callable[..., Bench], look: Look) -> None:
    """They are of somebody else's session, but a person should know."""
    bench = make_bench()
    bench.queues["supply"] = [QueueEntry(-222, "Data out of range")]

    assert "queue held -222, 'Data out of range'" in look(bench)["supply"].warnings


def test_outputs_that_are_on_are_warned_of_in_plain_words(make_bench: Callable[..., Bench], look: Look) -> None:
    """Before a run begins somebody may still be working."""
    bench = make_bench()
    bench.stuck_on |= {"tone_2", "supply"}
    findings = look(bench)

    assert said(findings["tone_1"])["RF"] == "off"
    assert findings["tone_1"].warnings == ()
    assert said(findings["tone_2"])["RF"] == "on"
    assert findings["tone_2"].warnings == ("RF IS ON: power comes out of its connector now",)
    assert said(findings["supply"])["voltage"] == "5.000 V"
    assert findings["supply"].warnings == ("THE OUTPUT IS ON: what is connected to it is live",)
    assert said(findings["chamber"]) == {
        "error queue": "empty",
        "conditioning": "off",
        "set point": "23 °C",
        "air": "23.0 °C",
        "alarms": "none",
    }
    assert findings["supply"].works, "it answers all the same"


@pytest.mark.parametrize(
    ("due", "remark"),
    [
        (date(2026, 11, 1), "CALIBRATION PAST DUE since 2026-11-01"),
        (date(2026, 11, 2), "calibration due 2026-11-02, in 0 days"),
        (date(2026, 12, 2), "calibration due 2026-12-02, in 30 days"),
        (date(2026, 12, 3), None),
    ],
)
def test_a_calibration_that_ends_soon_is_told_by_the_benchs_clock(
    make_setup: Callable[..., Setup], make_bench: Callable[..., Bench], look: Look, due: date, remark: str | None
) -> None:
    """It is 2 November 2026 on the bench; 30 days count as soon, and the day itself is not past due."""
    setup = make_setup({"calibration_due = 2027-03-15": f"calibration_due = {due.isoformat()}"})
    finding = look(make_bench(setup))["analyzer"]

    assert SOON_DAYS == 30
    assert [text for text in finding.warnings if "calibration" in text.lower()] == ([remark] if remark else [])
    assert finding.calibration.due == due, "every due date is told, also the distant ones"
    assert finding.works, "a date is a warning, not a fault"


def test_a_bench_file_without_a_date_says_so(
    make_setup: Callable[..., Setup], make_bench: Callable[..., Bench], look: Look
) -> None:
    """Silence must not read as calibrated; relays and logic lines have nothing that could be."""
    findings = look(make_bench(make_setup({"calibration_due = 2027-03-15\n": ""})))
    undated = [place for place, found in findings.items() if "no calibration date in the bench file" in found.warnings]

    assert undated == ["analyzer"]
