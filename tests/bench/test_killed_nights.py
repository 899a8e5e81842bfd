"""A night over a served rig whose process is killed at random moments, and resumed until it is done.

Each process is a new one, as a person would start it. What is left at the end must be what an uninterrupted night
leaves: no reading missing, none twice, the store sound after every kill, every output off in time and in order.

How many kills: NIGHTBENCH_KILLS (5 otherwise); their moments follow from NIGHTBENCH_KILL_SEED, which is printed, and
NIGHTBENCH_KILL_LOG names a file for a line on each.
"""

from __future__ import annotations

import os
import random
import subprocess
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import pytest
from killed_nights import (
    CLOCK,
    PATIENCE_S,
    Keys,
    Killed,
    KilledNight,
    Process,
    ended,
    reading_keys,
    served_night,
    wait_for_conditions,
    was_killed,
)
from marked_states import STATES, Marks

from bench.exit_codes import ExitCode
from bench.sequencer import FINAL, State
from bench.store.store import open_store

pytestmark = [pytest.mark.slow, pytest.mark.waits, pytest.mark.skipif(os.name == "nt", reason="kills by POSIX signals")]

KILLS = int(os.environ.get("NIGHTBENCH_KILLS", "5"))
SEED = int(os.environ.get("NIGHTBENCH_KILL_SEED", "20261125"))
LOG = os.environ.get("NIGHTBENCH_KILL_LOG")

#: A guard has made the bench safe this long after a kill, in real time.
SAFE_WITHIN_S = 2.0

#: States that a kill is aimed at, and the longest random time after one began. By time alone nearly all kills would
#: fall into the loading of modules and the soak.
AIMED_AT_S = {
    "bringing up": 0.15,
    "changing": 0.02,
    "soaking": 0.1,
    "settling": 0.02,
    "measuring": 0.05,
    "committing": 0.002,
    "shutting down": 0.02,
    "returning to room temperature": 0.2,
    "deciding": 0.2,
}

#: States that come again and again.
MANY_TIMES = ("changing", "soaking", "settling", "measuring", "committing")

#: States in which a guard stands by.
GUARDED = frozenset(state.value for state in State if state not in FINAL)


@pytest.fixture
def night(tmp_path: Path) -> Iterator[KilledNight]:
    with served_night(tmp_path, 600) as made:
        yield made


@pytest.fixture
def slow_night(tmp_path: Path) -> Iterator[KilledNight]:
    """One that still goes on when others have been refused."""
    with served_night(tmp_path, 60) as made:
        yield made


def test_a_second_run_on_the_bench_of_a_running_one_is_refused_with_who_has_it_since_when(
    slow_night: KilledNight,
) -> None:
    """So is a check of it, and going on with the run that is going on; the first one is not disturbed."""
    night, bench = slow_night, str(slow_night.rig.bench_file)
    first = night.run()
    try:
        wait_for_conditions(night, 1)
        night.sign("hours").write_text("-1000", "utf-8")  # whatever the machine's time says by now: no lock is stale
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


@dataclass(frozen=True, slots=True)
class Moment:
    """When to kill: so long after a state has begun for so many times; after the process itself for no state."""

    state: str
    times: int
    delay_s: float

    def kill(self, process: Process, marks: Marks) -> float | None:
        """Kill then. Returns the time of it by ``CLOCK``; None if the process has ended before."""
        while self.state and marks.count(self.state) < self.times:
            if process.poll() is not None:
                return None
            CLOCK.sleep(0.0005)
        try:
            process.wait(self.delay_s)
        except subprocess.TimeoutExpired:
            at_s = CLOCK.elapsed_s()
            process.kill()
            process.wait()
            return at_s if was_killed(process) else None
        return None


def random_moment(chance: random.Random, length_s: float) -> Moment:
    """Every other one by time alone, the rest aimed at a state."""
    if chance.random() < 0.5:
        return Moment("", 0, chance.uniform(0.1, length_s))
    # Oftener at the commit, where a reading could be lost or written twice.
    state = chance.choice((*AIMED_AT_S, "committing", "committing"))
    times = chance.randint(1, 4) if state in MANY_TIMES else 1
    return Moment(state, times, chance.uniform(0.0, AIMED_AT_S[state]))


