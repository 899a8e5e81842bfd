"""The commands as people and programs use them: what they answer, where they say it, and how they end."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from bench.cli import app
from bench.cli.failures import run_guarded
from bench.cli.run import resume_hint
from bench.errors import Stopped, Tripped, UnsafeBench
from bench.exit_codes import ExitCode
from sequences.read_files import demo_file

ROOT = Path(__file__).parents[2]
QUICK = str(demo_file("quick.sequence.toml"))
BENCH = str(demo_file("nimbus.bench.toml"))
PART = demo_file("virga-2.part.toml")

#: ``summary.json`` and what follows from it, as other tools may rely on.
SUMMARY = {
    "schema", "schema_version", "run", "state", "began", "ended", "tool_version", "conditions", "unit", "part",
    "decision", "skipped", "limits", "cascades", "typical",
}  # fmt: skip
LIMIT = {
    "characteristic", "unit", "where", "min", "max", "worst_value", "expanded_uncertainty", "margin", "decision",
    "worst_condition", "conditions", "bounded", "rule", "conformity_probability", "skipped",
}  # fmt: skip


@dataclass(frozen=True)
class Answer:
    """What a command said."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """Standard output as the one JSON object that it must be; anything before or after it is an error."""
        answer = json.loads(self.out)
        assert isinstance(answer, dict)
        return answer


def nightbench(*arguments: str) -> Answer:
    """Run a command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run_guarded(app, arguments)
    return Answer(code, out.getvalue(), err.getvalue())


@dataclass(frozen=True)
class Demo:
    """A quick demo that has been run once for this module."""

    folder: Path
    answer: Answer

    @property
    def store(self) -> str:
        return str(self.folder / "demo.db")


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """``nightbench demo --quick --json`` and what it left."""
    folder = tmp_path_factory.mktemp("demo")
    return Demo(folder, nightbench("demo", "--quick", "--to", str(folder / "demo"), "--json"))


@pytest.fixture(autouse=True)
def _nothing_of_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "160")
    for name in ("NIGHTBENCH_STORE", "NIGHTBENCH_OPERATOR", "NIGHTBENCH_TELL"):
        monkeypatch.delenv(name, raising=False)


def test_the_demo_answers_where_everything_is_and_what_was_decided(demo: Demo) -> None:
    """The documented keys, in a process that ends with 0 because the unit is good."""
    answer = demo.answer.json

    assert set(answer) == {
        "run", "store", "report", "log", "conditions", "decision", "not_tested", "elapsed_s", "bench_time_s", "skipped",
        "safe_to_open",
    }  # fmt: skip
    assert answer["store"] == demo.store
    assert Path(answer["log"]).read_text(encoding="utf-8").endswith("exit: code 0\n")
    assert answer["report"] == str(demo.folder / "demo" / "report.html")
    assert answer["conditions"] == 42
    assert answer["decision"] in ("pass", "conditional pass")
    assert answer["safe_to_open"]["board_temperature_c"] > answer["safe_to_open"]["dew_point_c"] + 5
    assert demo.answer.code == ExitCode.DONE


def test_the_progress_of_a_run_goes_to_standard_error(demo: Demo) -> None:
    """Hazards before power-up, each soak, no colour and no cursor movement where there is no terminal."""
    assert demo.answer.err.index("Hazards") < demo.answer.err.index("soak to")
    assert demo.answer.err.count("soaked: ") == 3
    assert "nightbench is not a safety device" in demo.answer.err
    assert "\x1b" not in demo.answer.err


def test_a_night_on_the_simulated_clock_takes_its_bench_time_without_waiting(demo: Demo) -> None:
    """Soaks of more than an hour on the bench; here only the work."""
    answer = demo.answer.json

    assert answer["bench_time_s"] > 3600
    assert answer["elapsed_s"] < answer["bench_time_s"] / 10


def test_the_demo_takes_about_the_time_that_its_plan_foretold(demo: Demo) -> None:
    """Within 10 %: the estimate is for choosing when to come back, and nothing else depends on it."""
    foretold_s = nightbench("plan", QUICK, "--json").json["estimate_s"]

    assert demo.answer.json["bench_time_s"] == pytest.approx(foretold_s, rel=0.1)


