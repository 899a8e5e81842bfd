from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from html.parser import HTMLParser

import pandas as pd
import pytest

from reports.budgets_html import budgets_html
from reports.page_html import MOST_EVENTS, page_html
from reports.panel_figures import Figure
from reports.summary import Report

DRAWING = Figure("step", "Steps", "Largest: 0.4 dB at code 17.", '<svg id="step-1"><title>Steps</title></svg>', "Gain")
_VOID = {"meta", "link", "br", "img", "hr", "input"}
_BLOCKS = {"td", "th", "dt", "dd", "p", "h1", "h2", "h3", "div", "li"}


class _Reader(HTMLParser):
    """Fails on an element that is not closed in order; keeps text, elements and attributes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag
        self.text += " " if tag in _BLOCKS else ""

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] != "style":
            self.text += data


def _read(page: str) -> _Reader:
    reader = _Reader()
    reader.feed(page)
    reader.close()
    assert reader.open == []
    reader.text = re.sub(r"\s+", " ", reader.text)
    return reader


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return page_html(report, (DRAWING,))


def test_every_element_is_closed_and_every_id_is_there_once(page: str) -> None:
    """Well-formed all through; the first line makes browsers follow the standard."""
    ids = [attributes["id"] for _, attributes in _read(page).seen if "id" in attributes]

    assert page.startswith("<!DOCTYPE html>\n<html lang")
    assert len(ids) == len(set(ids)) > 5


def test_the_page_asks_nothing_of_the_network(page: str) -> None:
    """No script, no picture, no import: a page that is filed must look the same without a network.

    Links lead inside the page, or to the pages beside it, and are followed by readers only.
    """
    reader = _read(page)
    names = {name for _, attributes in reader.seen for name in attributes}
    links = [attributes["href"] or "" for _, attributes in reader.seen if "href" in attributes]

    assert not {"script", "link", "img", "iframe", "object", "embed", "base"} & {tag for tag, _ in reader.seen}
    assert not {"src", "srcset", "onload", "action"} & names
    assert all(re.match(r"(#|(definitions|budgets)\.html(#|$))", link) for link in links)
    assert not re.search(r"@import|url\(|https?://", page)


def test_text_of_a_person_is_never_markup(make_report: Callable[..., Report], sweep: pd.DataFrame) -> None:
    """A serial and an operator full of signs are shown as typed, in the text and in the printed head's style."""
    odd = '<b>&"</style><script>alert(1)</script>'
    page = page_html(make_report(unit=odd, operator=odd, conditions=sweep.head(40)), ())
    reader = _read(page)

    assert not {"b", "script"} & {tag for tag, _ in reader.seen}
    assert f"unit {odd}" in reader.text
    assert page.count("</style>") == 1
    assert r"\3c b\3e \26 \22 \3c \2f style\3e " in page


def test_decisions_come_first_then_what_failed_then_figures(page: str) -> None:
    """Order of the sections, as a reader needs them."""
    assert [attributes["id"] for tag, attributes in _read(page).seen if tag == "section"] == [
        "decisions", "findings", "group-gain", "hazards", "bench", "corrections", "budgets", "definitions",
        "conditions",
    ]  # fmt: skip


def test_the_head_names_part_unit_run_bench_operator_and_verdict(page: str, report: Report) -> None:
    """Who, what, where and when, and the outcome in a word."""
    head = _read(page).text.split("Decisions")[0]

    for wanted in ("VIRGA-2", "VG2-0013", report.facts.run, "Nimbus (simulated)", "R. Reed", "2026-11-02 18:30:00 UTC"):
        assert wanted in head
    assert "Fail 6 limits: 1 fail, 4 pass, 1 not tested" in head


def test_a_decision_is_told_by_word_and_sign_as_well_as_colour(page: str) -> None:
    """Each outcome stands as text beside its sign; the sign is hidden from screen readers, the word is not."""
    assert re.search(r'<span class="badge fail"><span aria-hidden="true">✗</span> Fail</span>', page)
    assert re.search(r'<span class="badge not-tested"><span aria-hidden="true">–</span> Not tested</span>', page)


def test_a_past_due_calibration_is_flagged_against_the_day_of_the_run(report: Report) -> None:
    """Due on the day itself is not past due; the day before is; no date is said to be none."""
    dues = report.instruments.assign(calibration_due=["2026-11-02", "2026-11-01", ""])
    text = _read(page_html(dataclasses.replace(report, instruments=dues), ())).text

    assert text.count("Past due") == 1
    assert "✗ Past due 2026-11-01" in text
    assert "no date stated" in text


def test_each_budget_stands_in_one_row_with_what_rules_it(page: str, report: Report) -> None:
    """OIP3 of the made-up night has u = 0.275 dB of 0.220 (64 % of the variance) and 0.165 (36 %)."""
    text = _read(page).text.split("Uncertainty budgets")[-1]

    assert "analyzer scale 64 %; noise 36 %" in text
    assert page.count('href="budgets.html#') == len(report.budgets)


