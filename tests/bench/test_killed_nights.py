"""A night over a served rig whose process is killed at random moments, and resumed until it is done.

Each process is a new one, as a person would start it. What is left at the end must be what an uninterrupted night
leaves: no reading missing, none twice, the store sound after every kill.

How many kills: NIGHTBENCH_KILLS (5 otherwise); their moments follow from NIGHTBENCH_KILL_SEED, which is printed.
"""

from __future__ import annotations

import os
import random
import resource
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

import bench
from bench.clocks import RealClock
from bench.exit_codes import ExitCode
from bench.store.store import open_store
from sequences.read_files import demo_file
from served_rig import ServedRig, served_rig

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name == "nt", reason="kills by POSIX signals")]

KILLS = int(os.environ.get("NIGHTBENCH_KILLS", "5"))
SEED = int(os.environ.get("NIGHTBENCH_KILL_SEED", "20261125"))

#: Where the package lies that is being tested, as the processes do not begin there.
_PACKAGES = Path(bench.__file__).parents[1]

_COMMAND = [sys.executable, "-c", "from bench.cli import main; main()"]

#: Twelve conditions at two temperatures, with short soaks: most kills fall among bring-up, soak and measuring.
SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 15, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = [25, 35]",
    "hold_min = 3": "hold_s = 30\npoll_s = 30",
    "shortest_min = 5": "shortest_min = 1\ndrift_k_per_min = 0.3",
}
CONDITIONS = 12

#: The processes live in real time.
CLOCK = RealClock()

#: Longest that a session may take: far above any.
_PATIENCE_S = 60.0

#: A guard has made the bench safe this long after a kill, in real time.
SAFE_WITHIN_S = 2.0


@dataclass
class KilledNight:
    """One rig, one store, and processes that come and go.

    Attributes:
        rig: The rig.
        folder: Where store, locks and sequence lie.
        lengths_s: How long sessions took that came to their end.
    """

    rig: ServedRig
    folder: Path
    lengths_s: list[float] = field(default_factory=list)

    @property
    def store(self) -> Path:
        return self.folder / "night.db"

    def begin(self, *words: str, store: Path | None = None) -> subprocess.Popen[str]:
        """A new process of the command line, with the store."""
        return self.look(*words, "--store", str(store or self.store), "--no-report")

    def look(self, *words: str) -> subprocess.Popen[str]:
        """A new process of the command line."""
        return subprocess.Popen(
            [*_COMMAND, *words, "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self.folder,
            env=os.environ | {"NIGHTBENCH_LOCKS": str(self.folder / "locks"), "PYTHONPATH": str(_PACKAGES)},
        )

    def run(self, store: Path | None = None) -> subprocess.Popen[str]:
        words = [str(self.folder / "small.sequence.toml"), "--unit", "VG2-0007", "--bench", str(self.rig.bench_file)]
        return self.begin("run", *words, store=store)

    def resume(self) -> subprocess.Popen[str]:
        return self.begin("resume", "latest")

    def is_safe(self) -> bool:
        truth = self.rig.control("truth")
        return not (any(truth["rf_on"].values()) or truth["noise_on"] or truth["bias_on"])

    def is_safe_after(self, since: int) -> float:
        """Real time until every output is off, in s; by the rig's own log the bias went off after the last RF.

        ``since`` is how long that log was when the session began.
        """
        began_s = CLOCK.elapsed_s()
        while not self.is_safe():
            assert CLOCK.elapsed_s() - began_s < SAFE_WITHIN_S, f"still on: {self.rig.control('truth')}"
            CLOCK.sleep(0.02)
        took_s = CLOCK.elapsed_s() - began_s
        log = [what for _, _, what in self.rig.log()[since:]]
        if "bias off" in log:
            last_bias = len(log) - 1 - log[::-1].index("bias off")
            on_before = log[:last_bias].count("rf on") - log[:last_bias].count("rf off")
            assert on_before <= 0, f"bias went off with RF on: {log}"
            assert "rf off" not in log[last_bias:], f"RF went off after the bias: {log}"
        return took_s


@pytest.fixture
def night(tmp_path: Path) -> Iterator[KilledNight]:
    with served_night(tmp_path, 600) as made:
        yield made


@pytest.fixture
def slow_night(tmp_path: Path) -> Iterator[KilledNight]:
    """One that still goes on when others have been refused."""
    with served_night(tmp_path, 60) as made:
        yield made


@contextmanager
def served_night(tmp_path: Path, speed: float) -> Iterator[KilledNight]:
    text = demo_file("quick.sequence.toml").read_text("utf-8")
    for old, new in SMALL.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "small.sequence.toml").write_text(text, "utf-8")
    part = "virga-2.part.toml"
    (tmp_path / part).write_text(demo_file(part).read_text("utf-8"), "utf-8")
    with served_rig(speed=speed, in_process=False) as rig:
        yield KilledNight(rig, tmp_path)


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    """Exit code, and what it said."""
    out, err = process.communicate(timeout=_PATIENCE_S)
    return process.returncode, out + err


def reading_keys(store: Path) -> Counter[tuple[Any, ...]]:  # Any: what SQLite has in a column
    """Condition, repeat and quantity of each reading, read by SQLite alone; the store must be sound."""
    database = sqlite3.connect(store)
    try:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        rows = database.execute(
            "SELECT condition.number, reading.repeat, quantity.name FROM reading"
            " JOIN condition ON condition.id = reading.condition_id JOIN quantity ON quantity.id = reading.quantity_id"
        ).fetchall()
        done = {number for (number,) in database.execute("SELECT number FROM condition WHERE completed IS NOT NULL")}
    finally:
        database.close()
    keys = Counter(rows)
    assert {number for number, _, _ in keys} == done
    return keys


