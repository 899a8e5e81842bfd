"""A served rig, a store, and processes of the command line that come, go, and are killed.

Each process is a new one, as a person would start it. What is judged is the rig's own log, and the store as SQLite
alone reads it.
"""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from marked_states import Marks

import bench
from bench.clocks import RealClock
from bench.events import Event
from bench.store.store import open_store
from sequences.read_files import demo_file
from served_rig import ServedRig, served_rig

#: Where the packages lie that are being tested, and these helpers, as the processes do not begin there.
_PACKAGES = os.pathsep.join((str(Path(bench.__file__).parents[1]), str(Path(__file__).parent)))

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

#: Longest that anything here may take, in real seconds: far above any.
PATIENCE_S = 120.0

Process = subprocess.Popen[str]
Keys = Counter[tuple[Any, ...]]  # Any: what SQLite has in a column


@dataclass(frozen=True, slots=True)
class Killed:
    """What a kill found and what became of it.

    Attributes:
        state: Where the run stood.
        was_on: Whether RF, noise or bias was on.
        rf_off_s, bias_off_s: Real seconds until the last of each was off, by the rig's own log; 0 where it was off.
        in_order: Whether no bias went off while RF was on.
    """

    state: str
    was_on: bool
    rf_off_s: float
    bias_off_s: float
    in_order: bool


