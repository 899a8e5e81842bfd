from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from reports import folder as module
from reports.folder import FolderNotOurs, check_replaceable, write_folder
from reports.panel_figures import Figure
from reports.summary import Report
from sequences.part_file import Cascade


@pytest.fixture(scope="module")
def small(make_report: Callable[..., Report], sweep: pd.DataFrame) -> Report:
    """One temperature, one load: six figures less, seconds less."""
    rows = sweep[(sweep["temperature_c"] == 25) & (sweep["load_ohm"] == 200) & (sweep["gain_code"] < 4)]
    return make_report(conditions=rows)


@pytest.fixture
def one_drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawing takes seconds and is tested elsewhere; one figure where the run has any values, none where it has not."""
    figure = Figure("step", "Steps", "A step.", "<svg/>", "Gain")

    def draw(report: Report) -> tuple[Figure, ...]:
        return () if report.characteristics.empty else (figure,)

    monkeypatch.setattr(module, "draw_figures", draw)


def _tree(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_a_report_folder_holds_page_summary_tables_and_figures(small: Report, tmp_path: Path) -> None:
    """The promised names; every path that is returned exists, and nothing else is left in the parent."""
    paths = write_folder(small, tmp_path / "deep" / "report")

    assert {entry.name for entry in paths.folder.iterdir()} == {
        "report.html", "budgets.html", "definitions.html", "tables.html", "summary.json", "characteristics.csv",
        "readings.csv", "figures",
    }  # fmt: skip
    assert all(path.is_file() for path in (paths.page, paths.summary, paths.characteristics, paths.readings))
    assert {path.name for path in (paths.folder / "figures").iterdir()} == {path.name for path in paths.figures}
    assert "margins.svg" in {path.name for path in paths.figures}
    assert [entry.name for entry in (tmp_path / "deep").iterdir()] == ["report"]


@pytest.mark.usefixtures("one_drawing")
def test_cascades_have_a_table_where_there_are_any(small: Report, tmp_path: Path) -> None:
    """The folder is still one that a later report may replace, and then the table goes with it."""
    row = {column: [0.0] for column in small.cascades.columns} | {"cascade": ["A into B"], "quantity": ["gain"]}
    spec = Cascade.model_validate({"name": "A into B", "stages": ("A", "B")})
    part = small.part.model_copy(update={"cascade": (spec,)})
    codes = {"gain_code_1": [0], "gain_code_2": [0]}
    table = pd.DataFrame(row | codes | {"bound": [0], "supply_mode": ["nominal"]})
    paths = write_folder(dataclasses.replace(small, part=part, cascades=table), tmp_path / "report")

    assert paths.cascades == paths.folder / "cascades.csv"
    assert paths.cascades.read_text("utf-8").count("\n") == 2
    (told,) = json.loads(paths.summary.read_text("utf-8"))["cascades"]
    assert told == {"name": "A into B", "stages": ["A", "B"], "rows": 1, "measured": 1, "beyond_u": 0}
    assert write_folder(small, tmp_path / "report").cascades is None
    assert not paths.cascades.exists()


@pytest.mark.usefixtures("one_drawing")
def test_a_second_report_of_the_same_run_is_the_same_to_the_byte(small: Report, tmp_path: Path) -> None:
    """Written over the first one, which it replaces."""
    first = _tree(write_folder(small, tmp_path / "report").folder)

    assert _tree(write_folder(small, tmp_path / "report").folder) == first


@pytest.mark.usefixtures("one_drawing")
def test_a_newer_report_replaces_an_earlier_one_whole(small: Report, tmp_path: Path) -> None:
    """A figure that the new report lacks does not stay behind from the old one."""
    write_folder(small, tmp_path / "report")
    bare = dataclasses.replace(small, characteristics=small.characteristics.head(0), limits=(), decision="not tested")
    part = bare.part.model_copy(update={"limit": ()})
    paths = write_folder(dataclasses.replace(bare, part=part), tmp_path / "report")

    assert list((paths.folder / "figures").iterdir()) == []
    assert json.loads(paths.summary.read_text("utf-8"))["decision"] == "not tested"


@pytest.mark.usefixtures("one_drawing")
def test_a_failure_while_rendering_leaves_the_earlier_report_whole(
    small: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last file fails, as on a full disk: the old folder is untouched and no scrap stays beside it."""
    before = _tree(write_folder(small, tmp_path / "report").folder)

    def full(_report: Report) -> str:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "readings_csv", full)
    with pytest.raises(OSError, match="No space left"):
        write_folder(small, tmp_path / "report")

    assert _tree(tmp_path / "report") == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["report"]


@pytest.mark.usefixtures("one_drawing")
def test_a_failure_of_the_last_move_puts_the_earlier_report_back(
    small: Report, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between the two moves nothing stands at the wanted name; an error there must not leave it so."""
    before = _tree(write_folder(small, tmp_path / "report").folder)
    rename = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        if self.name == "fresh":
            raise PermissionError(13, "Permission denied")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(PermissionError):
        write_folder(small, tmp_path / "report")

    assert _tree(tmp_path / "report") == before


@pytest.mark.parametrize(
    ("made", "found"),
    [
        (("notes.txt",), "notes.txt"),
        (("report.html", "summary.json", "holiday.jpg"), "holiday.jpg"),
        (("report.html", "summary.json", "figures/raw.dat"), "figures/raw.dat"),
        (("readings.csv",), "readings.csv"),
    ],
)
def test_a_folder_with_anything_of_somebody_elses_is_never_replaced(
    small: Report, tmp_path: Path, made: tuple[str, ...], found: str
) -> None:
    """The message names the folder and the first strange thing in it, and nothing is touched."""
    place = tmp_path / "report"
    for name in made:
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text("mine")
    before = _tree(place)

    with pytest.raises(FolderNotOurs, match=found) as caught:
        write_folder(small, place)

    assert (caught.value.directory, caught.value.found) == (place, found)
    assert _tree(place) == before


def test_a_file_in_the_way_is_named(tmp_path: Path) -> None:
    """``--to report.html`` with such a file there is a slip, not a wish to lose it."""
    (tmp_path / "report").write_text("mine")

    with pytest.raises(FolderNotOurs, match="report"):
        check_replaceable(tmp_path / "report")


def test_an_empty_or_absent_folder_is_free(tmp_path: Path) -> None:
    """Neither holds anything to lose."""
    check_replaceable(tmp_path)
    check_replaceable(tmp_path / "absent")

    assert list(tmp_path.iterdir()) == []
