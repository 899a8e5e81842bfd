"""Budgets of whole commands and of a long run: printed with the machine's name, asserted only as ratios.

Budgets, on the two-core machine that they were set for: ``--help`` and ``runs`` under 0.4 s, the demo under 20 s, a run
of 10,000 conditions on the simulated clock under 60 s and 500 MB, its characteristics and decisions under 1 s, the
replay of the demo under 30 s.
"""

from __future__ import annotations

import json
import os
import platform
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from bench.clocks import RealClock
from bench.store.store import open_store
from reports.summary import summarise
from sequences.read_files import demo_file

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Spent:
    """What a process took; its peak of memory is 0 where it was not asked for."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    out: str


def _process(code: str, *arguments: str, folder: Path) -> Spent:
    status = Path(folder, "status")  # the kernel's ru_maxrss would count this process, too, from before the exec
    note = f"atexit.register(lambda: open({str(status)!r}, 'w').write(open('/proc/self/status').read()))"
    clock = RealClock()
    process = subprocess.Popen(
        [sys.executable, "-c", f"import atexit; {note}; {code}", *arguments],
        cwd=folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    with process.stdout:
        out = process.stdout.read()
    _, ended, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(ended)
    assert process.returncode in (0, 1), out
    peak = re.search(r"VmHWM:\s*(\d+) kB", status.read_text(encoding="utf-8"))
    assert peak, "this machine does not say how much memory a process took"
    return Spent(clock.elapsed_s(), used.ru_utime + used.ru_stime, int(peak[1]) / 1024, out)


def nightbench(*arguments: str, folder: Path) -> Spent:
    return _process("from bench.cli import main; main()", *arguments, folder=folder)


def best_of(count: int, measure: Callable[[], Spent]) -> Spent:
    """The least disturbed of several."""
    return min((measure() for _ in range(count)), key=lambda spent: spent.cpu_s)


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str, Spent, str], None]:
    """Print a measurement with the machine that it was made on."""
    machine = f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}"
    info = Path("/proc/cpuinfo")
    if info.exists():
        names = [line.partition(": ")[2] for line in info.read_text().splitlines() if line.startswith("model name")]
        machine = f"{names[0] if names else 'unnamed processor'}, {machine}"

    def show(what: str, spent: Spent, budget: str) -> None:
        with capsys.disabled():
            memory = f", {spent.peak_mb:.0f} MB" if spent.peak_mb else ""
            took = f"{spent.wall_s:.2f} s ({spent.cpu_s:.2f} s of processor{memory})"
            sys.stdout.write(f"\n{what}: {took}, budget {budget} [{machine}]\n")

    return show


#: Axes of the long run: 2 channels, 31 codes, 7 temperatures, 2 modes, 4 loads, 3 levels.
LONG_AXES = """[axes]
channel = "all"
gain_code = "all"
temperature_c = [-40, -20, 0, 25, 45, 65, 85]
supply_mode = "all"
load_ohm = "all"
tone_level_dbm = [0, 1.5, 3]
frequency_mhz = 60
"""


@pytest.fixture(scope="module")
def sequences(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo's files and two sequences: 10,416 conditions, and a quarter of their loads."""
    folder = tmp_path_factory.mktemp("long")
    for name in ("nimbus.bench.toml", "virga-2.part.toml", "quick.sequence.toml"):
        (folder / name).write_text(demo_file(name).read_text(encoding="utf-8"), encoding="utf-8")
    quick = (folder / "quick.sequence.toml").read_text(encoding="utf-8")
    before, _, rest = quick.partition("[axes]\n")
    after = rest[rest.index("[tones]") :] + "\n[measure]\nharmonics = false\n"
    (folder / "long.toml").write_text(f"{before}{LONG_AXES}\n{after}", encoding="utf-8")
    short = LONG_AXES.replace('load_ohm = "all"', "load_ohm = 200")
    (folder / "short.toml").write_text(f"{before}{short}\n{after}", encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def long_runs(sequences: Path) -> tuple[Spent, Spent]:
    """The run of a quarter and the whole run, each in a process and a store of its own."""
    short, whole = (
        nightbench(
            "run", f"{name}.toml", "--unit", "VG2-0007", "--no-report", "--json", "--store", f"{name}.db",
            folder=sequences,
        )
        for name in ("short", "long")
    )  # fmt: skip
    assert (json.loads(short.out)["conditions"], json.loads(whole.out)["conditions"]) == (2604, 10416)
    return short, whole


def test_help_answers_within_a_few_times_of_a_bare_interpreter(
    say: Callable[[str, Spent, str], None], tmp_path: Path
) -> None:
    """No heavy library is loaded for it: at most 15 times the processor time of ``python -c pass``."""
    bare = best_of(5, lambda: _process("pass", folder=tmp_path))
    spent = best_of(5, lambda: nightbench("--help", folder=tmp_path))

    say("nightbench --help", spent, "0.4 s")
    assert spent.cpu_s < 15 * bare.cpu_s


def test_runs_answers_faster_than_pandas_loads(
    say: Callable[[str, Spent, str], None], long_runs: tuple[Spent, Spent], sequences: Path
) -> None:
    """Even on a store with a long run in it."""
    assert long_runs
    pandas = best_of(3, lambda: _process("import pandas, altair", folder=sequences))
    spent = best_of(5, lambda: nightbench("runs", "--store", "long.db", folder=sequences))

    say("nightbench runs", spent, "0.4 s")
    assert spent.cpu_s < pandas.cpu_s


def test_the_demo_simulates_a_night_in_seconds(say: Callable[[str, Spent, str], None], tmp_path: Path) -> None:
    """At least a hundred times faster than the bench that it simulates, report included."""
    spent = nightbench("demo", "--json", folder=tmp_path)
    answer = json.loads(spent.out)

    say(f"nightbench demo, {answer['conditions']} conditions", spent, "20 s")
    assert answer["bench_time_s"] > 100 * spent.cpu_s


def test_the_demo_replays_faster_than_it_ran(say: Callable[[str, Spent, str], None], tmp_path: Path) -> None:
    """Comparison, derivation and decisions of both included; its recording is a few bytes for each exchange."""
    demo = nightbench("demo", "--to", "night", "--json", folder=tmp_path)
    spent = nightbench("replay", "latest", "--store", "night.db", "--json", folder=tmp_path)
    answer = json.loads(spent.out)
    with open_store(str(tmp_path / "night.db")) as store:
        size = store.recording_size(answer["run"])

    budget = f"30 s; its recording is {size.bytes / 1e6:.2f} MB"
    say(f"nightbench replay of the demo, {answer['exchanges']:,} exchanges", spent, budget)
    assert answer["differences"] == []
    assert spent.cpu_s < demo.cpu_s
    assert size.bytes < 30 * size.exchanges


def test_a_run_four_times_as_long_takes_about_four_times_as_long(
    say: Callable[[str, Spent, str], None], long_runs: tuple[Spent, Spent]
) -> None:
    """Nothing in the runner, the rig or the store grows with what has been done: at most 4.8 times, and no more memory
    than half as much again.
    """
    short, whole = long_runs

    say("run of 10,416 conditions", whole, "60 s, 500 MB")
    assert whole.cpu_s < 4.8 * short.cpu_s
    assert whole.peak_mb < 1.5 * short.peak_mb


def test_deriving_four_times_as_much_takes_at_most_about_four_times_as_long(
    say: Callable[[str, Spent, str], None], long_runs: tuple[Spent, Spent], sequences: Path
) -> None:
    """From frames in memory to every decision, best of three."""
    assert long_runs
    seconds = {}
    for name in ("short", "long"):
        with open_store(str(sequences / f"{name}.db"), must_exist=True) as store:
            frames = store.frames(store.find_run("latest"))
        tries = []
        for _ in range(3):
            clock = RealClock()
            report = summarise(frames)
            tries.append(clock.elapsed_s())
        seconds[name] = min(tries)
        assert report.decision != "not tested"

    say("derive and decide 10,416 conditions", Spent(seconds["long"], seconds["long"], 0, ""), "1 s")
    assert seconds["long"] < 6 * seconds["short"]
