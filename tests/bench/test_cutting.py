"""Recordings cut to a few conditions."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from replayed import FOUR, spend, store_in

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.cutting import cut_recording, numbers_of
from bench.errors import BenchError
from bench.exit_codes import ExitCode
from bench.store.store import Store
from drivers.recording_file import read_recording
from edited_demo import edited_demo


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("night")


@pytest.fixture(scope="module")
def store(folder: Path) -> Iterator[Store]:
    with store_in(folder) as opened:
        spend(edited_demo(FOUR), opened)
        yield opened


@pytest.mark.parametrize(("text", "numbers"), [("0", {0}), ("0-2", {0, 1, 2}), ("7, 1-2,7", {1, 2, 7})])
def test_numbers_are_written_as_people_write_them(text: str, numbers: set[int]) -> None:
    """Single ones and ranges."""
    assert numbers_of(text) == numbers


@pytest.mark.parametrize("text", ["", "a", "1-", "-1", "1;2", "3-2", "0-9999999999"])
def test_what_names_no_number_is_refused(text: str) -> None:
    """With the way to write it."""
    with pytest.raises(BenchError, match="write numbers from 0"):
        numbers_of(text)


def test_a_cut_holds_what_was_said_in_these_conditions_to_the_byte(store: Store) -> None:
    """Waits too, unless places are named; three conditions take less than 100 kB."""
    run = store.find_run("latest")
    text = cut_recording(store, run, {0, 1, 2})
    read = read_recording(text)
    wanted = [chunk for chunk in store.exchange_chunks(run) if chunk.condition in (0, 1, 2)]

    assert list(read.exchanges) == [one for chunk in wanted for one in chunk.exchanges]
    assert set(read.conditions) == {0, 1, 2}
    assert read.header["run"] == run
    assert len(text.encode()) < 100_000


def test_places_and_the_way_up_are_chosen(store: Store) -> None:
    """For a driver that is brought up, and reads."""
    read = read_recording(cut_recording(store, store.find_run("latest"), {1}, ["analyzer"], bring_up=True))

    assert {one.instrument for one in read.exchanges} == {"analyzer"}
    assert read.exchanges[0].number == 1
    assert read.exchanges[0].sent == b"*IDN?"
    assert set(read.conditions) == {None, 1}


def test_a_cut_without_anything_in_it_is_refused(store: Store) -> None:
    """Nothing of that place, or no such condition."""
    with pytest.raises(BenchError, match="nothing in these conditions at load_swich; it has 0 to 3"):
        cut_recording(store, store.find_run("latest"), {0}, ["load_swich"])


def test_the_command_writes_a_file_and_replaces_none(
    store: Store, folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its size and the number of exchanges are said."""
    file = tmp_path / "meter.recording.jsonl"
    words = [
        "cut",
        "latest",
        "--place",
        "current_meter",
        "--to",
        str(file),
        "--store",
        str(folder / "night.db"),
        "--json",
    ]
    assert run_guarded(app, words) == ExitCode.DONE
    answer = json.loads(capsys.readouterr().out)

    assert answer["exchanges"] == len(read_recording(file.read_text("utf-8")).exchanges) > 0
    assert answer["bytes"] == file.stat().st_size
    assert run_guarded(app, words) == ExitCode.BAD_INPUT
    assert run_guarded(app, [*words, "--replace"]) == ExitCode.DONE
    capsys.readouterr()
    assert run_guarded(app, [*words, "--to", str(tmp_path)]) == ExitCode.BAD_INPUT
    assert "is a folder; name a file in it" in capsys.readouterr().err
