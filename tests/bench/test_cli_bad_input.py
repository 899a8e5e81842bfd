"""What a person sees after a mistake: what, where, found and allowed, in one paragraph; an exit code; no traceback.

Every answer is quoted whole where it is ours, and in its decisive part where a library draws a box around it.
"""

from __future__ import annotations

import io
import json
import re
import sqlite3
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.exit_codes import ExitCode
from bench.store.records import FileText, RunRecord, RunTexts
from bench.store.store import open_store
from reports.characteristics import CHARACTERISTICS
from sequences.read_files import demo_file

SEQUENCE, BENCH, PART = "quick.sequence.toml", "nimbus.bench.toml", "virga-2.part.toml"
SHIPPED = {name: demo_file(name).read_text(encoding="utf-8") for name in (SEQUENCE, BENCH, PART)}

AXES = "channel, gain_code, temperature_c, supply_mode, load_ohm, tone_level_dbm, frequency_hz"


@dataclass(frozen=True)
class Answer:
    """What a command said."""

    code: int
    out: str
    err: str


def nightbench(*arguments: str) -> Answer:
    """Run a command in this process. A mistake of ours would end in exit code 70, which no test here expects."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return Answer(code, out.getvalue(), err.getvalue())


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder, with the quick sequence and its files in it; nothing of the user's environment."""
    for name, text in SHIPPED.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for name in ("NIGHTBENCH_STORE", "NIGHTBENCH_OPERATOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("COLUMNS", "160")
    return tmp_path


def _edited(file: str, old: str, new: str) -> str:
    text = SHIPPED[file]
    assert old in text, "the shipped file has changed; the edit must follow it"
    return text.replace(old, new, 1)


#: Name → file, what stands in it, what a person wrote instead, what nightbench answers to that, line by line.
FILE_MISTAKES: dict[str, tuple[str, str, str, tuple[str, ...]]] = {
    "misspelt key": (
        SEQUENCE,
        "spacing_mhz",
        "spaceing_mhz",
        (
            f"{SEQUENCE}, [tones] spaceing_mhz: unknown key, "
            "allowed spacing_hz, upper_minus_lower_db, level_at.  Did you mean spacing_mhz?",
        ),
    ),
    "misspelt axis": (
        SEQUENCE,
        "temperature_c = [",
        "temprature_c = [",
        (f"{SEQUENCE}, [axes] temprature_c: unknown key, allowed {AXES}.  Did you mean temperature_c?",),
    ),
    "unknown table": (
        PART,
        "[operating]",
        "[operatng]",
        (
            f"{PART}, operatng: unknown table, "
            "allowed part, gain_codes, supply_mode, absolute_maximum, operating, limit, cascade.  "
            "Did you mean operating?",
        ),
    ),
    "text instead of a number": (
        SEQUENCE,
        "spacing_mhz = 1",
        'spacing_mhz = "1 MHz"',
        (f'{SEQUENCE}, [tones] spacing_mhz: found "1 MHz", allowed a number',),
    ),
    "driver that does not exist": (
        BENCH,
        'serial = "NS-203"',
        'serial = "NS-203"\ndriver = "scpy"',
        (
            f"{BENCH}, [instrument.analyzer] driver: a spectrum analyzer has no driver 'scpy' (did you mean 'scpi'?); "
            "allowed: scpi, or package.module:Class",
        ),
    ),
    "fraction instead of a whole number": (
        BENCH,
        "seed = 20261102",
        "seed = 1.5",
        (f"{BENCH}, [simulation] seed: found 1.5, allowed a whole number",),
    ),
    "unit of another dimension": (
        SEQUENCE,
        "spacing_mhz = 1",
        "spacing_ms = 1",
        (f"{SEQUENCE}, [tones] spacing_ms: found 1, allowed spacing_hz or spacing_khz or spacing_mhz or spacing_ghz",),
    ),
    "one key in two spellings": (
        SEQUENCE,
        "spacing_mhz = 1",
        "spacing_mhz = 1\nspacing_khz = 1000",
        (f"{SEQUENCE}, [tones] spacing_khz: given twice, spacing_mhz is there as well",),
    ),
    "number out of its bounds": (
        BENCH,
        "timeout_s = 20",
        "timeout_s = -20",
        (f"{BENCH}, [instrument.analyzer] timeout_s: found -20, allowed 0.001 or more",),
    ),
    "not a number": (
        BENCH,
        "timeout_s = 20",
        "timeout_s = nan",
        (f"{BENCH}, [instrument.analyzer] timeout_s: found nan, allowed a finite number",),
    ),
    "temperature beyond the part": (
        SEQUENCE,
        "[-40, 25, 85]",
        "[-40, 25, 140]",
        (f"{SEQUENCE}, [axes] temperature_c: found 140, allowed -40 … 85 (part operating range)",),
    ),
    "temperature beyond the chamber": (
        BENCH,
        "{ min = -60, max = 150 }",
        "{ min = -30, max = 150 }",
        (f"{SEQUENCE}, [axes] temperature_c: found -40, allowed -30 … 150 (chamber range)",),
    ),
    "temperature beyond the fixture": (
        BENCH,
        "temperature_c = { min = -50, max = 105 }",
        "temperature_c = { min = -50, max = 70 }",
        (f"{SEQUENCE}, [axes] temperature_c: found 85, allowed -50 … 70 (fixture rating)",),
    ),
    "temperature above the chamber's own limiter": (
        BENCH,
        "limiter_c = 95",
        "limiter_c = 80",
        (f"{SEQUENCE}, [axes] temperature_c: found 85, allowed -273.15 … 80 (below the chamber's limiter)",),
    ),
    "channel that the part lacks": (
        SEQUENCE,
        'channel = "all"',
        'channel = ["A", "C"]',
        (f'{SEQUENCE}, [axes] channel: found "C", allowed "A", "B" (part file)',),
    ),
    "gain code that the part lacks": (
        SEQUENCE,
        "gain_code = { from = 0, to = 30, step = 5 }",
        "gain_code = [0, 31]",
        (f"{SEQUENCE}, [axes] gain_code: found 31, allowed 0, 1, 2 … 30 (part file)",),
    ),
    "misspelt supply mode": (
        SEQUENCE,
        'supply_mode = "nominal"',
        'supply_mode = "nominl"',
        (
            f'{SEQUENCE}, [axes] supply_mode: found "nominl", '
            'allowed "nominal", "low power" (part file).  Did you mean "nominal"?',
        ),
    ),
    "load that the part lacks": (
        SEQUENCE,
        "load_ohm = 200",
        "load_ohm = [200, 300]",
        (f"{SEQUENCE}, [axes] load_ohm: found 300, allowed 100, 150, 200, 400 (part file)",),
    ),
    "load without a route": (
        BENCH,
        "loads = { 100 = 101, 150 = 102, 200 = 103, 400 = 104 }",
        "loads = { 100 = 101, 150 = 102 }",
        (f"{SEQUENCE}, [axes] load_ohm: found 200, allowed 100, 150 ([instrument.load_switch] of {BENCH})",),
    ),
    "level above what the sources give": (
        SEQUENCE,
        "tone_level_dbm = 3",
        "tone_level_dbm = 15",
        tuple(
            f"{SEQUENCE}, [axes] tone_level_dbm: {tone} would have to give 20.78 dBm at channel B, gain code 30, "
            f"200 Ω, 15 dBm, 60 MHz, found 15, allowed 19 dBm or less from {tone}"
            for tone in ("tone_1", "tone_2")
        ),
    ),
    "level above the unit's input rating": (
        PART,
        "input_level_dbm = 18",
        "input_level_dbm = 2",
        (
            f"{SEQUENCE}, [axes] tone_level_dbm: both tones together may put 4.86 dBm into the unit "
            "(with what source and path may be off) at channel A, "
            "gain code 30, 200 Ω, 3 dBm, 60 MHz, found 3, allowed 2 dBm or less (part rating)",
        ),
    ),
    "saturated unit too strong for the analyzer": (
        BENCH,
        "highest_input_dbm = 30",
        "highest_input_dbm = 15",
        (
            f"{BENCH}, [instrument.analyzer] highest_input_dbm: the saturated output of 20 dBm arrives as 8.99 dBm "
            "at channel A, gain code 0, 200 Ω, 3 dBm, 60 MHz, found 15, "
            "allowed 5 dBm or less at the analyzer, 10 dB below its highest input",
        ),
    ),
    "supply above the part's rating": (
        PART,
        "supply_v = 5.0",
        "supply_v = 6.0",
        (f"{PART}, [[supply_mode]] no. 1 supply_v: found 6 V, allowed 5.5 V or less (part rating)",),
    ),
    "ramp above the part's rating": (
        PART,
        "ramp_k_per_min = 10",
        "ramp_k_per_min = 3",
        (f"{BENCH}, [instrument.chamber] ramp_k_per_min: found 4 K/min, allowed 3 K/min or less (part rating)",),
    ),
    "frequency beyond the part": (
        SEQUENCE,
        "frequency_mhz = 60",
        "frequency_mhz = 15",
        (f"{SEQUENCE}, [axes] frequency_mhz: found 15 MHz, allowed 20 MHz … 150 MHz (part operating range)",),
    ),
    "frequency outside the path-loss table": (
        BENCH,
        "[10, 30, 60, 90, 120, 180, 240, 300, 480], loss_db = [7.15, 7.19, 7.23, 7.26, 7.28, 7.33, 7.36, 7.39, 7.47]",
        "[10, 30, 55], loss_db = [7.15, 7.19, 7.23]",
        (
            f"{BENCH}, [[path_loss]] no. 1 loss_db: the loss must be known from 59.5 MHz … 60.5 MHz "
            "(input path, channel A, 200 Ω), found 10 MHz … 55 MHz",
        ),
    ),
    "part file that is not there": (
        SEQUENCE,
        'part = "virga-2.part.toml"',
        'part = "virga-3.part.toml"',
        ("virga-3.part.toml: there is no such file.  Did you mean virga-2.part.toml?",),
    ),
    "broken TOML": (
        SEQUENCE,
        'channel = "all"',
        "channel = all",
        (f"{SEQUENCE}: line 11, column 11: Invalid value, found channel = all",),
    ),
    "unknown characteristic in a limit": (
        PART,
        'characteristic = "gain_match"',
        'characteristic = "gain_mach"',
        (
            f'{PART}, [[limit]] no. 7 characteristic: found "gain_mach", '
            f'allowed {", ".join(CHARACTERISTICS)}.  Did you mean "gain_match"?',
        ),
    ),
    "limit in a unit of another dimension": (
        PART,
        'characteristic = "oip3"\nunit = "dBm"\nmin = 40.0',
        'characteristic = "oip3"\nunit = "mA"\nmin = 40.0',
        (f'{PART}, [[limit]] no. 1 unit: found "mA", allowed a unit like "dBm"',),
    ),
    "limit without a bound": (
        PART,
        'unit = "dBm"\nmin = 40.0',
        'unit = "dBm"',
        (f"{PART}, [[limit]] no. 1: a limit needs min, max or both",),
    ),
    "step that does not fit its range": (
        SEQUENCE,
        "step = 5",
        "step = 7",
        (
            f"{SEQUENCE}, [axes] gain_code: from … to must be a whole number of steps, "
            "found { from = 0, to = 30, step = 7 }",
        ),
    ),
    "step of nothing": (
        SEQUENCE,
        "step = 5",
        "step = 0",
        (
            f"{SEQUENCE}, [axes] gain_code: a range needs finite ends and a step other than 0, "
            "found { from = 0, to = 30, step = 0 }",
        ),
    ),
    "exclusion that leaves nothing": (
        SEQUENCE,
        "[tones]",
        "[[exclude]]\nwhen = { frequency_mhz = 60 }\n\n[tones]",
        (f"{SEQUENCE}, [[exclude]]: found no condition that is left, allowed at least one",),
    ),
    "exclusion of a channel that the part lacks": (
        SEQUENCE,
        "[tones]",
        '[[exclude]]\nwhen = { channel = "Q" }\n\n[tones]',
        (f'{SEQUENCE}, [[exclude]] no. 1 when.channel: found "Q", allowed "A", "B" (part file)',),
    ),
    "reference temperature that is not swept": (
        SEQUENCE,
        "reference_temperature_c = 25",
        "reference_temperature_c = 20",
        (
            f"{SEQUENCE}, [sequence] reference_temperature_c: the limit on supply_current_drift needs it among "
            "temperature_c, found 20, allowed -40, 25, 85",
        ),
    ),
    "simulated clock with real instruments": (
        BENCH,
        'visa_library = "@sim"',
        'visa_library = "@py"',
        (f'{BENCH}: clock = "simulated" goes only with visa_library = "@sim"; real instruments need "real"',),
    ),
    "two sources for one path loss": (
        BENCH,
        "vswr = [1.05, 1.15]\nloss_db",
        'vswr = [1.05, 1.15]\ntouchstone = "cable.s2p"\nloss_db',
        (f"{BENCH}, [[path_loss]] no. 1: give either loss_db or touchstone",),
    ),
}


@pytest.mark.parametrize("mistake", FILE_MISTAKES)
def test_a_mistake_in_a_file_is_answered_by_its_place_and_what_is_allowed(mistake: str, folder: Path) -> None:
    """The file, the table and key, what was found, what is allowed, and the nearest valid word."""
    file, old, new, lines = FILE_MISTAKES[mistake]
    (folder / file).write_text(_edited(file, old, new), encoding="utf-8")

    answer = nightbench("plan", SEQUENCE)

    assert answer.err == "nightbench: " + "\n".join(lines) + "\n"
    assert answer.out == ""
    assert answer.code == ExitCode.BAD_INPUT


def _without(header: str, text: str) -> str:
    """TOML text without the table ``[header]``."""
    cut, count = re.subn(rf"(?ms)^\[{re.escape(header)}\]\n.*?(?=^\[)", "", text)
    assert count == 1
    return cut


@pytest.mark.parametrize(
    ("place", "lines"),
    [
        (
            "chamber",
            [f"[axes] temperature_c: more than one value needs [instrument.chamber] in {BENCH}, found 3 values"],
        ),
        (
            "code_port",
            [f"[axes] gain_code: more than one value needs [instrument.code_port] in {BENCH}, found 7 values"],
        ),
        (
            "channel_switch",
            [f"[axes] channel: more than one value needs [instrument.channel_switch] in {BENCH}, found 2 values"],
        ),
        (
            "analyzer",
            [
                f"[measure] two_tone: this needs [instrument.analyzer] in {BENCH}, found true",
                f"[measure] harmonics: this needs [instrument.analyzer] in {BENCH}, found true",
            ],
        ),
        ("supply", [f"[measure] supply: this needs [instrument.supply] in {BENCH}, found true"]),
    ],
)
def test_what_needs_an_instrument_that_the_bench_lacks_is_named_with_the_table_to_add(
    place: str, lines: list[str], folder: Path
) -> None:
    """An axis with several values, or a measurement, without the instrument that could do it."""
    (folder / BENCH).write_text(_without(f"instrument.{place}", SHIPPED[BENCH]), encoding="utf-8")

    answer = nightbench("plan", SEQUENCE)

    assert answer.err == "nightbench: " + "\n".join(f"{SEQUENCE}, {line}" for line in lines) + "\n"
    assert answer.code == ExitCode.BAD_INPUT


@pytest.mark.parametrize(
    ("name", "content", "text"),
    [
        (
            "nowhere.sequence.toml",
            None,
            "nowhere.sequence.toml: there is no such file.  Did you mean quick.sequence.toml?",
        ),
        (".", None, ".: this is a folder, a file is wanted"),
        ("new.toml", b"", "new.toml: the file is empty"),
        ("new.toml", b"\n \n", "new.toml: the file is empty"),
        ("new.toml", b'[sequence]\nname = "\xb5"\n', "new.toml: byte 20 is not UTF-8 text"),
        (
            "new.toml",
            b"[sequence",
            "new.toml: at the end of the file: Expected ']' at the end of a table declaration",
        ),
        (PART, SHIPPED[PART].encode(), f"{PART}: found a part file, allowed a sequence file"),
        (BENCH, SHIPPED[BENCH].encode(), f"{BENCH}: found a bench file, allowed a sequence file"),
    ],
)
def test_a_file_that_cannot_be_a_sequence_is_answered_in_one_line(
    name: str, content: bytes | None, text: str, folder: Path
) -> None:
    """Missing, a folder, empty, not UTF-8, cut off, or one of the other two kinds."""
    if content is not None:
        (folder / name).write_bytes(content)

    answer = nightbench("plan", name)

    assert (answer.code, answer.out, answer.err) == (ExitCode.BAD_INPUT, "", f"nightbench: {text}\n")


def test_every_mistake_of_all_three_files_is_named_at_once(folder: Path) -> None:
    """A night is not prepared one error message at a time."""
    (folder / PART).write_text(_edited(PART, "channels =", "chanels ="), encoding="utf-8")
    (folder / BENCH).write_text(_edited(BENCH, "idle_c", "idel_c"), encoding="utf-8")

    answer = nightbench("plan", SEQUENCE)

    assert f"{PART}, [part] chanels: unknown key" in answer.err
    assert f"{BENCH}, [instrument.chamber] idel_c: unknown key" in answer.err
    assert "Did you mean channels?" in answer.err
    assert "Did you mean idle_c?" in answer.err


def test_a_machine_gets_the_same_text_as_one_json_object(folder: Path) -> None:
    """``--json``: the error's class, its text and the exit code on standard output; the text on standard error too."""
    answer = nightbench("plan", "nowhere.toml", "--json")

    assert json.loads(answer.out) == {
        "error": "FileFaults",
        "text": "nowhere.toml: there is no such file",
        "exit_code": 2,
    }
    assert answer.err == "nightbench: nowhere.toml: there is no such file\n"
    assert answer.code == ExitCode.BAD_INPUT


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["plan", "--frob", SEQUENCE], "No such option: --frob"),
        (["plan"], "Missing argument 'SEQUENCE'"),
        (["run", SEQUENCE], "Invalid value for --unit: give a SERIAL, or --through"),
        (["run", SEQUENCE, "--unit", " "], "Invalid value for --unit: a SERIAL has at least one sign"),
        (["nonesuch"], "No such command 'nonesuch'"),
        (["export", "latest", "--format", "docx"], "'docx' is not"),
        (["plan", SEQUENCE, "another.toml"], "unexpected extra argument"),
    ],
)
def test_a_mistake_in_the_command_is_answered_with_the_way_to_help(arguments: list[str], text: str) -> None:
    """The command line's own words, and the exit code for bad usage."""
    answer = nightbench(*arguments)

    assert text in answer.err
    assert "for help" in answer.err
    assert (answer.code, answer.out) == (ExitCode.BAD_INPUT, "")


