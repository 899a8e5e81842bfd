"""Every accident that a night can have, one at a time, and going on afterwards with the readings of a whole night.

Runs as processes of their own over one served rig, as ``test_killed_nights`` has them for kills at random moments. What
is said of each: how the run ends, that the outputs are off and went off in order, and that the store has lost nothing.
"""

from __future__ import annotations

import getpass
import os
import resource
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

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
)

from bench.exit_codes import ExitCode

pytestmark = [
    pytest.mark.slow,
    pytest.mark.waits,
    pytest.mark.skipif(sys.platform != "linux", reason="finds the guard in /proc, and kills by POSIX signals"),
]

#: Ten conditions at one temperature: a run takes a few seconds, and is struck several times.
TINY = {"gain_code = [0, 15, 30]": "gain_code = [0, 5, 10, 15, 30]", "temperature_c = [25, 35]": "temperature_c = 25"}
CONDITIONS = 10

#: An instrument that is silent for so long has failed, and a run that is silent for so long hangs; real seconds.
TIME_OUT_S = 1.0
GUARD_AFTER_S = 1.5

#: Outputs are off so long after an accident, in real time; a time-out or the guard's limit comes on top.
SAFE_WITHIN_S = 2.0

TOLERATED = (ExitCode.DONE, ExitCode.LIMIT_NOT_MET)


@pytest.fixture(scope="module")
def bench_and_keys(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[KilledNight, Keys]]:
    """One rig for all, and what an uninterrupted run leaves."""
    folder = tmp_path_factory.mktemp("accidents")
    edits = {"timeout_s = 20": f"timeout_s = {TIME_OUT_S:g}"}
    with served_night(folder, 600, GUARD_AFTER_S, edits, TINY) as made:
        whole = folder / "whole.db"
        code, said = ended(made.run(whole))
        assert code in TOLERATED, said
        keys = reading_keys(whole)
        assert {number for number, _, _ in keys} == set(range(CONDITIONS))
        assert set(keys.values()) == {1}
        yield made, keys


@pytest.fixture
def night(bench_and_keys: tuple[KilledNight, Keys]) -> Iterator[KilledNight]:
    """The rig, with no store yet and no fault left behind."""
    made, _ = bench_and_keys
    for path in made.folder.glob("night*"):
        if path.is_file():
            path.unlink()
    yield made
    made.heal()


@pytest.fixture
def expected(bench_and_keys: tuple[KilledNight, Keys]) -> Keys:
    return bench_and_keys[1]


def test_a_loopback_that_hangs_is_made_safe_by_its_guard_and_holds_the_bench_until_it_is_gone(
    night: KilledNight,
) -> None:
    """It switches on as a run does. Without a store, what its guard did is in a file in the current folder."""
    bench, before_s = str(night.rig.bench_file), night.rig_s()
    words = ("--loopback", "--unit", "VG2-0007", "--part", str(night.folder / "virga-2.part.toml"))
    process = night.look("check", bench, *words, "--operator", "Ada")
    ends_s = CLOCK.elapsed_s() + PATIENCE_S
    while night.is_safe():
        assert process.poll() is None, process.communicate()
        assert CLOCK.elapsed_s() < ends_s
        CLOCK.sleep(0.01)
    process.send_signal(signal.SIGSTOP)
    code, said = ended(night.look("check", bench))
    night.wait_until_safe(GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S)
    words_of_guard = night.folder / "nightbench.guard-loopback.jsonl"
    while not words_of_guard.exists() or "made safe at " not in words_of_guard.read_text("utf-8"):
        assert CLOCK.elapsed_s() < ends_s
        CLOCK.sleep(0.01)
    process.kill()
    process.communicate()

    assert code == ExitCode.INSTRUMENT, said
    assert f"a loopback (operator Ada, user {getpass.getuser()}" in said, said
    assert f"process {process.pid}) since 20" in said, said
    assert night.off_after(before_s, "loopback").in_order


def guard_of(run: Process) -> int:
    """Process id of the only child that a run has."""
    (child,) = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text("utf-8").split()
    return int(child)


def tell(number: signal.Signals) -> Callable[[KilledNight, Process], None]:
    """Send the run a signal."""
    return lambda night, run: run.send_signal(number)


