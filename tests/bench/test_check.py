"""Looking at a bench: every instrument is named with what it answered, and nothing is switched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from bench.advice import advice
from bench.assemble import OpenBench, open_bench
from bench.check import SOON_DAYS, Finding, check_bench
from bench.harmless import QUERIES
from bench.places import ROLE_OF_PLACE, Places
from bench.reach import PathReport, needs_of, path_report
from bench.recording import ExchangeLog
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, Refused, TimedOut
from drivers.roles import QueueEntry
from sequences.instrument_entry import InstrumentEntry
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


@pytest.fixture
def look_at(
    make_places: Callable[[Bench], Places],
) -> Callable[[Bench, Callable[[Places], Places]], dict[str, Finding]]:
    """Checks a bench of fakes that a test has changed."""

    def check(bench: Bench, tamper: Callable[[Places], Places]) -> dict[str, Finding]:
        opened = OpenBench(tamper(make_places(bench)), bench.clock, ExchangeLog(), None)
        return {finding.place: finding for finding in check_bench(bench.setup.bench.model, opened, {})}

    return check


Look = Callable[[Bench], dict[str, Finding]]
LookAt = Callable[[Bench, Callable[[Places], Places]], dict[str, Finding]]


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


def test_instruments_that_have_changed_places_are_named(make_bench: Callable[..., Bench], look: Look) -> None:
    """Each answers with the serial number that is expected at the other: addresses or cables are exchanged."""
    bench = make_bench()
    bench.serials |= {"tone_1": "NS-102", "tone_2": "NS-101"}
    findings = look(bench)

    assert (
        "NS-102 is what it expects at tone_2: have the two changed places, or addresses?" in findings["tone_1"].warnings
    )
    assert (
        "NS-101 is what it expects at tone_1: have the two changed places, or addresses?" in findings["tone_2"].warnings
    )


def test_a_relay_that_is_closed_beside_another_is_warned_of(make_bench: Callable[..., Bench], look_at: LookAt) -> None:
    """Whoever has closed them: two loads in parallel are none of the two. A mistake in one driver hides no other."""
    bench = make_bench()

    def tamper(places: Places) -> Places:
        places.load_switch.closed = (101, 103)  # type: ignore[union-attr]  # the fake's own field
        places.channel_switch.closed = 7  # type: ignore[union-attr]  # what a faulty driver may hold
        return places

    findings = look_at(bench, tamper)

    assert said(findings["load_switch"])["closed relays"] == "101 (100 Ω), 103 (200 Ω)"
    assert findings["load_switch"].warnings == ("2 routes are closed at once: 101 (100 Ω), 103 (200 Ω)",)
    assert "a mistake in its driver: TypeError" in said(findings["channel_switch"])["closed relays"]
    assert not findings["channel_switch"].works
    assert findings["code_port"].works


def test_what_the_unit_has_latched_is_not_asked_for(
    make_setup: Callable[..., Setup], make_bench: Callable[..., Bench], look: Look
) -> None:
    """A latch cannot be read; the mode pins, which are a port, can."""
    port = """channels = { A = 1, B = 2 }