def _record(run: str) -> RunRecord:
    part, bench, sequence = (FileText(name, SHIPPED[name], "0" * 64) for name in (PART, BENCH, SEQUENCE))
    began = datetime(2026, 11, 2, 18, 30, tzinfo=UTC)
    return RunRecord(
        "VG2-0007", "VIRGA-2", "Nimbus", "quick", "", began, "0.1.0", RunTexts(part, bench, sequence), id=run
    )


@pytest.fixture
def two_runs(folder: Path) -> None:
    """A store with two runs that begin alike; neither has a reading."""
    with open_store("nightbench.db") as store:
        for run in ("abcd0000-0000-4000-8000-000000000001", "abcd0000-0000-4000-8000-000000000002"):
            store.begin_run(_record(run))


@pytest.mark.usefixtures("two_runs")
@pytest.mark.parametrize("command", ["derive", "report", "resume", "export", "runs"])
def test_a_run_that_is_not_there_is_answered_with_the_store_that_was_searched(command: str) -> None:
    """The text that was given stands in the answer, and the runs that there are."""
    answer = nightbench(command, "ffff")
    there = "; ".join(
        f"abcd0000-0000-4000-8000-00000000000{number} (unit VG2-0007, quick, 2026-11-02 18:30 UTC)" for number in (1, 2)
    )

    assert (answer.code, answer.out) == (ExitCode.BAD_INPUT, "")
    assert answer.err == (f"nightbench: store nightbench.db: no run whose id begins with 'ffff'; the newest: {there}\n")