def test_a_plan_with_a_window_counts_from_its_opening(tmp_path: Path) -> None:
    """What is said of the end fits what is said of the beginning: nothing is done before the window opens."""
    for file in Path(QUICK).parent.glob("*.toml"):
        shutil.copy(file, tmp_path)
    path = tmp_path / "quick.sequence.toml"
    window = 'window = { from = "20:00", to = "07:00", zone = "UTC" }'
    path.write_text(path.read_text(encoding="utf-8").replace("[axes]", f"{window}\n\n[axes]"), encoding="utf-8")
    said = nightbench("plan", str(path)).out

    assert re.search(r"Begun Mon 02 Nov 20:00, the last condition is done Mon 02 Nov 21:\d\d", said)
    assert "the run begins when it opens, Mon 02 Nov 20:00" in " ".join(said.split())


def test_plan_answers_every_condition_in_order_with_its_finish_time() -> None:
    """Nothing is switched on, so there is no store either."""
    answer = nightbench("plan", QUICK, "--json")
    plan = answer.json

    more = {"watch_every_s", "interlocks", "dry_out_c", "window"}
    keys = {"conditions", "estimate_s", "shares_s", "order", "not_tested", "hazards", "to_start", "safety"} | more
    assert set(plan) == keys
    assert plan["watch_every_s"] == 10.0
    rules = {rule["name"]: rule for rule in plan["interlocks"]}
    assert (rules["supply current"]["highest"], rules["supply current"]["action"]) == (0.35, "trip")
    assert rules["mode current"]["highest"] is None
    assert len(plan["order"]) == plan["conditions"] == 42
    finish_s = [condition["finish_s"] for condition in plan["order"]]
    assert finish_s == sorted(finish_s)
    assert finish_s[-1] + plan["shares_s"]["return"] == pytest.approx(plan["estimate_s"], abs=0.2)
    assert plan["dry_out_c"] is None  # 85 °C come after the cold
    assert sum(plan["shares_s"].values()) == pytest.approx(plan["estimate_s"], abs=0.2)
    hazard = {"severity", "name", "title", "cause", "consequence", "action", "source", "acknowledge", "takes"}
    assert hazard == set(plan["hazards"][0])
    assert (answer.code, answer.err) == (ExitCode.DONE, "")
    assert list(Path().iterdir()) == []


def test_plan_for_people_names_each_temperature_the_sum_and_the_hazards() -> None:
    """The same numbers as for machines, in sentences."""
    answer = nightbench("plan", QUICK)

    assert "quick on bench Nimbus, part VIRGA-2" in answer.out
    for temperature in ("-40 °C", "25 °C", "85 °C"):
        assert f"{temperature}   nominal               14" in answer.out
    assert "42 conditions, about" in answer.out
    assert "Hot surfaces" in answer.out
    assert answer.err == ""


def test_check_asks_each_instrument_and_switches_nothing_on() -> None:
    """Every instrument answers; what has an output says that it is off."""
    answer = nightbench("check", BENCH, "--json")
    found = answer.json

    assert (found["bench"], found["works"], answer.code) == ("Nimbus", True, ExitCode.DONE)
    assert {"file", "visa_library", "paths", "path_faults", "path_remarks", "file_faults"} < set(found)
    assert {"tone_1", "noise_source", "analyzer", "supply"} < {item["place"] for item in found["instruments"]}
    said = {
        item["place"]: {answer["asked"]: answer["said"] for answer in item["answers"]} for item in found["instruments"]
    }
    assert said["tone_1"] == {"error queue": "empty", "RF": "off"}
    assert said["supply"]["output"] == "off"
    assert said["chamber"]["conditioning"] == "off"
    analyzer = next(item for item in found["instruments"] if item["place"] == "analyzer")
    assert analyzer["resource"] == "TCPIP0::analyzer.nimbus.example::5025::SOCKET"
    assert analyzer["calibration"] == {"state": "valid", "due": "2027-03-15", "days_left": 133}
    assert analyzer["link"] is None, "in process there is no line whose time would say anything"
    assert analyzer["exchanges"][0]["sent"] == "*IDN?"
    assert "NS-203" in analyzer["exchanges"][0]["received"]