def test_a_second_run_on_the_bench_of_a_running_one_is_refused_with_who_has_it_since_when(
    slow_night: KilledNight,
) -> None:
    """So is a check of it, and going on with the run that is going on; the first one is not disturbed."""
    night, bench = slow_night, str(slow_night.rig.bench_file)
    first = night.run()
    try:
        wait_for_conditions(night, 1)
        asked = {"run": night.run(night.folder / "other.db"), "resume": night.resume()}
        asked["check"] = night.look("check", bench)
        answers = {command: ended(process) for command, process in asked.items()}
    finally:
        first.kill()
        first.communicate()
    for command, (refused, text) in answers.items():
        assert refused == (ExitCode.BAD_INPUT if command == "resume" else ExitCode.INSTRUMENT), text
        assert f"process {first.pid}) since 20" in text, text
    with open_store(str(night.store)) as store:
        assert not [event for event in store.events(store.find_run("latest")) if event.kind in ("tripped", "retrying")]
    with open_store(str(night.folder / "other.db")) as other:
        assert other.runs() == ()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_stops_the_night_safely_and_it_is_resumed(night: KilledNight, number: signal.Signals) -> None:
    """An ordered end: 130, outputs off before the process is gone, and no lock to take over."""
    process = night.run()
    wait_for_conditions(night, 2)
    process.send_signal(number)
    code, said = ended(process)
    assert code == ExitCode.STOPPED, said
    assert night.is_safe()
    code, said = ended(night.resume())
    assert '"decision"' in said, (code, said)
    assert "taken over" not in said
    keys = reading_keys(night.store)
    assert {number for number, _, _ in keys} == set(range(CONDITIONS))
    assert set(keys.values()) == {1}


def test_a_store_that_can_grow_no_more_ends_the_night_safely_and_with_room_it_goes_on(night: KilledNight) -> None:
    """The process may write no file beyond a size, as on a full disk; what was committed stays."""
    process = night.run()
    wait_for_conditions(night, 2)
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (4096, 4096))
    code, said = ended(process)
    assert code == ExitCode.STORE, said
    assert night.is_safe()
    kept = reading_keys(night.store)
    assert len({number for number, _, _ in kept}) >= 2
    code, said = ended(night.resume())
    assert '"decision"' in said, (code, said)
    keys = reading_keys(night.store)
    assert kept <= keys
    assert {number for number, _, _ in keys} == set(range(CONDITIONS))
    assert set(keys.values()) == {1}


def wait_for_conditions(night: KilledNight, count: int) -> None:
    """Until a run has committed so many."""
    ends_s = CLOCK.elapsed_s() + _PATIENCE_S
    while CLOCK.elapsed_s() < ends_s:
        if night.store.exists():
            database = sqlite3.connect(f"file:{night.store}?mode=ro", uri=True)
            try:
                (done,) = database.execute("SELECT count(completed) FROM condition").fetchone()
            except sqlite3.OperationalError:
                done = 0  # its tables are being made
            finally:
                database.close()
            if done >= count:
                return
        CLOCK.sleep(0.02)
    raise AssertionError(f"no {count} conditions in {_PATIENCE_S:g} s")


def kill_after(process: subprocess.Popen[str], delay_s: float) -> int:
    """SIGKILL once the time has passed, or nothing if it has ended by then; its exit code."""
    try:
        return process.wait(delay_s)
    except subprocess.TimeoutExpired:
        process.kill()
        return process.wait()


def test_a_night_that_is_killed_again_and_again_ends_with_the_readings_of_one_that_is_not(
    night: KilledNight, capsys: pytest.CaptureFixture[str]
) -> None:
    """At any instant at most the condition in progress is lost, and nothing is measured twice."""
    whole = night.folder / "whole.db"
    began_s = CLOCK.elapsed_s()
    code, said = ended(night.run(whole))
    length_s = CLOCK.elapsed_s() - began_s
    assert '"decision"' in said, (code, said)
    expected = reading_keys(whole)
    assert set(expected.values()) == {1}
    chance = random.Random(SEED)
    kills, nights, slowest_s = 0, 0, 0.0
    places: Counter[str] = Counter()
    while kills < KILLS:
        nights += 1
        night.store.unlink(missing_ok=True)
        before: Counter[tuple[Any, ...]] = Counter()
        process = night.run()
        while True:
            since = len(night.rig.log())
            code = kill_after(process, chance.uniform(0.1, length_s) if kills < KILLS else _PATIENCE_S)
            said = "".join(process.communicate())
            if code != -signal.SIGKILL:
                break
            kills += 1
            slowest_s = max(slowest_s, night.is_safe_after(since))
            if not night.store.exists():
                places["before the store"] += 1
                process = night.run()
                continue
            with open_store(str(night.store)) as store:
                lines = store.runs()
            begun, is_done = any(line.total for line in lines), any(line.state == "done" for line in lines)
            keys = reading_keys(night.store)
            assert before <= keys, f"readings were lost, seed {SEED}, kill {kills}"
            before = keys
            places["before the plan" if not begun else "before a condition" if not keys else "among conditions"] += 1
            if is_done:  # killed while it made up its mind about the limits
                code = int(ExitCode.DONE)
                break
            process = night.resume() if begun else night.run()
        assert code in (ExitCode.DONE, ExitCode.LIMIT_NOT_MET), f"seed {SEED}, kill {kills}: {said}"
        assert reading_keys(night.store) == expected, f"seed {SEED}, kill {kills}"
    told = f"{kills} kills in {nights} nights of {length_s:.1f} s, seed {SEED}: {dict(places)}"
    with capsys.disabled():
        print(f"\n{told}; outputs off {slowest_s:.2f} s after a kill at the latest")  # noqa: T201 - for the record