def test_the_budgets_page_shows_lines_sum_and_expanded_uncertainty(report: Report) -> None:
    """One table per characteristic, each with an anchor that the report leads to."""
    budgets = budgets_html(report)
    reader = _read(budgets)

    assert reader.text.count("Combined standard uncertainty u") == len(report.budgets)
    assert {budget.characteristic for budget in report.budgets} <= {a["id"] for _, a in reader.seen if "id" in a}
    assert "Expanded uncertainty U 0.55" in reader.text


def test_definitions_are_listed_for_what_was_derived_and_no_more(page: str) -> None:
    """Formula and source of OIP3; OIP2 was never derived in the made-up night."""
    definitions = _read(page).text.split("How each figure was computed")[-1].split("Conditions")[0]

    assert "the smaller of the intercepts" in definitions
    assert "P(f1+f2)" not in definitions


def test_conditions_hazards_events_and_the_safety_note_are_there(page: str) -> None:
    """What was swept, what could have hurt, what happened, and what this tool is not."""
    text = _read(page).text

    assert "codes 0 to 30 (31 values)" in text
    assert "Hot unit 85 °C in the chamber burns" in text
    assert "2026-11-02 18:30:00 run began overnight" in text
    assert "Not a safety device" in text


def test_a_number_is_not_torn_from_its_unit(page: str) -> None:
    """A no-break space stands between them, so that no line begins with a unit."""
    assert "−40\u00a0°C" in page
    assert "3\u00a0dBm per tone" in page
    assert not re.search(r"\d (°C|dBm|dBc|MHz|Ω|mA)\b", re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL))


def test_events_are_folded_unless_the_run_ended_early(report: Report) -> None:
    """A reader of limits is not held up by the course of a good night; how a bad one ended is wanted at once."""
    done, tripped = (
        page_html(dataclasses.replace(report, facts=dataclasses.replace(report.facts, state=state)), ())
        for state in ("done", "tripped")
    )

    assert f'<details class="events"><summary>{len(report.events)} events, 2026-11-02 18:30:00 to ' in done
    assert '<details class="events" open><summary>' in tripped


def test_a_night_of_warnings_is_cut_and_says_so(report: Report) -> None:
    """Events beyond the most that a page lists are counted, not dropped in silence; the last one is always there."""
    many = pd.concat([report.events.head(1)] * (MOST_EVENTS + 4), ignore_index=True)
    many = pd.concat([many, many.head(1).assign(kind="tripped", text="air too warm")], ignore_index=True)
    text = _read(page_html(dataclasses.replace(report, events=many), ())).text

    assert text.count("run began overnight") == MOST_EVENTS - 1
    assert "tripped air too warm" in text
    assert "5 events in the middle are not listed here" in text


def test_a_run_without_findings_events_or_hazards_still_makes_a_page(report: Report) -> None:
    """Nothing failed and nothing was drawn: those sections go; hazards and events say that there were none."""
    calm = dataclasses.replace(
        report, limits=report.limits[:1], decision="pass", hazards=(), events=report.events.head(0),
        part=report.part.model_copy(update={"limit": report.part.limit[:1]}),
    )  # fmt: skip
    reader = _read(page_html(calm, ()))
    sections = [attributes["id"] for tag, attributes in reader.seen if tag == "section"]

    assert "findings" not in sections
    assert "group-gain" not in sections
    assert "None were named." in reader.text
    assert "None were recorded." in reader.text


def test_the_same_report_gives_the_same_page(report: Report, page: str) -> None:
    """No clock, no chance, no order of a set."""
    assert page_html(report, (DRAWING,)) == page


def test_another_width_of_a_guard_band_is_said_with_the_limit_that_asks_for_it(report: Report) -> None:
    """w = 0.5·U of the second limit; the others, with w = U, need no words of their own."""
    limits = list(report.limits)
    limits[1] = dataclasses.replace(limits[1], guard_band_factor=0.5)
    text = _read(page_html(dataclasses.replace(report, limits=tuple(limits)), ())).text

    assert "Limit 2 has w = 0.5·U." in text
    assert text.count(" has w = ") == 1


def test_limits_that_were_not_tested_stand_together_with_their_numbers(report: Report) -> None:
    """The sixth limit has no condition; the section's title says that it holds more than failures."""
    text = _read(page_html(report, ())).text

    assert "What did not pass or was not tested" in text
    assert "No condition of this run decides this limit: No. 6, " in text


def test_a_report_in_which_all_passed_has_no_section_for_the_rest(report: Report) -> None:
    """Neither a heading over nothing nor a link to it."""
    passed = dataclasses.replace(report, part=report.part.model_copy(update={"limit": report.part.limit[:1]}))
    page = page_html(dataclasses.replace(passed, limits=report.limits[:1]), ())

    assert 'href="#findings"' not in page
    assert 'id="findings"' not in page
