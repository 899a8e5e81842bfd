"""One bench, one run: who has it, since when, and that a lock ends with its process."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.errors import BenchError, BenchInUse, RunInUse
from bench.locks import FOLDER_VARIABLE, Holder, hold_bench, hold_run, pen_of
from sequences.bench_file import Bench
from sequences.read_files import demo_file, read_bench

RUN = "0f1e2d3c-0000-4000-8000-000000000001"

#: Holds the bench of a file until it is told to end, or dies.
_KEEP = """
import sys
from bench.locks import Holder, hold_bench, hold_run
from sequences.read_files import read_bench
holder = Holder.here("run", sys.argv[2], "Ada")
with hold_run(sys.argv[2], holder), hold_bench(read_bench(sys.argv[1]).model, holder):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    made = tmp_path / "locks"
    monkeypatch.setenv(FOLDER_VARIABLE, str(made))
    return made


@pytest.fixture
def bench() -> Bench:
    return read_bench(demo_file("sockets.bench.toml")).model


@pytest.fixture
def other_process() -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", _KEEP, str(demo_file("sockets.bench.toml")), RUN],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.communicate()


def test_a_bench_that_another_process_has_is_refused_with_who_and_since_when(
    bench: Bench, other_process: subprocess.Popen[str]
) -> None:
    """Two runs on one bench would each set what the other reads."""
    with pytest.raises(BenchInUse) as caught, hold_bench(bench, Holder.here("check")):
        pass
    said = str(caught.value)

    assert "bench Nimbus is in use: run 0f1e2d3c (operator Ada, user " in said
    assert f"process {other_process.pid}) since 20" in said
    assert "UTC has " in said


def test_a_run_that_another_process_writes_is_refused_with_who_and_since_when(
    other_process: subprocess.Popen[str],
) -> None:
    """Each would measure what the other has measured already."""
    with (
        pytest.raises(RunInUse, match=rf"operator Ada, .*process {other_process.pid}\) since 20"),
        hold_run(RUN, Holder.here("run", RUN)),
    ):
        pass


def test_the_locks_of_a_process_that_was_killed_are_taken_over_and_it_is_named(
    bench: Bench, other_process: subprocess.Popen[str], folder: Path
) -> None:
    """SIGKILL lets nobody clean up; the operating system does."""
    other_process.kill()
    other_process.wait()
    holder = Holder.here("run", RUN)
    with hold_run(RUN, holder) as wrote, hold_bench(bench, holder) as had:
        assert [(one.pid, one.operator) for one in wrote] == [(other_process.pid, "Ada")]
        assert [one.pid for one in had] == [other_process.pid]
    assert list(folder.iterdir()) == []
    with hold_run(RUN, holder) as wrote, hold_bench(bench, holder) as had:
        assert (wrote, had) == ((), ())


def test_two_benches_that_share_one_instrument_however_it_is_spelt_exclude_each_other(bench: Bench) -> None:
    """One analyzer between two racks."""
    one = bench.model_copy(update={"instrument": type(bench.instrument)(supply=bench.instrument.supply)})
    entry = bench.instrument.supply
    assert entry is not None
    spelt = entry.model_copy(update={"resource": entry.resource.replace("TCPIP0::127.0.0.1", "TCPIP::localhost")})
    other = bench.model_copy(update={"instrument": type(bench.instrument)(supply=spelt)})
    tones = bench.model_copy(update={"instrument": type(bench.instrument)(tone_1=bench.instrument.tone_1)})

    with hold_bench(one, Holder.here("run", RUN)):
        with (
            pytest.raises(BenchInUse, match=r"has supply at TCPIP::127\.0\.0\.1::5105::SOCKET"),
            hold_bench(other, Holder.here("run", RUN)),
        ):
            pass
        with hold_bench(tones, Holder.here("run", RUN)) as had:
            assert had == ()