def silence(night: KilledNight, run: Process) -> None:
    """An instrument hangs and never answers again."""
    night.rig.control("fault analyzer silence")


def fill_the_disk(night: KilledNight, run: Process) -> None:
    """The run may write no file beyond a size that the store has already: what a full disk does to it."""
    resource.prlimit(run.pid, resource.RLIMIT_FSIZE, (4096, 4096))


def fill_the_disk_and_kill(night: KilledNight, run: Process) -> None:
    """The guard finds the store full too; its few words fit beside it."""
    resource.prlimit(guard_of(run), resource.RLIMIT_FSIZE, (4096, 4096))
    run.kill()


def make_the_disk_read_only(night: KilledNight, run: Process) -> None:
    """SQLite finds the store read-only in the run's next transaction."""
    night.sign("read-only").touch()


def hang_and_wake(night: KilledNight, run: Process) -> None:
    """The run stands still until the guard has acted, and goes on."""
    run.send_signal(signal.SIGSTOP)
    night.wait_until_safe(GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S)
    run.send_signal(signal.SIGCONT)


def hang_and_die(night: KilledNight, run: Process) -> None:
    """The run stands still until the guard has acted, and is killed then, as a person would."""
    run.send_signal(signal.SIGSTOP)
    night.wait_until_safe(GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S)
    run.kill()


def kill_the_guard(night: KilledNight, run: Process) -> None:
    os.kill(guard_of(run), signal.SIGKILL)


def kill_both(night: KilledNight, run: Process) -> None:
    """The run stands still first, so that it does not notice that its guard is gone."""
    run.send_signal(signal.SIGSTOP)
    os.kill(guard_of(run), signal.SIGKILL)
    run.kill()


@dataclass(frozen=True, slots=True)
class Accident:
    """One accident.

    Attributes:
        happen: What happens to the run.
        code: How its process ends.
        state: What the store calls the run then.
        within_s: Real seconds until its outputs are off; None where nobody is left to switch them off.
    """

    happen: Callable[[KilledNight, Process], None]
    code: int
    state: str
    within_s: float | None = SAFE_WITHIN_S


ACCIDENTS = {
    "SIGTERM": Accident(tell(signal.SIGTERM), ExitCode.STOPPED, "stopped"),
    "Ctrl-C": Accident(tell(signal.SIGINT), ExitCode.STOPPED, "stopped"),
    "a closed terminal": Accident(tell(signal.SIGHUP), ExitCode.STOPPED, "stopped"),
    "a hung instrument": Accident(silence, ExitCode.TRIPPED, "tripped", GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S),
    "a full disk": Accident(fill_the_disk, ExitCode.STORE, "running"),
    "a full disk and a kill": Accident(fill_the_disk_and_kill, -signal.SIGKILL, "running"),
    "a read-only disk": Accident(make_the_disk_read_only, ExitCode.STORE, "running"),
    "a run that hangs": Accident(hang_and_wake, ExitCode.TRIPPED, "tripped", GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S),
    "a run that hangs and is killed": Accident(
        hang_and_die, -signal.SIGKILL, "interrupted", GUARD_AFTER_S + 1.0 + SAFE_WITHIN_S
    ),
    "a guard that is killed": Accident(kill_the_guard, ExitCode.TRIPPED, "tripped"),
    "both killed at once": Accident(kill_both, -signal.SIGKILL, "running", None),
}


#: What strikes one run, one after the other: how it is told to end, what its store does, who dies.
NIGHTS = {
    "stopped": ("SIGTERM", "Ctrl-C", "a closed terminal", "a hung instrument"),
    "without a store": ("a full disk", "a full disk and a kill", "a read-only disk"),
    "hanging": ("a run that hangs", "a run that hangs and is killed"),
    "without a guard": ("a guard that is killed", "both killed at once"),
}


