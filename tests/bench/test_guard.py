"""The guard process: what it does when its run dies, asks or is well, alone and beside others."""

from __future__ import annotations

import json
import os
import signal
import socket
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import pytest

from bench.clocks import RealClock, SimulatedClock
from bench.errors import Tripped, UnsafeBench
from bench.events import Event
from bench.guard import BETWEEN_S, PLACES, TRIES, Guard, guarded_part_of
from bench.guard_words import word_file
from bench.guarding import UNGUARDED, Incoming, Task, guarded, hang_limit_s
from bench.locks import FOLDER_VARIABLE, Holder, hold_bench
from bench.safe_state import RF_BEFORE_BIAS_S
from bench.store.records import RunRecord
from bench.store.store import Store, open_store
from bench.tell_file import TellFile
from drivers.timing import Clock
from sequences.read_files import Setup, demo_file, parse_setup
from served_rig import ServedRig, served_rig

STARTS = datetime(2026, 11, 2, 18, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def rig() -> Iterator[ServedRig]:
    with served_rig() as served:
        yield served


@pytest.fixture(autouse=True)
def locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(FOLDER_VARIABLE, str(tmp_path / "locks"))


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(str(tmp_path / "night.db")) as opened:
        yield opened


@dataclass
class Waits:
    """The machine's clock: waits only between RF and bias, and tells each other wait to ``then``."""

    waits_s: list[float] = field(default_factory=list)
    then: Callable[[list[float]], None] = lambda waits_s: None

    def now(self) -> datetime:
        return STARTS

    def elapsed_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        if duration_s == RF_BEFORE_BIAS_S:
            # The rig is on sockets of its own: without this pause bias may be heard of first.
            RealClock().sleep(duration_s)
            return
        self.waits_s.append(duration_s)
        self.then(self.waits_s)


@dataclass
class Guarding:
    """A guard in this process, on a served rig whose outputs are on."""

    rig: ServedRig
    store: Store
    setup: Setup
    run: str
    waits: Waits
    said: list[str]
    guard: Guard

    def events(self) -> list[Event]:
        return [event for event in self.store.events(self.run) if event.kind == "guard"]

    def log(self) -> list[tuple[str, str]]:
        return [(place, what) for _, place, what in self.rig.log()[self.before :]]

    before: int = 0


def _setup(rig: ServedRig) -> Setup:
    sequence, part = (demo_file(name).read_text("utf-8") for name in ("quick.sequence.toml", "virga-2.part.toml"))
    return parse_setup(sequence, part, rig.bench_file.read_text("utf-8"))


def _begin(store: Store, setup: Setup) -> str:
    record = RunRecord.of(setup, unit="VG2-0007", operator="Ada", began=STARTS, tool_version="tests")
    store.begin_run(record)
    return record.id


def _switch_on(rig: ServedRig) -> None:
    for place in PLACES:
        if place in rig.ports:
            rig.control(f"fault {place} none")
            with socket.create_connection(("127.0.0.1", rig.ports[place]), 10.0) as line:
                line.sendall(
                    b":SOUR:TEMP:SPO 60\n:OUTP:STAT 1\n*IDN?\n" if place == "chamber" else b":OUTP:STAT 1\n*IDN?\n"
                )
                assert line.recv(200)
    truth = rig.truth()
    assert all(truth["rf_on"].values())
    assert truth["bias_on"]


def _is_off(rig: ServedRig) -> bool:
    truth = rig.truth()
    return not (any(truth["rf_on"].values()) or truth["noise_on"] or truth["bias_on"])


@pytest.fixture
def guarding(rig: ServedRig, store: Store) -> Guarding:
    setup = _setup(rig)
    run = _begin(store, setup)
    waits, said = Waits(), list[str]()
    task = Task(run, store.url, setup.part.text, setup.bench.text, str(rig.bench_file), {}, 30.0)
    real: Clock = waits
    guard = Guard(
        task, guarded_part_of(setup.bench), setup.part.model, SimulatedClock(STARTS), real, said.append, run_pid=0
    )
    _switch_on(rig)
    return Guarding(rig, store, setup, run, waits, said, guard, before=len(rig.log()))


def test_a_bench_whose_run_is_dead_is_made_safe_rf_before_bias_and_the_run_is_called_interrupted(
    guarding: Guarding,
) -> None:
    """Every output off, chamber to its idle temperature and still conditioning, and the store says when and how."""
    code = guarding.guard.act("the run's process has ended without a word", dead=True)

    order = guarding.log()
    assert code == 0
    assert _is_off(guarding.rig)
    assert order.index(("supply", "bias off")) > max(order.index((tone, "rf off")) for tone in ("tone_1", "tone_2"))
    assert ("chamber", "target 25 °C") in order
    assert guarding.rig.truth()["conditioning"]
    texts = [event.text for event in guarding.events()]
    assert texts[0] == "the run's process has ended without a word; making the bench safe"
    assert texts[1:-1] == [
        "RF of tone_1 off: done",
        "RF of tone_2 off: done",
        "noise source off: done",
        "bias off: done",
        "chamber to idle: done",
    ]
    assert texts[-1] == "made safe at 2026-11-02 18:00:00 UTC"
    assert all(event.facts.get("confirmed", True) for event in guarding.events())
    assert guarding.store.run(guarding.run).state == "interrupted"
    assert guarding.said == ["acting", "safe"]


def test_an_instrument_that_cannot_be_reached_is_tried_again_and_the_others_are_off_meanwhile(
    guarding: Guarding,
) -> None:
    """The second wait ends the fault; bias does not wait for it."""
    guarding.rig.control("fault tone_1 refused")
    bias: list[bool] = []

    def heal(waits_s: list[float]) -> None:
        bias.append(guarding.rig.truth()["bias_on"])
        if len(waits_s) == 2:
            guarding.rig.control("fault tone_1 none")

    guarding.waits.then = heal
    code = guarding.guard.act("gone", dead=True)

    assert code == 0
    assert bias == [False, False]
    assert _is_off(guarding.rig)
    assert guarding.events()[-1].facts == {"confirmed": True, "attempts": 3}
    first = [event for event in guarding.events() if event.facts.get("attempt") == 1]
    assert [event.text.partition(":")[0] for event in first if not event.facts["confirmed"]] == ["RF of tone_1 off"]


def test_what_cannot_be_confirmed_is_said_after_the_last_try(guarding: Guarding) -> None:
    """A person has to go there: the record names what is left."""
    guarding.rig.control("fault tone_2 refused")
    try:
        code = guarding.guard.act("gone", dead=True)
    finally:
        guarding.rig.control("fault tone_2 none")

    last = guarding.events()[-1]
    assert code == 3
    assert guarding.waits.waits_s == list(BETWEEN_S)
    assert last.text.startswith("COULD NOT CONFIRM THE SAFE STATE (RF of tone_2 off: tone_2 (")
    assert last.facts == {"confirmed": False, "attempts": TRIES}
    assert guarding.said == ["acting", "not safe"]


def test_a_guard_whose_store_is_gone_writes_beside_it(guarding: Guarding, tmp_path: Path) -> None:
    """A full or missing disk must not lose what happened while there is any place for it."""
    guarding.guard.task = Task(**{**vars_of(guarding.guard.task), "store": str(tmp_path / "gone.db")})

    code = guarding.guard.act("gone", dead=True)

    path = word_file(guarding.guard.task.store, guarding.guard.task.run)
    told = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    assert code == 0
    assert path == tmp_path / f"gone.db.guard-{guarding.run[:8]}.jsonl"
    assert told[0]["text"] == "gone; making the bench safe"
    assert told[-2]["text"].startswith("made safe at ")
    assert told[-1]["text"].startswith("the store could not be written: ")


def vars_of(task: Task) -> dict[str, Any]:
    return {name: getattr(task, name) for name in Task.__dataclass_fields__}


def test_a_bench_that_another_run_has_taken_is_left_to_it_after_the_first_try(guarding: Guarding) -> None:
    """The first try comes before the new run can have switched anything on; a later one could be against it."""
    guarding.rig.control("fault tone_1 refused")
    other = Holder.here("run", "0f1e2d3c-0000-4000-8000-000000000001", "Grace")
    try:
        with hold_bench(guarding.setup.bench.model, other):
            code = guarding.guard.act("gone", dead=True)
    finally:
        guarding.rig.control("fault tone_1 none")

    assert code == 3
    assert len(guarding.waits.waits_s) == 1
    assert guarding.events()[-1].text.startswith("leaves the bench to run 0f1e2d3c (operator Grace")


def test_a_run_that_could_not_confirm_asks_and_is_still_running(guarding: Guarding) -> None:
    """It lives, and writes its own end."""
    assert guarding.guard.act("the run asks") == 0

    assert _is_off(guarding.rig)
    assert guarding.store.run(guarding.run).state == "running"


def test_a_run_that_has_ended_keeps_its_state(guarding: Guarding) -> None:
    """Killed between its end and its word to the guard, it is done all the same."""
    guarding.store.interrupted(guarding.run, STARTS)
    first = guarding.store.run(guarding.run).ended

    guarding.guard.act("gone", dead=True)

    assert guarding.store.run(guarding.run).ended == first


def test_a_hang_is_longer_than_the_longest_exchange_or_what_the_bench_file_says(rig: ServedRig) -> None:
    """The analyzer of this bench has 20 s, so that 40 s without a beat are no long sweep."""
    setup = _setup(rig)
    text = setup.bench.text.replace("[bench]\n", "[bench]\nguard_after_s = 7\n")
    said = parse_setup(setup.sequence.text, setup.part.text, text)

    assert hang_limit_s(setup) == 40.0
    assert hang_limit_s(said) == 7.0


def test_a_rig_in_the_process_of_the_run_has_no_guard(rig: ServedRig) -> None:
    """It ends with the run."""
    setup = _setup(rig)
    in_process = demo_file("nimbus.bench.toml").read_text("utf-8")

    with guarded(parse_setup(setup.sequence.text, setup.part.text, in_process).bench.model) as guard:
        assert guard is UNGUARDED


def test_the_end_of_a_pipe_is_an_empty_chunk_and_patience_ends_with_none() -> None:
    """On both sides of the guard; what was sent before the end comes first."""
    reads, writes = os.pipe()
    with os.fdopen(reads, "rb", 0) as end:
        incoming = Incoming(end)
        assert incoming.take(0.0) is None
        os.write(writes, b".")
        assert incoming.take(10.0) == b"."
        os.close(writes)
        assert incoming.take(10.0) == b""
        incoming.join()


def test_a_guard_that_is_told_to_leave_does_nothing_whatever_signals_it_has_had(rig: ServedRig, store: Store) -> None:
    """Signals are meant for the run; and it holds neither a terminal nor the run's output."""
    setup = _setup(rig)
    run = _begin(store, setup)
    _switch_on(rig)
    before = rig.log()

    with guarded(setup.bench.model) as guard:
        guard.watch(setup, run, store, SimulatedClock(STARTS))
        process = cast("Any", guard).process
        for number in (signal.SIGINT, signal.SIGTERM):
            process.send_signal(number)
        guard.exchanged()
        if sys.platform == "linux":
            assert os.getsid(process.pid) == process.pid
            open_files = {path.readlink() for path in Path(f"/proc/{process.pid}/fd").iterdir()}
            assert not open_files & {Path(f"/proc/self/fd/{number}").readlink() for number in (1, 2)} - {
                Path("/dev/null")
            }

    assert process.returncode == 0
    assert rig.log() == before
    assert store.events(run) == ()


def test_a_run_that_hangs_is_ended_if_its_lines_may_be_in_the_way(
    guarding: Guarding, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An instrument with one line has it free then; ended once, and only while it is this guard's parent."""
    killed: list[tuple[int, int]] = []

    def kill(pid: int, number: int) -> None:
        killed.append((pid, number))
        guarding.rig.control("fault supply none")

    monkeypatch.setattr(os, "kill", kill)
    guarding.guard.run_pid = os.getppid()
    guarding.rig.control("fault supply refused")

    code = guarding.guard.act("no sign of life", hung=True)

    assert code == 0
    assert killed == [(os.getppid(), getattr(signal, "SIGKILL", signal.SIGTERM))]
    assert _is_off(guarding.rig)
    assert any("is ended, as it may hold the lines of: bias off" in event.text for event in guarding.events())


@pytest.mark.slow
def test_a_run_that_cannot_confirm_its_safe_state_hears_what_the_guard_could(rig: ServedRig, store: Store) -> None:
    """New lines may do what broken ones could not; the alarm stands all the same, with that beside it."""
    setup = _setup(rig)
    run = _begin(store, setup)
    _switch_on(rig)

    def end_unsafely() -> None:
        with guarded(setup.bench.model) as guard:
            guard.watch(setup, run, store, SimulatedClock(STARTS))
            raise UnsafeBench(("bias off: no answer",), run)

    with pytest.raises(UnsafeBench) as caught:
        end_unsafely()

    assert _is_off(rig)
    assert caught.value.__notes__ == [
        "the guard process has tried again with lines of its own, and confirmed the safe state"
    ]
    assert store.run(run).state == "running"


def test_a_guard_whose_pipe_ends_acts_and_one_that_is_killed_trips_the_run(rig: ServedRig, store: Store) -> None:
    """The two halves of the watch: each sees the other die."""
    setup = _setup(rig)
    run = _begin(store, setup)
    _switch_on(rig)

    with guarded(setup.bench.model) as guard, guarded(setup.bench.model) as other:
        guard.watch(setup, run, store, SimulatedClock(STARTS))
        cast("Any", guard).process.stdin.close()
        other.watch(setup, run, store, SimulatedClock(STARTS))
        process = cast("Any", other).process
        process.kill()
        process.wait()
        clock = other.clock(SimulatedClock(STARTS))
        with pytest.raises(Tripped, match="the guard process has ended"):
            _until_tripped(clock)
        clock.sleep(60.0)  # it is said once, so that it does not stand in the way to safety

    assert _is_off(rig)
    assert store.run(run).state == "interrupted"
    assert [event.text for event in store.events(run)][-1].startswith("made safe at ")


def _until_tripped(clock: Clock) -> None:
    for _ in range(10**6):
        clock.sleep(1.0)


def test_a_guard_whose_run_is_dead_tells_people_and_writes_on_in_the_log_of_the_run(
    guarding: Guarding, tmp_path: Path
) -> None:
    """Nobody else can: what happened, and whether the bench is safe; a way that fails is an event."""
    out = tmp_path / "told"
    code = "import sys; open(sys.argv[1], 'a', encoding='utf-8').write('|'.join(sys.argv[2:])); sys.exit(3)"
    guarding.guard.tell_file = TellFile(tmp_path, (sys.executable, "-c", code, str(out), "{what}", "{text}", "{run}"))
    guarding.guard.act("the run's process has ended without a word", dead=True)
    events = guarding.store.events(guarding.run)
    (log,) = (tmp_path / "night-logs").iterdir()

    assert out.read_text(encoding="utf-8") == (
        f"tripped|the run's process has ended without a word; the guard has made the bench safe|{guarding.run}"
    )
    assert [(event.kind, event.text.partition(": ")[2]) for event in events][-1] == (
        "could not tell", "it ended with 3",
    )  # fmt: skip
    assert len(log.read_text(encoding="utf-8").splitlines()) == len(events)


def test_a_guard_that_a_run_asks_leaves_the_telling_to_the_run(guarding: Guarding, tmp_path: Path) -> None:
    """It lives, and tells that its bench is unsafe by itself."""
    out = tmp_path / "told"
    guarding.guard.tell_file = TellFile(tmp_path, (sys.executable, "-c", f"open({str(out)!r}, 'w')"))
    guarding.guard.act("the run asks for safety: it could not confirm it itself")

    assert not out.exists()
