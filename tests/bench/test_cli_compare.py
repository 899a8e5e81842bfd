"""``nightbench compare`` on a store of short runs: answers, files, exit codes and refusals."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path

import pytest

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.job import StopSwitch
from bench.night import start_run
from bench.store.store import open_store
from sequences.read_files import Setup

MakeSetup = Callable[..., Setup]

EDITS = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}
OTHER_BENCH = {'name = "Nimbus"': 'name = "Cirrus"', "seed = 20261102": "seed = 5"}


def nightbench(*arguments: str) -> tuple[int, str, str]:
    """Run a command in this process: its code, what it answered, and what it said beside."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return code, out.getvalue(), err.getvalue()


@dataclass(frozen=True)
class Kept:
    """A store with one unit at two benches."""

    url: str
    nimbus: str
    cirrus: str

    def compare(self, *arguments: str) -> tuple[int, str, str]:
        return nightbench("compare", self.nimbus, self.cirrus, "--store", self.url, *arguments)


@pytest.fixture(scope="module")
def kept(make_setup: MakeSetup, tmp_path_factory: pytest.TempPathFactory) -> Kept:
    url = str(tmp_path_factory.mktemp("store") / "n.db")
    with open_store(url) as store:
        runs = [
            start_run(make_setup(edits), "VG2-0007", "Ada", store, lambda _: None, StopSwitch(), lambda run, plan: None)
            for edits in (EDITS, EDITS | OTHER_BENCH)
        ]
    return Kept(url, *(one.run for one in runs))


def test_the_folder_holds_page_table_answer_and_figures(kept: Kept, tmp_path: Path) -> None:
    """The page asks no network for anything; every difference is in the table; figures lie beside as SVG."""
    folder = tmp_path / "comparison"
    code, out, said = kept.compare("--to", str(folder), "--characteristic", "gain", "--characteristic", "gain_match")
    page = (folder / "comparison.html").read_text("utf-8")
    with (folder / "comparison.csv").open(encoding="utf-8", newline="") as file:
        lines = list(csv.DictReader(file))
    answer = json.loads((folder / "comparison.json").read_text("utf-8"))

    assert (code, said) == (0, "")
    assert "bench Cirrus less bench Nimbus" in out
    assert "Benches agree within chance" in out
    assert not re.search(r'(?:src|href)="(?:https?:)?//', page)
    assert "How runs are compared" in page
    assert len(lines) == answer["pairs"][0]["differences"] == 6
    assert {line["run"] for line in lines} == {kept.cirrus}
    assert [one["label"] for one in answer["runs"]] == ["bench Nimbus", "bench Cirrus"]
    assert {path.name for path in (folder / "figures").iterdir()} >= {"ratios_1.svg", "overlaid_gain.svg"}


def test_an_earlier_comparison_is_replaced_and_nothing_else(kept: Kept, tmp_path: Path) -> None:
    """A folder with something of somebody else is refused, before anything is derived."""
    kept.compare("--to", str(tmp_path / "a"), "--characteristic", "gain")
    assert kept.compare("--to", str(tmp_path / "a"), "--characteristic", "oip3")[0] == 0
    (tmp_path / "a" / "notes.txt").write_text("mine", encoding="utf-8")
    code, _, said = kept.compare("--to", str(tmp_path / "a"), "--characteristic", "gain")

    assert code == 2
    assert "notes.txt" in said


def test_the_answer_for_machines_is_that_of_the_file(kept: Kept, tmp_path: Path) -> None:
    """One object on standard output, with the page's place."""
    code, out, _ = kept.compare("--to", str(tmp_path / "a"), "--characteristic", "gain", "--json")
    answer, file = json.loads(out), json.loads((tmp_path / "a" / "comparison.json").read_text("utf-8"))

    assert code == 0
    assert answer == file | {"page": str(tmp_path / "a" / "comparison.html")}
    assert answer["pairs"][0]["kind"] == "benches"


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (("--characteristic", "gian"), "'gian' is not a characteristic"),
        (("latest",), "named twice"),
    ],
)
def test_what_cannot_be_compared_ends_with_two(
    kept: Kept, tmp_path: Path, arguments: tuple[str, ...], text: str
) -> None:
    """And writes nothing."""
    code, _, said = kept.compare("--to", str(tmp_path / "a"), *arguments)

    assert code == 2
    assert text in said
    assert not (tmp_path / "a").exists()
