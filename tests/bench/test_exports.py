"""``nightbench export`` and a notebook on the store of a real short run."""

from __future__ import annotations

import hashlib
import io
import json
import re
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from jsonschema import Draft202012Validator
from openpyxl import load_workbook
from pyarrow import parquet
from sqlalchemy import text

from bench import open_store
from bench.cli import app
from bench.cli.failures import run_guarded
from bench.errors import NoSuchRun, StoreFault, Tripped
from bench.events import Event
from bench.job import StopSwitch
from bench.night import start_run
from bench.notebook import Notebook
from bench.reporting import report_of
from bench.store.store import open_store as open_to_write
from edited_demo import edited_demo
from reports.errors import LibraryMissing
from reports.summary_json import schema_text, summary_json
from sequences.read_files import demo_file

ROOT = Path(__file__).parents[2]
TABLES = (
    "characteristics", "characteristics_by_condition", "readings", "readings_by_condition", "conditions", "decisions",
    "events", "cascades",
)  # fmt: skip


def nightbench(*arguments: str) -> tuple[int, str, str]:
    """Run a command in this process: its code, what it answered, and what it said beside."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return code, out.getvalue(), err.getvalue()


#: Eight conditions of two temperatures, channels and codes; two stages in a row are among what is derived.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 85]",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short run, made once; its store has the name of the demo's."""
    made, source = tmp_path_factory.mktemp("night"), demo_file("quick.sequence.toml")
    for path in source.parent.iterdir():
        if path.is_file():
            text_of = path.read_text("utf-8")
            for old, new in SMALL.items():
                text_of = text_of.replace(old, new) if path == source else text_of
            (made / path.name).write_text(text_of, encoding="utf-8")
    store = str(made / "nightbench-demo.db")
    code, _, said = nightbench("run", str(made / source.name), "--unit", "VG2-0007", "--store", store, "--no-report")
    assert code in (0, 1), said
    return made


@pytest.fixture
def store(folder: Path) -> str:
    return str(folder / "nightbench-demo.db")


@pytest.fixture
def notebook(store: str) -> Any:
    with open_store(store) as opened:
        yield opened


def export(store: str, *options: str) -> tuple[int, str, str]:
    return nightbench("export", "latest", "--store", store, *options)


def test_every_format_holds_the_same_tables(store: str, notebook: Notebook, tmp_path: Path) -> None:
    """CSV, Parquet and a notebook to the last bit; the workbook has a sheet for each characteristic."""
    formats = [word for name in ("csv", "parquet", "xlsx", "json") for word in ("--format", name)]
    code, out, _ = export(store, *formats, "--to", str(tmp_path), "--json")
    answer, run = json.loads(out), notebook.tables()
    of_notebook = dict(zip(TABLES, (
        run.characteristics, run.characteristics_wide, run.readings, run.readings_wide, run.conditions, run.decisions,
        run.events, run.cascades,
    ), strict=True))  # fmt: skip

    assert code == 0
    assert [one["format"] for one in answer["exports"]] == ["csv", "parquet", "xlsx", "json"]
    assert answer["files"] == [file for one in answer["exports"] for file in one["files"]]
    assert sorted(answer["files"]) == sorted(str(path) for path in tmp_path.iterdir())
    for name, frame in of_notebook.items():
        stored = parquet.read_table(tmp_path / f"{name}.parquet").to_pandas()
        read = pd.read_csv(tmp_path / f"{name}.csv", keep_default_na=False, na_values=[""])
        for column in frame.columns:
            expected = frame[column].tolist()
            assert [None if pd.isna(one) else one for one in stored[column].tolist()] == [
                None if pd.isna(one) else one for one in expected
            ], (name, column)
            if pd.api.types.is_float_dtype(frame[column]):
                pd.testing.assert_series_equal(read[column].astype("float64"), frame[column], check_exact=True)
    (workbook,) = tmp_path.glob("*.xlsx")
    assert workbook.name == f"VG2-0007_{answer['run'][:8]}.xlsx"
    assert set(run.characteristics["characteristic"]) < set(load_workbook(workbook, read_only=True).sheetnames)


def test_the_summary_of_a_real_run_follows_the_schema_beside_it(store: str, tmp_path: Path) -> None:
    """As anybody would check it: with the file that was written next to it."""
    export(store, "--format", "json", "--to", str(tmp_path))
    schema, summary = (
        json.loads((tmp_path / name).read_text("utf-8")) for name in ("summary.schema.json", "summary.json")
    )

    assert list(Draft202012Validator(schema).iter_errors(summary)) == []
    assert (summary["state"], summary["conditions"]) == ("done", {"planned": 8, "complete": 8})
    assert summary["cascades"]


def test_a_second_export_of_the_same_is_no_conflict(store: str, tmp_path: Path) -> None:
    """The files say the same, so that nothing is lost."""
    for _ in range(2):
        assert export(store, "--format", "csv", "--format", "json", "--to", str(tmp_path))[0] == 0


