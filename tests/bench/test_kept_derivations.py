"""Derived again with other files: what is kept of it, what comes out again from the store alone, what is refused."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.errors import BenchError, NoSuchRun, StoreFault
from bench.inputs import Inputs
from bench.reporting import derived_with, digest_of, frames_of, note_derivation
from bench.store import store as store_module
from bench.store.store import open_store
from sequences.read_files import demo_file

SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
}
OUTPUT_A = "loss_db = [10.88, 10.94, 11.01, 11.06, 11.11, 11.20, 11.28, 11.36, 11.57]"
HIGHER = OUTPUT_A.replace("11.01", "12.01")


def nightbench(*arguments: str) -> tuple[int, str, str]:
    """Run a command in this process: its code, what it answered, and what it said beside."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return code, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module", autouse=True)
def _without_figures() -> Iterator[None]:
    """Pages without drawings: they take most of a report's time and tell nothing of its inputs."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("reports.folder.draw_figures", lambda report: ())
        yield


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo's files and the store of one short run."""
    folder, source = tmp_path_factory.mktemp("night"), demo_file("quick.sequence.toml")
    for path in source.parent.iterdir():
        if path.is_file():
            text = path.read_text("utf-8")
            for old, new in SMALL.items():
                text = text.replace(old, new) if path == source else text
            (folder / path.name).write_text(text, encoding="utf-8")
    code, _, said = nightbench(
        "run", str(folder / "quick.sequence.toml"), "--unit", "VG2-0007", "--store", str(folder / "n.db"),
        "--to", str(folder / "report"),
    )  # fmt: skip
    assert code == 0, said
    return folder


@pytest.fixture
def folder(night: Path, tmp_path: Path) -> Path:
    """A copy that a test may derive from as it likes."""
    for path in night.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path / path.name)
    return tmp_path


def edited(folder: Path, name: str, old: str, new: str) -> Path:
    """A file of the folder with one passage changed, under another name."""
    text = (folder / name).read_text("utf-8")
    assert old in text
    path = folder / f"other-{name}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def kept(folder: Path) -> list[dict[str, object]]:
    code, out, _ = nightbench("runs", "latest", "--derivations", "--store", str(folder / "n.db"), "--json")
    assert code == 0
    found: list[dict[str, object]] = json.loads(out)["derivations"]
    return found


def test_what_other_inputs_gave_is_kept_once_with_them(folder: Path) -> None:
    """Twice the same bench file is one derivation, a tighter part file another; the run's own files are none."""
    bench = edited(folder, "nimbus.bench.toml", OUTPUT_A, HIGHER)
    part = edited(folder, "virga-2.part.toml", "min = 40.0", "min = 60.0")
    store = ("--store", str(folder / "n.db"))

    assert nightbench("derive", "latest", *store)[2] == ""
    for _ in range(2):
        _, _, said = nightbench("derive", "latest", *store, "--bench", str(bench), "--operator", "Ada")
        assert "kept as derivation 1" in said
    code, out, _ = nightbench("derive", "latest", *store, "--part", str(part))
    assert (code, out.splitlines()[-1].endswith(" --derivation 2")) == (1, True)
    assert (
        "nothing new to keep" in nightbench("derive", "latest", *store, "--part", str(folder / "virga-2.part.toml"))[2]
    )
    first, second = kept(folder)
    assert first["operator"] == "Ada"
    assert first["inputs"] == {"bench": {"name": bench.name, "fingerprint": Inputs.read(bench=bench).bench.fingerprint}}  # type: ignore[union-attr]  # it was read
    assert (second["decision"], list(second["inputs"])) == ("fail", ["part"])  # type: ignore[call-overload]  # a dict
    assert first["digest"] != second["digest"]


def test_identical_inputs_give_an_identical_digest(folder: Path) -> None:
    """Derived from files, from a copy of them under another name, and from what the store keeps: one digest."""
    bench = edited(folder, "nimbus.bench.toml", OUTPUT_A, HIGHER)
    copy = bench.with_name("copy.bench.toml")
    shutil.copy(bench, copy)
    with open_store(str(folder / "n.db")) as store:
        run = store.find_run("latest")
        reports = [derived_with(store, run, Inputs.read(bench=path)) for path in (bench, copy)]
        noted = note_derivation(store, reports[0], Inputs.read(bench=bench), "")
        assert noted is not None
        bench.unlink()
        again = derived_with(store, run, Inputs.of_facts(store.derivation(run, noted.number).inputs))

        assert {digest_of(one) for one in (*reports, again)} == {noted.digest}
        assert digest_of(derived_with(store, run, Inputs())) != noted.digest


