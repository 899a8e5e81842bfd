"""The page in a real browser. A second page holds it in a frame and measures it: a frame whose content is given as

``srcdoc`` has the origin of the page around it, and its width is the frame's. What its figures do is asked of the page
itself, over the browser's pipe.
"""

from __future__ import annotations

import dataclasses
import html
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest
from browser_pipe import browser

from reports.budgets_html import budgets_html
from reports.characteristics import CHARACTERISTICS
from reports.definitions_html import definitions_html
from reports.figures import draw_figures
from reports.page_html import page_html
from reports.summary import Report

pytestmark = pytest.mark.browser

_PROBE = """<!DOCTYPE html><meta charset="utf-8"><pre id="out"></pre>
<iframe style="border:0;width:{width}px;height:900px" srcdoc="{page}"></iframe>
<script>
document.querySelector("iframe").onload = (event) => {{
  const page = event.target.contentDocument, root = page.documentElement;
  const cut = [];
  for (const drawing of page.querySelectorAll("figure svg")) {{
    const frame = drawing.getBoundingClientRect();
    for (const text of drawing.querySelectorAll("text")) {{
      const box = text.getBoundingClientRect();
      if (box.width && (box.left < frame.left - 1 || box.right > frame.right + 1)) cut.push(text.textContent);
    }}
  }}
  const heights = [...page.querySelectorAll("h1, h2, figure, table")].map((one) => one.getBoundingClientRect().height);
  // A browser that knows no MathML runs a fraction's parts together on one line.
  const formulas = [...page.querySelectorAll("math")].filter((one) => one.getBoundingClientRect().height >= 10);
  document.getElementById("out").textContent = JSON.stringify(
    {{inner: root.clientWidth, needed: root.scrollWidth, cut: cut, formulas: formulas.length,
      flat: heights.filter((one) => one < 10).length}});
}};
</script>
"""


@pytest.fixture(scope="module")
def chromium() -> str:
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if found is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium here, but CI must run these tests")
        pytest.skip("no Chromium on this machine; CI has one")
    return found


@pytest.fixture(scope="module")
def page(report: Report) -> str:
    return page_html(report, draw_figures(report))


def _command(chromium: str, folder: Path, *what: str) -> list[str]:
    return [
        chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
        "--disable-background-networking", "--disable-component-update", f"--user-data-dir={folder / 'profile'}",
        "--window-size=1400,1000", *what,
    ]  # fmt: skip


def _chromium(chromium: str, folder: Path, *what: str) -> str:
    """What the browser says on standard output."""
    command = _command(chromium, folder, *what)
    return subprocess.run(command, capture_output=True, timeout=120, check=True).stdout.decode("utf-8")


def _measure(chromium: str, page: str, width: int, folder: Path) -> Any:
    probe = folder / "probe.html"
    probe.write_text(_PROBE.format(width=width, page=html.escape(page)), encoding="utf-8")
    dom = _chromium(chromium, folder, "--dump-dom", probe.as_uri())
    return json.loads(html.unescape(dom.split('<pre id="out">')[1].split("</pre>")[0]))


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_never_scrolls_sideways(chromium: str, page: str, width: int, tmp_path: Path) -> None:
    """On a desk screen and on a phone; wide tables and drawings scroll inside their own boxes."""
    measured = _measure(chromium, page, width, tmp_path)

    assert measured["inner"] >= width - 20
    assert measured["needed"] <= measured["inner"]


@pytest.mark.parametrize("width", [1280, 390])
def test_the_pages_beside_it_never_scroll_sideways(chromium: str, report: Report, width: int, tmp_path: Path) -> None:
    """Formulas and budgets, too, scroll inside their own boxes; every formula has been set and has a size."""
    for beside in (definitions_html("0.1.0"), budgets_html(report)):
        measured = _measure(chromium, beside, width, tmp_path)

        assert measured["needed"] <= measured["inner"]
        assert measured["flat"] == 0
    assert _measure(chromium, definitions_html("0.1.0"), width, tmp_path)["formulas"] == len(CHARACTERISTICS)


@pytest.mark.parametrize("width", [1280, 390])
def test_no_label_of_a_drawing_is_cut_off(chromium: str, page: str, width: int, tmp_path: Path) -> None:
    """Every text of every figure lies inside its drawing, in the fonts of this machine, and nothing has collapsed."""
    measured = _measure(chromium, page, width, tmp_path)

    assert measured["cut"] == []
    assert measured["flat"] == 0


def test_a_page_that_is_too_wide_is_found_out(chromium: str, page: str, tmp_path: Path) -> None:
    """The probe itself: a block wider than the phone makes it see an overflow."""
    wide = page.replace("<main>", '<main><div style="width:900px">wide</div>', 1)
    measured = _measure(chromium, wide, 390, tmp_path)

    assert measured["needed"] > measured["inner"]


_OPENED = """<script>
const shown = () => [...document.querySelectorAll(".small")].filter((one) => one.offsetHeight).length;
const before = shown();
document.querySelectorAll("details").forEach((one) => { one.open = true; });
document.title = before + " then " + shown();
</script></body>"""