@dataclass
class KilledNight:
    """One rig, one store, and processes that come and go.

    Attributes:
        rig: The rig.
        folder: Where store, locks and sequence lie.
    """

    rig: ServedRig
    folder: Path
    processes: int = 0

    @property
    def store(self) -> Path:
        return self.folder / "night.db"

    def begin(self, *words: str, store: Path | None = None) -> Process:
        """A new process of the command line, with the store, whose states are marked."""
        self.processes += 1
        marked = ("from marked_states import main; main()", str(self._marks))
        return self._process(*marked, *words, "--store", str(store or self.store), "--no-report", "--json")

    def look(self, *words: str) -> Process:
        """A new process of the command line."""
        return self._process("from bench.cli import main; main()", *words, "--json")

    def _process(self, *words: str) -> Process:
        return subprocess.Popen(
            [sys.executable, "-c", *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=self.folder,
            env=os.environ | {"NIGHTBENCH_LOCKS": str(self.folder / "locks"), "PYTHONPATH": _PACKAGES},
        )

    def run(self, store: Path | None = None) -> Process:
        words = [str(self.folder / "small.sequence.toml"), "--unit", "VG2-0007", "--bench", str(self.rig.bench_file)]
        return self.begin("run", *words, store=store)

    def resume(self) -> Process:
        return self.begin("resume", "latest")

    @property
    def _marks(self) -> Path:
        return self.folder / f"marks-{self.processes}"

    @contextmanager
    def marks(self) -> Iterator[Marks]:
        """Where the newest process stands."""
        with closing(Marks(self._marks)) as marks:
            yield marks

    def is_safe(self) -> bool:
        truth = self.rig.truth()
        return not (any(truth["rf_on"].values()) or truth["noise_on"] or truth["bias_on"])

    def rig_s(self) -> float:
        """The rig's time at this instant."""
        at_s: float = self.rig.truth()["at_s"]
        return at_s

    def sign(self, name: str) -> Path:
        """A file that a process with marks looks for; see ``marked_states``."""
        return self.folder / f"sign-{name}"

    def heal(self) -> None:
        """End every fault of the rig and of the processes that this module knows."""
        for place in self.rig.control("faults")["faults"]:
            self.rig.control(f"fault {place} none")
        for path in self.folder.glob("sign-*"):
            path.unlink()

    def wait_until_safe(self, patience_s: float) -> None:
        began_s = CLOCK.elapsed_s()
        while not self.is_safe():
            assert CLOCK.elapsed_s() - began_s < patience_s, f"still on: {self.rig.truth()}"
            CLOCK.sleep(0.02)

    def off_after(self, since_s: float, state: str) -> Killed:
        """What the rig's own log says of its outputs since an instant of its time; they must be off by now."""
        on: set[tuple[str, str]] = set()
        was_on, in_order = False, True
        last_s = {"rf": since_s, "bias": since_s}
        for at_s, place, what in self.rig.log():
            kind, _, change = what.rpartition(" ")
            if kind not in ("rf", "noise", "bias"):
                continue
            if change == "on":
                on.add((kind, place))
            else:
                on.discard((kind, place))
            if at_s < since_s:
                was_on = bool(on)
                continue
            last_s["bias" if kind == "bias" else "rf"] = at_s
            # Bias goes last: nothing that feeds the unit may be on then.
            in_order = in_order and not (what == "bias off" and on)
        assert not on, f"by its log, {on} stayed on"
        rf_s, bias_s = ((last_s[kind] - since_s) / self.rig.speed for kind in ("rf", "bias"))
        return Killed(state, was_on, rf_s, bias_s, in_order)

    def events(self, kind: str = "") -> list[Event]:
        """Events of the newest run."""
        with open_store(str(self.store)) as store:
            return [event for event in store.events(store.find_run("latest")) if kind in ("", event.kind)]

    def run_state(self) -> str:
        """State of the newest run, as the store has it."""
        with open_store(str(self.store)) as store:
            return store.run(store.find_run("latest")).state


@contextmanager
def served_night(
    folder: Path,
    speed: float,
    guard_after_s: float | None = None,
    bench_edits: Mapping[str, str] | None = None,
    smaller: Mapping[str, str] | None = None,
) -> Iterator[KilledNight]:
    """The small night over a rig in a process of its own; ``smaller`` edits its sequence once more."""
    text = demo_file("quick.sequence.toml").read_text("utf-8")
    for old, new in (*SMALL.items(), *(smaller or {}).items()):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (folder / "small.sequence.toml").write_text(text, "utf-8")
    part = "virga-2.part.toml"
    (folder / part).write_text(demo_file(part).read_text("utf-8"), "utf-8")
    edits = dict(bench_edits or {})
    if guard_after_s is not None:
        edits['clock = "scaled"'] = f'clock = "scaled"\nguard_after_s = {guard_after_s:g}'
    with served_rig(edits, speed=speed, in_process=False) as rig:
        yield KilledNight(rig, folder)


def ended(process: Process) -> tuple[int, str]:
    """Exit code, and what it said."""
    out, err = process.communicate(timeout=PATIENCE_S)
    return process.returncode, out + err


def reading_keys(store: Path) -> Keys:
    """Condition, repeat and quantity of each reading, read by SQLite alone; the store must be sound."""
    with closing(sqlite3.connect(store)) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        rows = database.execute(
            "SELECT condition.number, reading.repeat, quantity.name FROM reading"
            " JOIN condition ON condition.id = reading.condition_id JOIN quantity ON quantity.id = reading.quantity_id"
        ).fetchall()
        done = {number for (number,) in database.execute("SELECT number FROM condition WHERE completed IS NOT NULL")}
    keys = Counter(rows)
    assert {number for number, _, _ in keys} == done
    return keys


def wait_for_conditions(night: KilledNight, count: int, process: Process | None = None) -> None:
    """Until a run has committed so many."""
    ends_s = CLOCK.elapsed_s() + PATIENCE_S
    while CLOCK.elapsed_s() < ends_s:
        if process is not None and process.poll() is not None:
            raise AssertionError(f"it has ended: {process.communicate()}")
        if night.store.exists():
            with closing(sqlite3.connect(f"file:{night.store}?mode=ro", uri=True)) as database:
                try:
                    (done,) = database.execute("SELECT count(completed) FROM condition").fetchone()
                except sqlite3.OperationalError:
                    done = 0  # its tables are being made
            if done >= count:
                return
        CLOCK.sleep(0.02)
    raise AssertionError(f"no {count} conditions in {PATIENCE_S:g} s")


def was_killed(process: Process) -> bool:
    """Whether a process that is over was ended by SIGKILL."""
    return process.returncode == -signal.SIGKILL