@pytest.mark.usefixtures("two_runs")
def test_a_beginning_that_two_runs_share_is_answered_with_both() -> None:
    """So that a person can type one character more."""
    answer = nightbench("derive", "abcd")

    assert answer.code == ExitCode.BAD_INPUT
    assert answer.err.startswith("nightbench: store nightbench.db: 'abcd' fits 2 runs: abcd0000-0000-4000-8000-")
    assert answer.err.count("(unit VG2-0007, quick, 2026-11-02 18:30 UTC)") == 2
    assert answer.err.endswith("Give more of the id\n")


@pytest.mark.parametrize(
    ("store", "text"),
    [
        ("nowhere.db", "store nowhere.db: no such file; name the store that a run was kept in"),
        (
            "no/folder/night.db",
            "store no/folder/night.db: the folder no/folder does not exist; make it or name another one",
        ),
        (".", "store .: that is a folder; name a file in it, such as nightbench.db"),
        (SEQUENCE, f"store {SEQUENCE}: the file is not a database; name another file"),
        ("", "the store has no name; give a file or an SQLAlchemy URL"),
        ("no such://database", "'no such://database' is not an SQLAlchemy URL such as sqlite:///nightbench.db"),
    ],
)
def test_a_store_that_cannot_be_used_is_answered_with_why(store: str, text: str) -> None:
    """Exit code 5 tells it from a bad file."""
    answer = nightbench("runs", "--store", store)

    assert (answer.code, answer.out, answer.err) == (ExitCode.STORE, "", f"nightbench: {text}\n")