def test_folded_lines_of_a_budget_are_hidden_on_the_screen_and_printed(
    chromium: str, report: Report, tmp_path: Path
) -> None:
    """An auditor with the printed page must find every line; on the screen they stand behind one until it is opened."""
    budget = report.budgets[0]
    tiny = [dataclasses.replace(budget.lines[0], draw=f"tiny{n}", contribution=1e-3) for n in range(5)]
    with_tiny = dataclasses.replace(budget, lines=(*budget.lines, *tiny))
    page = budgets_html(dataclasses.replace(report, budgets=(with_tiny,)))
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    (tmp_path / "probe.html").write_text(page.replace("</body>", _OPENED), encoding="utf-8")
    dom = _chromium(chromium, tmp_path, "--dump-dom", (tmp_path / "probe.html").as_uri())
    _chromium(chromium, tmp_path, f"--print-to-pdf={tmp_path / 'page.pdf'}", (tmp_path / "page.html").as_uri())
    command = ["pdftotext", "-layout", str(tmp_path / "page.pdf"), "-"]
    printed = subprocess.run(command, capture_output=True, timeout=60, check=True).stdout.decode("utf-8")

    assert "<title>0 then 1</title>" in dom
    assert all(f"tiny{n}" in printed for n in range(5))


_LIVE = """(async () => {
  // A frame first: what is in view is told with frames.
  const later = (ms) => new Promise((done) => requestAnimationFrame(() => setTimeout(done, ms)));
  const figures = [...document.querySelectorAll("figure")];
  for (let n = 0; n < 4000 && figures.some((one) => !one.dataset.live); n += 1) await later(100);
  const one = document.getElementById("figure-gain_step_error");
  const texts = (where) => [...one.querySelectorAll(where)].map((text) => text.textContent);
  const ticks = () => texts(".live .role-axis-label text").join(" ");
  const heads = () => texts(".live text").filter((text) => text.startsWith("Channel")).length;
  const press = async (name) => {
    [...one.querySelectorAll("button")].find((button) => button.textContent === name).click();
    await later(300);
    return ticks();
  };
  const found = {live: figures.map((figure) => figure.dataset.live), before: ticks(), heads: heads()};
  found.zoomed = await press("Zoom in");
  found.whole = await press("Whole");
  one.querySelector("input").click();
  await later(300);
  found.left = heads();
  const places = [...one.querySelectorAll(".live path")].filter((path) => path.__data__?.mark?.marktype === "path");
  const box = places[40].getBoundingClientRect();
  for (const kind of ["pointerover", "pointermove", "mousemove"]) {
    const where = {bubbles: true, clientX: box.left + box.width / 2, clientY: box.top + box.height / 2};
    places[40].dispatchEvent(kind[0] === "p" ? new PointerEvent(kind, where) : new MouseEvent(kind, where));
  }
  await later(300);
  found.told = document.querySelector(".tip").innerText;
  found.asked = performance.getEntriesByType("resource").length;
  return found;
})()"""


def test_every_figure_comes_to_life_and_answers_without_a_network(chromium: str, page: str, tmp_path: Path) -> None:
    """With no name that can be resolved: each is mounted under the page's own policy; zoom, the way back, hiding and
    hovering do what they say, and nothing was asked for.
    """
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    flags = ("--window-size=1400,30000", "--host-resolver-rules=MAP * ~NOTFOUND")
    with browser(_command(chromium, tmp_path, *flags)) as one:
        found = one.evaluated((tmp_path / "page.html").as_uri(), _LIVE)

    assert set(found["live"]) == {"yes"}, found
    assert len(found["live"]) > 10
    assert found["zoomed"] != found["before"]
    assert sorted(found["whole"].split()) == sorted(found["before"].split())
    assert (found["heads"], found["left"]) == (4, 3)
    assert "Gain step error / dB" in found["told"]
    assert "±" in found["told"]
    assert "undefined" not in found["told"]
    assert found["asked"] == 0


def test_print_shows_drawings_events_and_where_links_lead(chromium: str, page: str, tmp_path: Path) -> None:
    """A page that was alive prints as one that was not: no buttons, folded events open, links with their targets."""
    (tmp_path / "page.html").write_text(page, encoding="utf-8")
    flags = ("--window-size=1400,30000", "--virtual-time-budget=20000", f"--print-to-pdf={tmp_path / 'page.pdf'}")
    _chromium(chromium, tmp_path, *flags, (tmp_path / "page.html").as_uri())
    command = ["pdftotext", "-layout", str(tmp_path / "page.pdf"), "-"]
    printed = subprocess.run(command, capture_output=True, timeout=60, check=True).stdout.decode("utf-8")

    assert "Zoom in" not in printed
    assert "soak extended" in printed
    assert "tables.html#table-gain_step_error" in printed
    assert printed.count("Error of each gain step over code and temperature") >= 2