def test_check_ends_with_4_and_tells_address_failure_and_advice_of_who_does_not_answer(tmp_path: Path) -> None:
    """On a line of 80 columns too: nothing is cut off, and no address is broken."""
    text = Path(BENCH).read_text(encoding="utf-8")
    text = text.replace('visa_library = "@sim"', 'visa_library = "@py"').replace(
        'clock = "simulated"', 'clock = "real"'
    )
    # pyvisa-py opens a refused socket; that nobody is there the first message tells.
    text = re.sub(r"TCPIP0::.*::5025", lambda _: f"TCPIP0::127.0.0.1::{_closed_port()}", text)
    other = tmp_path / "other.bench.toml"
    other.write_text(text, encoding="utf-8")

    answer = nightbench("check", str(other), "--json")
    shown = nightbench("check", str(other))

    found = {item["place"]: item for item in answer.json["instruments"]}
    assert (answer.code, shown.code) == (ExitCode.INSTRUMENT, ExitCode.INSTRUMENT)
    assert not any(item["works"] for item in found.values())
    for item in found.values():
        assert "refused" in item["answer"]
        assert "remote control" in item["advice"]
        assert f"{item['place']}  {item['resource']}\n" in shown.out
    assert "0 of 11 instruments answer" in shown.out


def test_check_with_a_library_that_is_not_there_says_what_may_stand_there(tmp_path: Path) -> None:
    """The text names file and key, what was found, and what is allowed."""
    text = Path(BENCH).read_text(encoding="utf-8")
    text = text.replace('visa_library = "@sim"', 'visa_library = "@nope"')
    other = tmp_path / "other.bench.toml"
    other.write_text(text.replace('clock = "simulated"', 'clock = "real"'), encoding="utf-8")

    answer = nightbench("check", str(other))

    assert answer.code == ExitCode.INSTRUMENT
    assert f'{other}: visa_library = "@nope" under [bench]' in answer.err
    assert '"@py" for pyvisa-py (installed here)' in answer.err


def test_check_with_a_loopback_says_first_what_it_switches_on_and_ends_with_0() -> None:
    """Each trial is one line with what, found, expected and verdict; the bench is safe at the end."""
    answer = nightbench("check", BENCH, "--loopback", "--unit", "VG2-0007", "--part", str(PART))

    assert answer.code == ExitCode.DONE, answer.err
    announced = answer.out.index("This loopback switches on each source alone, at up to -62.7 dBm")
    assert announced < answer.out.index("bias on: 5 V") < answer.out.index("channel A, tone_1: frequency")
    assert "channel A, code 0 → 1 (line 0): step -0.78 dB, expected -0.75 ± 0.29: good\n" in answer.out
    assert "safe state confirmed: RF of tone_1 off" in answer.out
    assert "all 31 trials are good" in answer.out
    assert "Powered unit" in answer.err, "hazards are told as before a run"


def test_check_with_a_loopback_ends_with_1_when_a_trial_is_wrong(tmp_path: Path) -> None:
    """The part file promises another gain than the simulated unit is built with: its levels do not fit."""
    # The simulated unit is made from the part file, so what is wrong must be a limit that no unit of it keeps.
    text = PART.read_text(encoding="utf-8").replace(
        "plausible_current_ma = { min = 175, max = 250 }", "plausible_current_ma = { min = 210, max = 250 }"
    )
    part = tmp_path / "other.part.toml"
    part.write_text(text, encoding="utf-8")

    answer = nightbench("check", BENCH, "--loopback", "--unit", "VG2-0007", "--part", str(part), "--json")

    assert answer.code == ExitCode.LIMIT_NOT_MET
    wrong = [trial for trial in answer.json["loopback"]["trials"] if trial["verdict"] == "WRONG"]
    assert {trial["what"] for trial in wrong} == {f"channel {name}, mode nominal: supply current" for name in "AB"}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--unit", "VG2-0007"), "go only with --loopback"),
        (("--through",), "go only with --loopback"),
        (("--loopback", "--part", str(PART)), "needs a SERIAL, or --through"),
        (("--loopback", "--unit", "X", "--through", "--part", str(PART)), "needs a SERIAL, or --through"),
        (("--loopback", "--through"), "give --part or --sequence"),
    ],
)
def test_options_of_check_that_do_not_go_together_are_refused(options: tuple[str, ...], said: str) -> None:
    """Nothing is opened; exit code 2."""
    answer = nightbench("check", BENCH, *options)

    assert answer.code == ExitCode.BAD_INPUT
    assert said in " ".join(answer.err.split())