def test_a_store_of_another_program_is_left_alone(folder: Path) -> None:
    """A database with other tables is refused, not migrated."""
    with sqlite3.connect(folder / "other.db") as connection:
        connection.execute("CREATE TABLE music (title TEXT)")
    connection.close()

    answer = nightbench("run", SEQUENCE, "--unit", "VG2-0007", "--store", "other.db")

    assert answer.code == ExitCode.STORE
    assert (
        answer.err == "nightbench: store other.db: this database belongs to another program (it has a table 'music')\n"
    )
    assert _tables(folder / "other.db") == ["music"]


def _tables(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    connection.close()
    return names


@pytest.mark.parametrize("command", [["demo", "--quick"], ["run", SEQUENCE, "--unit", "VG2-0007"]])
def test_a_report_folder_that_is_not_ours_is_refused_before_the_night_begins(command: list[str], folder: Path) -> None:
    """Not after it: nobody wants to learn in the morning that the report could not be written."""
    (folder / "thesis").mkdir()
    (folder / "thesis" / "chapter-1.txt").write_text("It was a dark night.", encoding="utf-8")

    answer = nightbench(*command, "--to", "thesis")

    assert answer.code == ExitCode.BAD_INPUT
    assert "found 'chapter-1.txt', which is no part of an earlier report; nothing was replaced. " in answer.err
    assert [path.name for path in (folder / "thesis").iterdir()] == ["chapter-1.txt"]
    assert list(folder.glob("*.db")) == []


@pytest.mark.parametrize("command", [["demo", "--quick"], ["run", SEQUENCE, "--unit", "VG2-0007"]])
def test_a_file_in_the_place_of_the_report_folder_is_refused_before_the_night_begins(command: list[str]) -> None:
    """The same for a file."""
    answer = nightbench(*command, "--to", PART)

    assert answer.code == ExitCode.BAD_INPUT
    assert f"found '{PART}', which is no part of an earlier report; nothing was replaced. " in answer.err
    assert Path(PART).read_text(encoding="utf-8") == SHIPPED[PART]
    assert list(Path().glob("*.db")) == []


def _mutated(draw: st.DrawFn, text: str) -> str:
    """One line of ``text`` left out, doubled, moved, or with a piece replaced."""
    lines = text.splitlines()
    number = draw(st.integers(0, len(lines) - 1))
    other = draw(st.integers(0, len(lines) - 1))
    line = lines[number]
    start = draw(st.integers(0, len(line)))
    end = draw(st.integers(start, min(len(line), start + 6)))
    piece = draw(st.sampled_from(PIECES) | st.text(max_size=4))
    changed: Callable[[], list[str]] = draw(
        st.sampled_from(
            [
                lambda: lines[:number] + lines[number + 1 :],
                lambda: [*lines[:number], line, line, *lines[number + 1 :]],
                lambda: [*lines[:other], line, *lines[other:]],
                lambda: [*lines[:number], line[:start] + piece + line[end:], *lines[number + 1 :]],
                lambda: [*lines[:number], f"{line.partition('=')[0]}= {piece}", *lines[number + 1 :]],
            ]
        )
    )
    return "\n".join(changed())


#: What people leave behind, and what parsers stumble over.
PIECES = (
    "0", "-1", "1e308", "nan", "-inf", "true", '""', '"all"', "[]", "[[]]", "{}", "{ from = 0, to = 1, step = 0.3 }",
    "2027-05-31", '"°"', "[1, 1]", '["A", 1]', "99999999999999999999", "'", "[", "]", "=", "#", "_mhz", "\x00",
)  # fmt: skip


@st.composite
def mutated_files(draw: st.DrawFn) -> tuple[str, str]:
    """A shipped file's name and its text with one to three mutations."""
    name = draw(st.sampled_from(sorted(SHIPPED)))
    text = SHIPPED[name]
    for _ in range(draw(st.integers(1, 3))):
        text = _mutated(draw, text)
    return name, text


@given(mutated_files())
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_mutated_file_ends_in_a_traceback(folder: Path, mutated: tuple[str, str]) -> None:
    """Whatever a file holds, ``plan`` makes a plan or names the fault: exit code 0 or 2, never both answers."""
    name, text = mutated
    for shipped, original in SHIPPED.items():
        content = text if shipped == name else original
        (folder / shipped).write_text(content, encoding="utf-8", errors="surrogatepass", newline="")

    answer = nightbench("plan", SEQUENCE, "--json")

    assert answer.code in (ExitCode.DONE, ExitCode.BAD_INPUT)
    assert "Traceback" not in answer.err
    assert ("error" in json.loads(answer.out)) == (answer.code == ExitCode.BAD_INPUT)
    assert bool(answer.err) == (answer.code == ExitCode.BAD_INPUT)