mode = 3
strobed = [
    { word = 1, data_port = 4, strobe_port = 5, strobe_bit = 0 },
    { word = 2, data_port = 4, strobe_port = 5, strobe_bit = 1 },
]"""
    bench = make_bench(make_setup({"channels = { A = 1, B = 2 }\nmode = 3": port}))

    words = said(look(bench)["code_port"])["words"]
    assert words == "channel A latched, cannot be read, channel B latched, cannot be read, mode 0"


def test_every_role_has_its_row_of_harmless_queries() -> None:
    """A role without one could not be looked at."""
    assert set(ROLE_OF_PLACE.values()) == set(QUERIES)


# --- What would be right


@pytest.mark.parametrize(
    ("resource", "error", "words"),
    [
        (
            "TCPIP0::a.example::5025::SOCKET",
            NotThere("could not connect: [Errno -2] Name or service not known"),
            "IP address",
        ),
        ("TCPIP0::10.0.0.9::5024::SOCKET", NotThere("the connection was refused"), "mostly: 5025"),
        ("TCPIP0::10.0.0.9::inst0::INSTR", NotThere("timed out"), "TCPIP[board]::host[::inst0][::INSTR]"),
        ("ASRL/dev/ttyX::INSTR", NotThere("could not open port /dev/ttyX"), "under which name"),
        ("ASRL3::INSTR", TimedOut("no complete reply in time"), "baud"),
        ("USB0::0x1234::0x5678::A1::INSTR", NotThere("no such resource"), "plugged in"),
        ("USB0::0x1234::0x5678::A1::INSTR", NotThere("lacks the driver package: pip install pyusb"), "install it"),
        ("GPIB0::18::INSTR", NotThere("no instrument listens at this address"), "its own menu"),
        ("GPIB0::18::INSTR", TimedOut("no complete reply in time"), "terminator"),
        ("TCPIP0::10.0.0.9::5025::SOCKET", NotUnderstood("not four fields", message="*IDN?"), "right driver"),
        ("TCPIP0::10.0.0.9::5025::SOCKET", LinkLost("ConnectionResetError"), "another program"),
        ("TCPIP0::10.0.0.9::5025::SOCKET", Refused(-113, "Undefined header"), ""),
    ],
)
def test_each_failure_has_a_piece_of_advice(resource: str, error: InstrumentError, words: str) -> None:
    """What to look at first, by the kind of line and what happened; none where the failure says it itself."""
    told = advice(error, InstrumentEntry(resource=resource))

    assert words in told
    assert bool(told) is bool(words)


# --- How far the path files reach


def reach(setup: Setup, *, for_sequence: bool) -> PathReport:
    """What the bench file's path losses and two-ports reach."""
    needs = needs_of(setup.sequence.model, setup.part.model) if for_sequence else None
    return path_report(setup.bench.model, setup.path_losses, setup.de_embedding, needs)


def test_the_demos_path_losses_reach_what_its_sequence_needs(quick: Setup) -> None:
    """Tones on the input path; tones, products and harmonics on the output path: third harmonic of 59.5 MHz."""
    report = reach(quick, for_sequence=True)
    needed = {(one.where, one.needed_hz) for one in report.reaches if one.needed_hz is not None}

    assert report.faults == ()
    assert report.common_hz == {"path_loss": (10e6, 480e6)}
    assert ("input path, channel A", (59.5e6, 60.5e6)) in needed
    assert ("output path, channel B, 200 Ω", (58.5e6, 178.5e6)) in needed
    assert not any("100 Ω" in where for where, _ in needed), "the sequence does not go there"


def test_a_gap_is_named_by_what_is_missing(make_setup: Callable[..., Setup]) -> None:
    """The table of channel A into 200 Ω ends at 120 MHz; the third harmonic lies beyond."""
    losses = "loss_db = [10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28, 11.36, 11.57]"
    full = f"loss_db = {{ frequency_mhz = [10, 30, 60, 90, 120, 180, 240, 300, 480], {losses} }}"
    short = "loss_db = { frequency_mhz = [30, 60, 120], loss_db = [10.94, 11.01, 11.11] }"
    setup = make_setup({full: short})

    (fault,) = reach(setup, for_sequence=True).faults
    assert fault == (
        "[[path_loss]] no. 5, output path, channel A, 200 Ω, is known 30 MHz … 120 MHz, missing 120 MHz … 178.5 MHz"
    )
    alone = reach(setup, for_sequence=False)
    assert alone.faults == ()
    assert alone.common_hz == {"path_loss": (30e6, 120e6)}
    assert alone.remarks == (
        "[[path_loss]] no. 5, output path, channel A, 200 Ω, begins at 30 MHz, others at 10 MHz",
        "[[path_loss]] no. 5, output path, channel A, 200 Ω, ends at 120 MHz, others at 480 MHz",
    )


def test_a_path_that_no_entry_or_two_hold_for_is_named(make_setup: Callable[..., Setup]) -> None:
    """With a sequence and without: of the bench's own routes."""
    setup = make_setup({'path = "input"\nchannel = "B"': 'path = "input"\nchannel = "A"'})

    for for_sequence in (True, False):
        faults = reach(setup, for_sequence=for_sequence).faults
        assert any("no entry holds for the input path of channel B into" in fault for fault in faults)
        assert any("more than one entry holds for the input path of channel A into" in fault for fault in faults)


def test_two_ports_are_held_against_the_sweep(make_network_setup: Callable[..., Setup]) -> None:
    """Their own span, and that of ``small_signal``."""
    report = reach(make_network_setup(), for_sequence=True)
    found = {one.source: one.needed_hz for one in report.reaches if one.kind == "de_embedding"}

    assert found["input-a.s2p"] == (30e6, 90e6)
    assert report.faults == ()