@dataclass
class Slaughter:
    """Nights that are killed, and what is known of it."""

    night: KilledNight
    expected: Keys
    length_s: float
    chance: random.Random
    zero_s: float
    killed: list[Killed] = field(default_factory=list)
    nights: int = 0
    sound: int = 0
    said: str = ""

    @property
    def where(self) -> str:
        return f"seed {SEED}, kill {len(self.killed)}"

    def kill_one(self, process: Process, moment: Moment) -> bool:
        """Kill a process at a moment, and see the bench become safe; False if it ended before."""
        with self.night.marks() as marks:
            at_s = moment.kill(process, marks)
            self.said = "".join(process.communicate())
            if at_s is None:
                return False
            self.night.wait_until_safe(PATIENCE_S)
            found = self.night.off_after((at_s - self.zero_s) * self.night.rig.speed, marks.state)
        self.killed.append(found)
        if LOG is not None:
            with Path(LOG).open("a", encoding="utf-8") as file:
                file.write(f"{len(self.killed)} {found}\n")
        assert found.in_order, f"bias went off with RF on, {self.where}"
        assert max(found.rf_off_s, found.bias_off_s) < SAFE_WITHIN_S, f"{found}, {self.where}"
        return True

    def one_night(self) -> None:
        """Begin a night, kill and resume it until it is done, and compare."""
        night = self.night
        self.nights += 1
        night.store.unlink(missing_ok=True)
        before: Keys = Counter()
        first, goes_on = len(self.killed), False
        while True:
            process = night.resume() if goes_on else night.run()
            if len(self.killed) >= KILLS:
                code, said = ended(process)
                break
            if not self.kill_one(process, random_moment(self.chance, self.length_s)):
                code, said = process.returncode, self.said
                break
            if not night.store.exists():
                continue
            with open_store(str(night.store)) as store:
                lines = store.runs()
            goes_on, is_done = any(line.total for line in lines), any(line.state == "done" for line in lines)
            keys = reading_keys(night.store)
            self.sound += 1
            assert before <= keys, f"readings were lost, {self.where}"
            before = keys
            if is_done:  # killed while it made up its mind about the limits
                code, said = ExitCode.DONE, '"decision"'
                break
        # An exit code alone could be that of a mistake of ours.
        assert code in (ExitCode.DONE, ExitCode.LIMIT_NOT_MET), f"{self.where}: {code} {said}"
        assert '"decision"' in said, f"{self.where}: {code} {said}"
        assert reading_keys(night.store) == self.expected, self.where
        # Each death with a guard is on record; a guard that was just leaving may have acted too.
        deaths = [event for event in night.events("guard") if "has ended without a word" in event.text]
        guarded = sum(one.state in GUARDED for one in self.killed[first:])
        assert guarded <= len(deaths) <= len(self.killed) - first, f"{guarded} guarded, {deaths}, {self.where}"

    def summary(self) -> str:
        """What happened, in words."""
        on = [one for one in self.killed if one.was_on]
        states = Counter(one.state for one in self.killed)
        by_state = ", ".join(f"{state} {states[state]}" for state in STATES if states[state])
        lines = [
            f"{len(self.killed)} kills in {self.nights} nights of {self.length_s:.1f} s, seed {SEED}; the store was "
            f"looked at after {self.sound} of them and was sound each time; outputs were on at {len(on)}",
            f"killed while: {by_state}",
        ]
        for what, times in (("RF off", [o.rf_off_s for o in on]), ("bias off", [o.bias_off_s for o in on])):
            if times:
                lines.append(f"{what} after the kill: median {median(times):.2f} s, latest {max(times):.2f} s")
        lines.append(f"order RF, then bias: {sum(o.in_order for o in self.killed)} of {len(self.killed)}")
        return "\n".join(lines)


def zero_of(night: KilledNight) -> float:
    """When the rig's clock began, by ``CLOCK``: the tightest of several looks."""
    looks = []
    for _ in range(20):
        asked_s = CLOCK.elapsed_s()
        rig_s = night.rig_s() / night.rig.speed
        answered_s = CLOCK.elapsed_s()
        looks.append((answered_s - asked_s, asked_s - rig_s))
    return min(looks)[1]  # rather too early than too late: no time to safety looks shorter than it was


def test_a_night_that_is_killed_again_and_again_ends_with_the_readings_of_one_that_is_not(
    night: KilledNight, capsys: pytest.CaptureFixture[str]
) -> None:
    """At any instant at most the condition in progress is lost, nothing is measured twice, and outputs go off."""
    whole = night.folder / "whole.db"
    began_s = CLOCK.elapsed_s()
    code, said = ended(night.run(whole))
    length_s = CLOCK.elapsed_s() - began_s
    assert '"decision"' in said, (code, said)
    expected = reading_keys(whole)
    assert set(expected.values()) == {1}

    slaughter = Slaughter(night, expected, length_s, random.Random(SEED), zero_of(night))
    try:
        while len(slaughter.killed) < KILLS:
            slaughter.one_night()
    finally:
        with capsys.disabled():
            print(f"\n{slaughter.summary()}")  # noqa: T201 - for the record