def test_a_file_that_says_something_else_is_kept_unless_told(store: str, tmp_path: Path) -> None:
    """All or nothing: the other files are not written either, and nothing is left beside them."""
    mine = tmp_path / "readings.csv"
    mine.write_text("mine", encoding="utf-8")
    code, _, said = export(store, "--to", str(tmp_path))

    assert code == 2
    assert "nothing was written" in said
    assert "readings.csv" in said
    assert [path.name for path in tmp_path.iterdir()] == ["readings.csv"]
    assert mine.read_text("utf-8") == "mine"
    assert export(store, "--to", str(tmp_path), "--replace")[0] == 0
    assert mine.read_text("utf-8").startswith("condition,")
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


def test_a_folder_that_cannot_be_made_is_said(store: str, tmp_path: Path) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    code, _, said = export(store, "--format", "json", "--to", str(tmp_path / "taken" / "deep"))

    assert code == 2
    assert "cannot be written" in said


def test_a_library_that_is_missing_is_named(store: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And how to install it; nothing is written, of other formats neither."""

    def missing(*_: object) -> bytes:
        raise LibraryMissing("Parquet files", "pyarrow", "parquet")

    monkeypatch.setattr("reports.columns_parquet.table_parquet", missing)
    code, _, said = export(store, "--format", "csv", "--format", "parquet", "--to", str(tmp_path))

    assert code == 2
    assert "pip install 'nightbench[parquet]'" in " ".join(said.split())
    assert list(tmp_path.iterdir()) == []


def test_several_runs_have_a_folder_each(store: str, folder: Path, tmp_path: Path) -> None:
    """Named by the beginning of its id; a run that is named twice is written once."""
    other = tmp_path / "two.db"
    other.write_bytes((folder / "nightbench-demo.db").read_bytes())
    with open_to_write(str(other)) as opened, opened._engine.begin() as connection:
        (first,) = (line.id for line in opened.runs())
        second = f"{'0' if first[0] != '0' else '1'}{first[1:]}"
        _duplicate(connection, first, second)
    code, out, _ = nightbench(
        "export", first[:9], second[:9], first, "--store", str(other), "--format", "json", "--json",
        "--to", str(tmp_path / "both"),
    )  # fmt: skip

    assert code == 0
    assert [one["run"] for one in json.loads(out)["exports"]] == [first, second]
    assert {path.name for path in (tmp_path / "both").iterdir()} == {first[:8], second[:8]}


def _duplicate(connection: Any, first: str, second: str) -> None:
    """The same run once more, planned and without a condition measured."""
    for table, key, left_out in (("run", "id", ""), ("condition", "run", "id")):
        columns = [row[1] for row in connection.execute(text(f"PRAGMA table_info({table})")) if row[1] != left_out]
        instead = {key: ":second", "completed": "NULL"}
        taken = ", ".join(instead.get(name, name) for name in columns)
        statement = f"INSERT INTO {table} ({', '.join(columns)}) SELECT {taken} FROM {table} WHERE {key} = :first"
        connection.execute(text(statement), {"first": first, "second": second})


def test_a_notebook_changes_nothing_and_cannot(store: str, folder: Path) -> None:
    """Not a byte of the store, nothing left beside it, and every write is refused."""
    before = {path.name: hashlib.sha256(path.read_bytes()).digest() for path in folder.iterdir() if path.is_file()}
    opened = open_store(store)  # also without ``with``
    run = opened.tables("latest")

    assert len(run.decisions) == len(run.report.limits)
    with pytest.raises(StoreFault, match="cannot be written"):
        opened.interrupted(run.frames.facts.run, run.frames.facts.began)
    with pytest.raises(StoreFault, match="cannot be written"):
        opened.reopen_run(run.frames.facts.run)
    opened.close()
    opened.close()
    after = {path.name: hashlib.sha256(path.read_bytes()).digest() for path in folder.iterdir() if path.is_file()}
    assert after == before


def test_a_store_in_a_folder_that_cannot_be_written_is_read(store: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a medium that is only read; SQLite's own side files cannot be made there."""
    monkeypatch.setattr("bench.store.connect.os.access", lambda path, mode: False)

    with open_store(Path(store)) as opened:
        assert "immutable" in str(opened._engine.url)
        assert len(opened.tables().conditions) == 8


def test_a_notebook_neither_makes_nor_migrates_a_store(store: str, tmp_path: Path) -> None:
    """No such file, an empty one, an older schema: said, with what to do, and nothing is changed."""
    empty, older = tmp_path / "empty.db", tmp_path / "older.db"
    empty.touch()
    older.write_bytes(Path(store).read_bytes())
    with open_to_write(str(older)) as opened, opened._engine.begin() as connection:
        connection.execute(text("UPDATE schema_version SET version_num = '0001'"))

    with pytest.raises(StoreFault, match="no such file"):
        open_store(tmp_path / "none.db")
    with pytest.raises(StoreFault, match="it is empty"):
        open_store(empty)
    with pytest.raises(StoreFault, match=r"schema 0001 is older than .* nightbench runs --store .*older\.db"):
        open_store(older)
    assert not (tmp_path / "none.db").exists()
    assert empty.stat().st_size == 0


def test_a_run_that_is_not_there_is_answered_with_those_that_come_nearest(notebook: Notebook) -> None:
    """By the unit's serial, by a slip in the id, and otherwise the newest ones."""
    (run,) = notebook.runs_table()["run"]
    slip = f"{run[:5]}{'0' if run[5] != '0' else '1'}{run[6:8]}"

    for wanted, word in (("VG2-0007", "nearest"), (slip, "nearest"), ("zz", "the newest")):
        with pytest.raises(
            NoSuchRun, match=rf"no run whose id begins with '{wanted}'; {word}: {run} \(unit VG2-0007, quick"
        ):
            notebook.tables(wanted)


def test_a_run_can_be_decided_with_another_part_file(notebook: Notebook, tmp_path: Path) -> None:
    """A file or its path; the store keeps what the run began with."""
    tighter = tmp_path / "tighter.part.toml"
    original = (ROOT / "sequences" / "demo" / "virga-2.part.toml").read_text("utf-8")
    tighter.write_text(original.replace("min = 40.0", "min = 90.0"), encoding="utf-8")
    own, other = notebook.tables(), notebook.tables(part=tighter)

    assert own.report.decision in ("pass", "conditional pass")
    assert other.report.decision == "fail"
    assert str(other) == str(own) == f"<run {own.frames.facts.run[:8]}: VIRGA-2 VG2-0007, done, 8 of 8 conditions>"


def test_the_tables_of_a_notebook_are_explained(notebook: Notebook) -> None:
    """Every column of every frame is in ``dictionary``; the list of runs has times in UTC."""
    run, runs = notebook.tables(), notebook.runs_table()
    explained = set(zip(run.dictionary["table"], run.dictionary["column"], strict=True))

    for name, frame in (("readings", run.readings), ("events", run.events), ("conditions", run.conditions)):
        assert {(name, column) for column in frame.columns} <= explained
    assert run.curves.empty
    assert str(runs["began"].dtype) == "datetime64[us, UTC]"
    assert runs[["unit", "state", "done", "total"]].to_numpy().tolist() == [["VG2-0007", "done", 8, 8]]


def test_the_five_lines_of_the_readme_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As they stand there, beside the demo's store."""
    blocks = re.findall(r"^```python\n(.*?)^```", (ROOT / "README.md").read_text("utf-8"), re.M | re.S)
    (shown,) = [block for block in blocks if "open_store" in block]
    monkeypatch.chdir(folder)
    out = io.StringIO()
    with redirect_stdout(out):
        names: dict[str, Any] = {}
        exec(shown, names)  # that is what the test is for
    names["store"].close()

    assert len([line for line in shown.splitlines() if line.strip()]) == 5
    assert "gain_code" in out.getvalue()


@pytest.mark.slow
def test_summaries_of_several_units_and_of_a_broken_night_follow_the_schema(tmp_path: Path) -> None:
    """Two units, pooled; and a run that an interlock ended, which has measured a part of what was planned."""
    store, schema = str(tmp_path / "units.db"), json.loads(schema_text())
    for unit in ("VG2-0007", "VG2-0013"):
        nightbench("run", str(demo_file("quick.sequence.toml")), "--unit", unit, "--store", store, "--no-report")
    runs = [line["run"] for line in json.loads(nightbench("runs", "--store", store, "--json")[1])["runs"]]
    _, out, _ = nightbench("report", *runs, "--store", store, "--to", str(tmp_path / "pooled"), "--json")
    pooled = [
        json.loads((Path(one["report"]).parent / "summary.json").read_text("utf-8"))
        for one in json.loads(out)["reports"]
    ]
    broken = _tripped(tmp_path)

    assert [len(one["typical"]) > 0 for one in pooled] == [True, True]
    assert (broken["state"], broken["conditions"]["complete"] < broken["conditions"]["planned"]) == ("tripped", True)
    for summary in (*pooled, broken):
        assert list(Draft202012Validator(schema).iter_errors(summary)) == []


def _tripped(folder: Path) -> Any:
    """Summary of a night that ends in its third condition."""
    with open_to_write(str(folder / "broken.db")) as opened:

        def hear(event: Event) -> None:
            if event.kind == "soak began" and opened.done_conditions(opened.find_run("latest")):
                raise Tripped("board at 95 °C")

        with pytest.raises(Tripped) as caught:
            start_run(edited_demo(SMALL), "VG2-0007", "", opened, hear, StopSwitch(), lambda *_: None)
        return json.loads(summary_json(report_of(opened, caught.value.run or opened.find_run("latest"))))