def test_check_for_a_sequence_that_the_bench_does_not_fit_ends_with_2_and_names_the_gap(tmp_path: Path) -> None:
    """The instruments are looked at all the same; what is missing is told with what is there."""
    bench = tmp_path / "short.bench.toml"
    text = Path(BENCH).read_text(encoding="utf-8")
    bench.write_text(text.replace("180, 240, 300, 480]", "150, 160, 165, 170]"), encoding="utf-8")

    answer = nightbench("check", str(bench), "--sequence", QUICK, "--json")

    assert answer.code == ExitCode.BAD_INPUT
    assert all(item["works"] for item in answer.json["instruments"])
    assert "is known 10 MHz … 170 MHz, missing 170 MHz … 178.5 MHz" in answer.json["path_faults"][0]
    assert "[[path_loss]] no. 5" in answer.json["file_faults"][0]


def _closed_port() -> int:
    """A port of this machine that was free a moment ago, another one each time."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def test_the_events_of_a_run_are_shown_with_their_values_and_by_kind(demo: Demo) -> None:
    """What was read, not only what was said; one kind of event; and where the log is."""
    brief = nightbench("runs", "latest", "--store", demo.store).out
    whole = nightbench("runs", "latest", "--store", demo.store, "--events").out
    soaks = nightbench("runs", "latest", "--store", demo.store, "--kind", "soak ended", "--json").json
    none = nightbench("runs", "latest", "--store", demo.store, "--kind", "tripped").out

    assert "[left 42, total 42]" in whole
    assert "[left 42, total 42]" not in brief
    assert f"log: {demo.answer.json['log']}" in brief
    assert [event["kind"] for event in soaks["events"]] == ["soak ended"] * 3
    assert [event["facts"]["air_temperature_c"] for event in soaks["events"]] == pytest.approx([-40, 25, 85], abs=0.5)
    assert soaks["log"] == demo.answer.json["log"]
    assert "no such event; there are: bring-up, " in none
    assert nightbench("runs", "--events", "--store", demo.store).code == ExitCode.BAD_INPUT


def test_runs_lists_a_run_and_its_events(demo: Demo) -> None:
    """By id, by its beginning, and as ``latest``."""
    run = demo.answer.json["run"]
    listed = nightbench("runs", "--store", demo.store, "--json").json["runs"]

    assert [line["run"] for line in listed] == [run]
    assert listed[0] | {"run": "", "began": "", "ended": "", "log": ""} == {
        "run": "", "unit": "VG2-0007", "part": "VIRGA-2", "bench": "Nimbus", "sequence": "quick", "operator": "demo",
        "state": "done", "began": "", "ended": "", "done": 42, "conditions": 42, "kind": "unit", "log": "",
        "guard": None,
        "process": None,
    }  # fmt: skip
    for name in (run, run[:6], "latest"):
        events = nightbench("runs", name, "--store", demo.store, "--json").json
        assert events["run"] == run
        kinds = [event["kind"] for event in events["events"]]
        assert kinds[0] == "run began"
        assert kinds[-1] == "run ended"
        assert kinds.count("soak ended") == 3


def test_the_store_may_be_named_by_the_environment(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    """NIGHTBENCH_STORE, for those who always use the same one."""
    monkeypatch.setenv("NIGHTBENCH_STORE", demo.store)

    assert len(nightbench("runs", "--json").json["runs"]) == 1


def test_derive_answers_the_summary_that_the_report_holds(demo: Demo) -> None:
    """The same decisions from the stored readings, again and again."""
    answer = nightbench("derive", "latest", "--store", demo.store, "--json")

    assert set(answer.json) == SUMMARY
    assert all(set(limit) == LIMIT for limit in answer.json["limits"])
    assert answer.json == json.loads((demo.folder / "demo" / "summary.json").read_text(encoding="utf-8"))
    assert answer.code == demo.answer.code


def test_derive_with_a_tighter_limit_fails_the_run_and_ends_with_1(demo: Demo, tmp_path: Path) -> None:
    """Limits may come after the readings; the stored run keeps the files that it was made with."""
    tighter = tmp_path / "tighter.part.toml"
    text = PART.read_text(encoding="utf-8")
    assert "min = 23.0" in text
    tighter.write_text(text.replace("min = 23.0", "min = 24.9"), encoding="utf-8")

    answer = nightbench("derive", "latest", "--store", demo.store, "--part", str(tighter), "--json")

    failing = [limit for limit in answer.json["limits"] if "fail" in limit["decision"]]
    assert answer.code == ExitCode.LIMIT_NOT_MET
    assert {limit["characteristic"] for limit in failing} == {"gain"}
    assert nightbench("derive", "latest", "--store", demo.store).code == ExitCode.DONE


def test_derive_for_people_shows_a_row_for_each_limit(demo: Demo) -> None:
    """And the decision of the whole run with the unit's serial number."""
    answer = nightbench("derive", "latest", "--store", demo.store)

    assert "VG2-0007: ✓" in answer.out
    assert "\x1b" not in answer.out
    # One minus for all that a terminal shows.
    assert "-0.6 … 0.6 dB" in answer.out
    assert "−" not in answer.out