@pytest.mark.parametrize("kind", NIGHTS)
def test_after_each_accident_the_outputs_are_off_and_at_last_the_readings_are_those_of_a_whole_run(
    night: KilledNight, expected: Keys, kind: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A run that is struck again whenever it has been resumed; the machine's time jumps before the last resume."""
    process, kept, lines = night.run(), Counter[tuple[object, ...]](), []
    for name in NIGHTS[kind]:
        wait_for_conditions(night, len({number for number, _, _ in kept}) + 1)
        found, said = strike(night, process, name)
        lines.append(f"{name}: RF off after {found.rf_off_s:.2f} s, bias off after {found.bias_off_s:.2f} s; {said}")
        before, kept = kept, reading_keys(night.store)
        assert before < kept <= expected, name
        night.heal()
        process = night.resume()
    night.sign("hours").write_text("-30" if len(lines) > 2 else "30", "utf-8")
    code, said = ended(process)

    assert code in TOLERATED, said
    assert '"decision"' in said, said
    if "a full disk and a kill" in NIGHTS[kind]:
        assert [event for event in night.events("guard") if event.text.startswith("made safe at ")]
    assert reading_keys(night.store) == expected
    assert night.run_state() == "done"
    # What a guard wrote beside the store is in it now; one of a loopback has no store.
    assert not list(night.folder.glob("*.guard-[!l]*.jsonl"))
    with capsys.disabled():
        print("", *lines, sep="\n")  # noqa: T201 - for the record


def strike(night: KilledNight, process: Process, name: str) -> tuple[Killed, str]:
    """Let an accident happen to a run, and see it end and its outputs go off; what the rig saw, and how it ended."""
    accident = ACCIDENTS[name]
    before_s = night.rig_s()
    accident.happen(night, process)
    code, said = ended(process)
    assert code == accident.code, f"{name}: {code} {said}"
    if accident.within_s is None:
        assert not night.is_safe()
        return made_safe_by_the_next(night, process, before_s), f"exit {code}, outputs on until the next resume"
    night.wait_until_safe(SAFE_WITHIN_S)
    found = night.off_after(before_s, name)
    assert found.was_on, name
    assert max(found.rf_off_s, found.bias_off_s) < accident.within_s, found
    assert found.in_order, f"{name}: {night.rig.log()}"
    ends_s = CLOCK.elapsed_s() + PATIENCE_S
    while night.run_state() != accident.state:  # a guard writes down what it has done after it has done it
        assert CLOCK.elapsed_s() < ends_s, f"{name}: {night.run_state()}, not {accident.state}"
        CLOCK.sleep(0.02)
    if name == "a full disk and a kill":
        see_what_the_guard_wrote(night)
    return found, f"exit {code}, {accident.state}"


def see_what_the_guard_wrote(night: KilledNight) -> None:
    """Beside the store, and a list of the runs knows it."""
    ends_s = CLOCK.elapsed_s() + PATIENCE_S
    while '"guard": "made safe at ' not in (listed := ended(night.look("runs", "--store", str(night.store)))[1]):
        assert CLOCK.elapsed_s() < ends_s, listed
    assert '"state": "interrupted"' in listed
    assert not [event for event in night.events("guard") if event.text.startswith("made safe at ")]


def made_safe_by_the_next(night: KilledNight, dead: Process, since_s: float) -> Killed:
    """Nobody is left to switch off, as when the computer loses its power; the next session does before all else."""
    assert night.run_state() == "running"  # as nobody could write down anything else
    listed, shown = (ended(night.look("runs", *words, "--store", str(night.store)))[1] for words in ((), ("latest",)))
    assert '"state": "interrupted"' in listed, listed
    assert '"state": "interrupted"' in shown, shown
    assert f"process {dead.pid}" in shown, shown
    since = len(night.rig.log())
    resumed = night.resume()
    night.wait_until_safe(PATIENCE_S)
    found = night.off_after(since_s, "both killed at once")
    changes = [what for _, _, what in night.rig.log()[since:] if what in ("rf on", "rf off", "bias on", "bias off")]
    resumed.send_signal(signal.SIGTERM)
    code, said = ended(resumed)
    assert code == ExitCode.STOPPED, said
    assert changes[0] != "bias on", changes
    assert "rf on" not in changes[: changes.index("bias off")], changes
    assert found.in_order
    assert [event for event in night.events("taken over") if f"process {dead.pid}" in event.text]
    return found