def test_a_report_is_made_again_from_the_store_alone_and_says_so(folder: Path) -> None:
    """The files are gone; the page names derivation, file and fingerprints, and has the other losses' gain."""
    bench = edited(folder, "nimbus.bench.toml", OUTPUT_A, HIGHER)
    store = ("--store", str(folder / "n.db"))
    nightbench("derive", "latest", *store, "--bench", str(bench))
    fingerprint = Inputs.read(bench=bench).bench.fingerprint  # type: ignore[union-attr]  # it was read
    for path in folder.glob("*.toml"):
        path.unlink()
    code, _, said = nightbench("report", "latest", *store, "--derivation", "1", "--to", str(folder / "again"))
    page = (folder / "again" / "report.html").read_text("utf-8")

    assert code in (0, 1)
    assert said == ""
    assert f"Derived again from the stored readings with another bench file {bench.name}" in page
    assert "derivation 1 of this run" in page
    assert fingerprint[:16] in page
    assert "sequence file quick.sequence.toml (SHA-256 " in page


def test_every_report_names_its_inputs(folder: Path) -> None:
    """Also one with the run's own files, which says nothing of being derived again."""
    nightbench("report", "latest", "--store", str(folder / "n.db"), "--to", str(folder / "own"))
    page = (folder / "own" / "report.html").read_text("utf-8")

    assert "Derived with part file virga-2.part.toml (SHA-256 " in page
    assert "Derived again" not in page


def test_a_store_that_cannot_be_written_still_answers_and_says_that_nothing_is_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opened to read where it cannot be opened to write; the decision is the answer."""
    bench = edited(folder, "nimbus.bench.toml", OUTPUT_A, HIGHER)

    def refused(url: str, *, must_exist: bool = False) -> object:
        raise StoreFault(f"store {url}: it cannot be written")

    with monkeypatch.context() as patch:
        patch.setattr(store_module, "open_store", refused)
        arguments = ("derive", "latest", "--store", str(folder / "n.db"), "--bench", str(bench), "--json")
        code, out, said = nightbench(*arguments)

    assert code in (0, 1)
    assert json.loads(out)["unit"] == "VG2-0007"
    assert "is not kept" in said
    assert kept(folder) == []


@pytest.mark.parametrize(
    ("name", "old", "new", "text"),
    [
        ("virga-2.part.toml", "from = 24.0, to = 1.5, step = 0.75", "from = 24.5, to = 2.0, step = 0.75", "gain codes"),
        ("nimbus.bench.toml", "[instrument.current_meter]", "[instrument.xx]", "xx"),
    ],
)
def test_files_that_would_make_other_readings_are_refused(
    folder: Path, name: str, old: str, new: str, text: str
) -> None:
    """Other gain codes; a place that no bench has."""
    other = edited(folder, name, old, new)
    option = "--part" if "part" in name else "--bench"
    code, _, said = nightbench("derive", "latest", "--store", str(folder / "n.db"), option, str(other))

    assert code == 2
    assert text in said
    assert kept(folder) == []


def test_a_bench_without_the_instrument_of_a_reading_is_refused(folder: Path) -> None:
    """The current was read from a meter; the supply's accuracy must not stand in for it."""
    text = (folder / "nimbus.bench.toml").read_text("utf-8")
    start = text.index("[instrument.current_meter]")
    less = folder / "less.bench.toml"
    less.write_text(text[:start] + text[text.index("[instrument.board_thermometer]") :], encoding="utf-8")
    with open_store(str(folder / "n.db")) as store:
        run = store.find_run("latest")
        with pytest.raises(BenchError, match="no current_meter, which supply_current_a was read from"):
            frames_of(store, run, bench=less)


def test_a_derivation_that_is_not_there_is_named_with_those_that_are(folder: Path) -> None:
    """And --derivation stands alone."""
    with open_store(str(folder / "n.db")) as store, pytest.raises(NoSuchRun, match="no derivation 3; it has none"):
        store.derivation(store.find_run("latest"), 3)
    part = str(folder / "virga-2.part.toml")
    arguments = ("report", "latest", "--store", str(folder / "n.db"), "--derivation", "1", "--part", part)
    assert nightbench(*arguments)[0] == 2