def test_report_writes_the_folder_again_byte_for_byte(demo: Demo, tmp_path: Path) -> None:
    """A report needs nothing but the store, and says the same every time."""
    answer = nightbench("report", "latest", "--store", demo.store, "--to", str(tmp_path / "again"), "--json")

    (report,) = answer.json["reports"]
    assert set(report) == SUMMARY | {"report"}
    assert report["report"] == str(tmp_path / "again" / "report.html")
    first = {path.relative_to(demo.folder / "demo"): path for path in (demo.folder / "demo").rglob("*.*")}
    for name, path in first.items():
        assert (tmp_path / "again" / name).read_bytes() == path.read_bytes()
    assert len(first) > 4


@pytest.mark.slow
def test_reports_of_several_units_show_the_typical_values_over_them(demo: Demo, tmp_path: Path) -> None:
    """The same section on each page, the same figures in each summary, and the spread of a part that varies."""
    store = str(shutil.copy(demo.store, tmp_path / "units.db"))
    nightbench("run", QUICK, "--unit", "VG2-0021", "--store", store, "--no-report")
    runs = [line["run"] for line in nightbench("runs", "--store", store, "--json").json["runs"]]
    answer = nightbench("report", *runs, "--store", store, "--to", str(tmp_path / "units"), "--json").json

    first, second = answer["reports"]
    assert first["typical"] == second["typical"]
    oip3 = first["typical"][0]
    assert (oip3["limit"], oip3["units"]) == (1, ["VG2-0021", "VG2-0007"])
    assert oip3["lowest"] < oip3["typical"] < oip3["highest"]
    assert oip3["spread"] > 0
    assert all("Typical values over the units" in Path(one["report"]).read_text("utf-8") for one in answer["reports"])
    assert Path(answer["pooled"]).name == "pooled.csv"


