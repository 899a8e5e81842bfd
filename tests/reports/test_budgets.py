"""Budgets as the page shows them, followed with nothing but the text of the page and arithmetic."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from html.parser import HTMLParser

import pytest
from scipy import stats

from reports.budgets_html import budgets_html
from reports.frames import RunFrames
from reports.summary import summarise

MakeNight = Callable[..., tuple[RunFrames, object]]

#: Characteristics that are followed: absolute, relative, and in a unit that the page scales (mA).
FOLLOWED = ("Output third-order intercept", "Voltage gain", "Gain step error", "Supply current", "Supply-current drift")


class _Tables(HTMLParser):
    """Cells of the tables by the heading above each."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: dict[str, list[list[str]]] = {}
        self._in_heading = self._in_cell = False
        self._heading = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "h3":
            self._in_heading, self._heading = True, ""
        elif self._heading and tag == "tr":
            self.found.setdefault(self._heading.strip(), []).append([])
        elif self._heading and tag in ("td", "th"):
            self._in_cell = True
            self.found[self._heading.strip()][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        if tag == "h3":
            self._in_heading = False
        elif tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._in_heading:
            self._heading += data
        elif self._in_cell:
            self.found[self._heading.strip()][-1][-1] += data.replace("\u00a0", " ")


def _number(text: str) -> float:
    """The number at the beginning of a cell."""
    found = re.match(r"−?[\d.]+(e[−+]?\d+)?", text.strip())
    assert found, text
    return float(found[0].replace("−", "-"))


def _unit(text: str) -> str:
    return text.strip().partition(" ")[2]


@pytest.fixture(scope="module")
def tables() -> Callable[[MakeNight], dict[str, list[list[str]]]]:
    def read(make_night: MakeNight) -> dict[str, list[list[str]]]:
        frames, _ = make_night(repeats=3, limits=({"characteristic": "oip3", "unit": "dBm", "min": 40.0},))
        reader = _Tables()
        reader.feed(budgets_html(summarise(frames)))
        return reader.found

    return read


def test_every_budget_can_be_recomputed_from_the_page(
    make_night: MakeNight, tables: Callable[[MakeNight], dict[str, list[list[str]]]]
) -> None:
    """Half-width / divisor = u(x); |c|·u(x) = contribution; root sum of squares = u; Welch–Satterthwaite; U = k·u.

    JCGM 100:2008, 4.3.7, 5.1.2, G.4.1, G.6.4. What the page rounds to four digits may be off by a part in a thousand.
    """
    budgets = tables(make_night)

    for title in FOLLOWED:
        rows = budgets[title]
        lines = [row for row in rows[1:] if len(row) == 9]
        footer = {row[0]: row[1:] for row in rows if len(row) == 3}
        squares, quartics = 0.0, 0.0
        for _, kind, _, stated, divisor, standard, sensitivity, contribution, dof in lines:
            u = _number(stated) / _number(divisor)
            assert u == pytest.approx(_number(standard), rel=2e-3), title
            assert _unit(stated) == _unit(standard)
            assert abs(_number(sensitivity)) * u == pytest.approx(_number(contribution), rel=4e-3, abs=1e-4 * 3), title
            assert (kind == "A") == (dof != "∞")
            squares += (_number(sensitivity) * u) ** 2
            quartics += 0.0 if dof == "∞" else (_number(sensitivity) * u) ** 4 / _number(dof)
        u = _number(footer["Combined standard uncertainty u"][0])
        assert math.sqrt(squares) == pytest.approx(u, rel=2e-3), title
        dof_text = footer["Effective degrees of freedom"][1]
        effective = squares**2 / quartics if quartics else math.inf
        k = _number(footer["Coverage factor k"][0])
        if dof_text == "infinite":
            assert effective > 1e6
            assert k == 2
        else:
            truncated = int(dof_text.rpartition(" ")[2])
            # A part in two hundred: the fourth power of what is rounded to a part in a thousand.
            assert effective == pytest.approx(_number(dof_text), rel=2e-2), title
            assert truncated == math.floor(_number(dof_text))
            assert k == pytest.approx(stats.t.ppf((1 + 0.9545) / 2, truncated), abs=1e-3), title
        assert k * u == pytest.approx(_number(footer["Expanded uncertainty U"][0]), rel=6e-2), title


def test_each_line_names_an_instrument_and_what_of_it(
    make_night: MakeNight, tables: Callable[[MakeNight], dict[str, list[list[str]]]]
) -> None:
    """An auditor must find each line in the bench file, in a certificate or in the readings."""
    oip3 = {row[0] for row in tables(make_night)["Output third-order intercept"][1:] if len(row) == 9}

    assert {"analyzer: absolute level", "analyzer: attenuator at 20 dB", "analyzer: response at 60 MHz"} <= oip3
    assert any(re.fullmatch(r"output path, channel [AB], 200 Ω: loss", name) for name in oip3)
    assert any(name.startswith("noise in the reading of im3_") for name in oip3)
    assert any(name.startswith("analyzer: own product, cosine of its phase, in im3_") for name in oip3)


def test_a_budget_of_a_step_shows_no_line_that_cancels(
    make_night: MakeNight, tables: Callable[[MakeNight], dict[str, list[list[str]]]]
) -> None:
    """Level, response, attenuator and paths are the same at both codes; the settings of both sources are not."""
    names = [row[0] for row in tables(make_night)["Gain step error"][1:] if len(row) == 9]

    assert sum(name.startswith(("tone_1: setting", "tone_2: setting")) for name in names) == 4
    assert not any("absolute level" in name or "path" in name or "attenuator" in name for name in names)


def test_folded_lines_and_the_line_for_all_of_them_give_the_same_sums(
    make_night: MakeNight, tables: Callable[[MakeNight], dict[str, list[list[str]]]]
) -> None:
    """Root sum of squares and Welch–Satterthwaite with one line in place of many (JCGM 100:2008, 5.1.2, G.4.1).

    What is folded is below 1 % of the variance each; what stands open is not.
    """
    folded = 0
    for title, rows in tables(make_night).items():
        place = next((n for n, row in enumerate(rows) if len(row) == 3 and "further, each" in row[0]), None)
        if place is None:
            continue
        folded += 1
        open_lines, small = rows[1:place], [row for row in rows[place + 1 :] if len(row) == 9]
        footer = {row[0]: row[1:] for row in rows[place + 1 :] if len(row) == 3}
        u = _number(footer["Combined standard uncertainty u"][0])
        together, dof = _number(rows[place][1]), rows[place][2]

        assert rows[place][0].startswith(f"{len(small)} further, each below 1 % of the variance"), title
        assert all(_number(row[7]) ** 2 < 0.0101 * u**2 for row in small), title
        assert all(_number(row[7]) ** 2 > 0.0099 * u**2 for row in open_lines), title
        # The last digit that is shown, of each.
        assert together == pytest.approx(math.hypot(*(_number(row[7]) for row in small)), rel=5e-2, abs=1e-3 * u), title
        assert math.hypot(together, *(_number(row[7]) for row in open_lines)) == pytest.approx(u, rel=2e-3), title
        ours = 0.0 if dof == "∞" else together**4 / _number(dof)
        quartics = ours + sum(0.0 if row[8] == "∞" else _number(row[7]) ** 4 / _number(row[8]) for row in open_lines)
        text = footer["Effective degrees of freedom"][1]
        if text != "infinite":
            assert u**4 / quartics == pytest.approx(_number(text), rel=2e-2), title
    assert folded >= 3