def test_a_refused_bench_leaves_no_lock_behind(bench: Bench, folder: Path) -> None:
    """Some of its instruments were free, and taken, before one was found held."""
    supply = bench.model_copy(update={"instrument": type(bench.instrument)(supply=bench.instrument.supply)})
    with hold_bench(supply, Holder.here("run", RUN)):
        with pytest.raises(BenchInUse), hold_bench(bench, Holder.here("run", RUN)):
            pass
        assert len(list(folder.iterdir())) == 1
    with hold_bench(bench, Holder.here("run", RUN)) as had:
        assert had == ()


def test_a_guard_that_is_making_the_bench_safe_is_waited_for(bench: Bench) -> None:
    """A run that is resumed at once after a kill meets it."""
    held, let_go = threading.Event(), threading.Event()

    def guard() -> None:
        with hold_bench(bench, Holder.here("guard", RUN)):
            held.set()
            let_go.wait(10)

    thread = threading.Thread(target=guard)
    thread.start()
    held.wait(10)
    timer = threading.Timer(0.15, let_go.set)
    timer.start()
    with hold_bench(bench, Holder.here("run", RUN)) as had:
        assert let_go.is_set()
        assert had == ()
    thread.join()
    timer.join()


def test_a_rig_in_this_process_needs_no_lock(folder: Path) -> None:
    """Each run has a rig of its own."""
    bench = read_bench(demo_file("nimbus.bench.toml")).model
    with hold_bench(bench, Holder.here("run", RUN)), hold_bench(bench, Holder.here("run", RUN)):
        assert not folder.exists()


def test_a_half_written_lock_of_a_dead_process_is_taken_over(folder: Path) -> None:
    """It died between taking the lock and saying its name."""
    with hold_run(RUN, Holder.here("run", RUN)):
        (file,) = folder.iterdir()
    file.write_text('{"of": "run', encoding="utf-8")
    with hold_run(RUN, Holder.here("run", RUN)) as wrote:
        assert [one.purpose for one in wrote] == ["program that has not said its name"]


def test_a_planted_link_is_not_followed(folder: Path, tmp_path: Path) -> None:
    """The folder is everybody's: a link in it could make a run empty a file of its own account."""
    with hold_run(RUN, Holder.here("run", RUN)):
        (file,) = folder.iterdir()
    precious = tmp_path / "precious.txt"
    precious.write_text("readings", encoding="utf-8")
    file.symlink_to(precious)
    with pytest.raises(BenchError, match="cannot be used"), hold_run(RUN, Holder.here("run", RUN)):
        pass
    assert precious.read_text("utf-8") == "readings"


@pytest.mark.skipif(os.name == "nt", reason="Windows has no such modes")
def test_the_folder_and_its_files_are_for_every_account(folder: Path) -> None:
    """Otherwise a second account's run would fail for a lock that is free."""
    with hold_run(RUN, Holder.here("run", RUN)):
        (file,) = folder.iterdir()
        assert folder.stat().st_mode & 0o7777 == 0o1777
        assert file.stat().st_mode & 0o777 == 0o666


def test_a_look_tells_who_writes_a_run_or_died_doing_so_and_changes_nothing(
    other_process: subprocess.Popen[str], folder: Path
) -> None:
    """A list of runs looks; who takes the pen over afterwards still hears who had it."""
    held = pen_of(RUN)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    other_process.kill()
    other_process.communicate()
    left = pen_of(RUN)

    assert held is not None
    assert held.is_held
    assert held.holder.pid == other_process.pid
    assert left is not None
    assert not left.is_held
    assert left.holder == held.holder
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    with hold_run(RUN, Holder.here("run", RUN)) as died:
        assert died == (held.holder,)


def test_a_look_at_a_run_that_ended_by_itself_finds_nobody_and_makes_no_folder(folder: Path) -> None:
    assert pen_of(RUN) is None
    assert not folder.exists()
    with hold_run(RUN, Holder.here("run", RUN)):
        pass
    assert pen_of(RUN) is None


def test_whoever_only_looks_does_not_refuse_the_one_who_takes() -> None:
    """A look holds the lock for an instant."""
    over = threading.Event()

    def look() -> None:
        while not over.wait(0.001):
            pen_of(RUN)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        for _ in range(50):
            with hold_run(RUN, Holder.here("run", RUN)):
                pass
    finally:
        over.set()
        thread.join()