def test_export_writes_tables_with_every_condition(demo: Demo, tmp_path: Path) -> None:
    """CSV with a row for each characteristic, or reading, of each condition."""
    answer = nightbench("export", "latest", "--store", demo.store, "--to", str(tmp_path / "tables"), "--json")

    assert set(answer.json) == {"run", "format", "files", "exports"}
    assert [Path(file).name for file in answer.json["files"]] == [
        "characteristics.csv", "characteristics_by_condition.csv", "readings.csv", "readings_by_condition.csv",
        "conditions.csv", "decisions.csv", "events.csv", "cascades.csv", "dictionary.csv",
    ]  # fmt: skip
    for file in answer.json["files"][:5]:
        lines = [line for line in Path(file).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
        rows = list(csv.DictReader(lines))
        assert len({row["condition"] for row in rows}) == 42


def test_a_run_of_ones_own_is_kept_in_the_store_of_the_current_folder(tmp_path: Path) -> None:
    """Without options: nightbench.db here, and no report where none is wanted."""
    answer = nightbench("run", QUICK, "--unit", "VG2-0042", "--operator", "Mo", "--no-report", "--json")

    assert answer.json["report"] is None
    assert answer.json["store"] == "nightbench.db"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["nightbench-logs", "nightbench.db"]
    (line,) = nightbench("runs", "--json").json["runs"]
    assert (line["unit"], line["operator"], line["state"]) == ("VG2-0042", "Mo", "done")


@pytest.mark.parametrize("arguments", [["--help"], ["-h"], []])
def test_the_front_page_lists_every_command(arguments: list[str]) -> None:
    """Also without any argument."""
    answer = nightbench(*arguments)

    for command in ("demo", "check", "plan", "run", "resume", "runs", "derive", "report", "export"):
        assert f" {command} " in answer.out + answer.err


def test_version_is_one_line() -> None:
    """Name and version."""
    answer = nightbench("--version")

    assert answer.out.startswith("nightbench ")
    assert answer.out.count("\n") == 1
    assert answer.code == 0


# --- Where a process of its own matters -------------------------------------------------------------------------------


def _as_from_a_terminal() -> None:
    """Whoever runs the tests with nohup would hand down that a closed terminal is to be ignored."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


def _begin(*arguments: str) -> subprocess.Popen[str]:
    """The command as the shell starts it."""
    return subprocess.Popen(
        [sys.executable, "-c", "from bench.cli import main; main()", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"},
        preexec_fn=_as_from_a_terminal,
    )


@pytest.fixture(params=[signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def stopped(request: pytest.FixtureRequest) -> Iterator[tuple[int, str]]:
    """A night stopped by a signal in its first soak: exit code and what it said."""
    process = _begin("demo", "--quick", "--to", "night", "--json")
    assert process.stderr is not None
    assert process.stdout is not None
    said = ""
    for line in process.stderr:
        said += line
        if "soak to" in line:
            process.send_signal(request.param)
            break
    said += process.stderr.read()
    said += process.stdout.read()
    yield process.wait(timeout=60), said
    process.stderr.close()
    process.stdout.close()


def test_after_a_trip_the_cause_is_mended_before_the_run_goes_on() -> None:
    """A stop needs nothing; a trip, or a bench that could not be made safe, needs a person first."""
    paste = "go on with: nightbench resume 857fed14 --store night.db"

    assert resume_hint("857fed14-0000", "night.db", Stopped("857fed14-0000")) == paste
    for error in (Tripped("too hot"), UnsafeBench(("bias off: silent",))):
        assert resume_hint("857fed14-0000", "night.db", error) == f"when the cause has been mended, {paste}"


def test_a_run_that_is_stopped_ends_safely_and_says_how_to_go_on(stopped: tuple[int, str]) -> None:
    """Ctrl-C, a polite kill, a closed terminal: exit code 130, the safe state in the events, and no traceback."""
    code, said = stopped
    events = nightbench("runs", "latest", "--store", "night.db", "--json").json["events"]

    assert code == ExitCode.STOPPED
    assert "go on with: nightbench resume " in said
    assert "Traceback" not in said
    assert [event["kind"] for event in events][-1] == "run ended"
    assert {"stopped", "safe state"} <= {event["kind"] for event in events}
    assert nightbench("runs", "--store", "night.db", "--json").json["runs"][0]["state"] == "stopped"


@pytest.mark.parametrize("sequence", ["quick.sequence.toml", "overnight.sequence.toml"])
def test_a_reader_that_goes_away_ends_a_command_quietly(sequence: str) -> None:
    """``nightbench plan … --json | head -c 1``, with less and with more than the pipe's buffer."""
    process = _begin("plan", str(demo_file(sequence)), "--json")
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()

    # What the shell sees of a program that SIGPIPE has ended; 1 would be a limit that is not met.
    assert process.wait(timeout=60) == ExitCode.NOBODY_READS
    assert said == ""


def test_a_mistake_of_ours_is_not_taken_for_a_limit_that_is_not_met(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 70 (EX_SOFTWARE of sysexits), with the traceback that a report needs."""

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("ours")

    monkeypatch.setattr("bench.plan.make_plan", broken)
    code = run_guarded(app, ["plan", str(demo_file("quick.sequence.toml"))])
    said = capsys.readouterr().err

    assert int(code) == 70
    assert "ZeroDivisionError: ours" in said
    assert "please report it" in said
