"""A night over a served rig whose process is killed at random moments, and resumed until it is done.

Each process is a new one, as a person would start it. What is left at the end must be what an uninterrupted night
leaves: no reading missing, none twice, the store sound after every kill.

How many kills: NIGHTBENCH_KILLS (8 otherwise); their moments follow from NIGHTBENCH_KILL_SEED, which is printed.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

import bench
from bench.exit_codes import ExitCode
from bench.store.store import open_store
from sequences.read_files import demo_file
from served_rig import ServedRig, served_rig

pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name == "nt", reason="kills by POSIX signals")]

KILLS = int(os.environ.get("NIGHTBENCH_KILLS", "8"))
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
        return subprocess.Popen(
            [*_COMMAND, *words, "--store", str(store or self.store), "--no-report", "--json"],
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

    def order_of_safety(self, since: int) -> list[str]:
        """Which outputs went off after so many entries of the rig's own log, in order."""
        return [what for _, _, what in self.rig.log()[since:] if what in ("rf off", "noise off", "bias off")]


@pytest.fixture
def night(tmp_path: Path) -> Iterator[KilledNight]:
    text = demo_file("quick.sequence.toml").read_text("utf-8")
    for old, new in SMALL.items():
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (tmp_path / "small.sequence.toml").write_text(text, "utf-8")
    part = "virga-2.part.toml"
    (tmp_path / part).write_text(demo_file(part).read_text("utf-8"), "utf-8")
    with served_rig(in_process=False) as rig:
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
    began_s = time.monotonic()
    code, said = ended(night.run(whole))
    length_s = time.monotonic() - began_s
    assert '"decision"' in said, (code, said)
    expected = reading_keys(whole)
    assert set(expected.values()) == {1}
    chance = random.Random(SEED)
    kills, nights = 0, 0
    places: Counter[str] = Counter()
    while kills < KILLS:
        nights += 1
        night.store.unlink(missing_ok=True)
        before: Counter[tuple[Any, ...]] = Counter()
        process = night.run()
        while True:
            code = kill_after(process, chance.uniform(0.1, length_s) if kills < KILLS else _PATIENCE_S)
            said = "".join(process.communicate())
            if code != -signal.SIGKILL:
                break
            kills += 1
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
    with capsys.disabled():
        print(f"\n{kills} kills in {nights} nights of {length_s:.1f} s, seed {SEED}: {dict(places)}")  # noqa: T201
