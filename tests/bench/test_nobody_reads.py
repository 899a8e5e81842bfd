"""Whoever reads what a command says may go away: the answer ends quietly, and a night goes on."""

from __future__ import annotations

import errno
import io
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from typer import Exit, Typer

from bench.cli.failures import LINE_WIDTH, run_guarded
from bench.cli.output import console, print_json, side_console
from bench.cli.progress import stop_on_signals
from bench.errors import UnsafeBench
from bench.exit_codes import ExitCode
from bench.run_log import one_line
from bench.store.store import open_store
from sequences.read_files import demo_file

ROOT = Path(__file__).parents[2]


class Deserted(io.StringIO):
    """A stream whose reader has gone, which shows when it is flushed, or when something is written."""

    def __init__(self, *, at_once: bool) -> None:
        super().__init__()
        self._at_once = at_once
        self._file = os.open(os.devnull, os.O_WRONLY)
        self.left = False

    def write(self, text: str) -> int:
        if self._at_once:
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")
        return super().write(text)

    def flush(self) -> None:
        if self.getvalue():
            raise BrokenPipeError(errno.EPIPE, "Broken pipe")

    def fileno(self) -> int:
        return self._file

    def close(self) -> None:
        os.close(self._file)
        super().close()


@pytest.fixture(params=[True, False], ids=["at once", "when flushed"])
def deserted(request: pytest.FixtureRequest) -> Iterator[Deserted]:
    stream = Deserted(at_once=request.param)
    yield stream
    stream.close()


def answering(answer: object) -> Typer:
    """A command line of one command."""
    made = Typer()
    made.command()(answer)  # type: ignore[type-var]  # any callable without arguments is a command
    return made


@pytest.mark.parametrize("say", [lambda: console().print("a table"), lambda: print_json({"runs": []})])
def test_an_answer_that_nobody_reads_ends_without_a_word(deserted: Deserted, say: object) -> None:
    """Like a program that SIGPIPE has ended, 128 + 13: in no case like a run with a limit that is not met."""
    said = io.StringIO()
    with redirect_stdout(deserted), redirect_stderr(said):
        code = run_guarded(answering(say), [])

    assert code == ExitCode.NOBODY_READS
    assert said.getvalue() == ""


def test_a_decision_counts_whoever_reads_it() -> None:
    """The code of a run whose unit fails is its decision's, where its answer came through."""

    def fails() -> None:
        print_json({"decision": "fail"})
        raise Exit(1)

    out = io.StringIO()
    with redirect_stdout(out):
        assert run_guarded(answering(fails), []) == ExitCode.LIMIT_NOT_MET


def test_progress_that_nobody_reads_is_no_reason_to_stop() -> None:
    """``nightbench run … 2>&1 | head``: what is said on the side goes nowhere, and nothing is raised."""
    stream = Deserted(at_once=True)
    with redirect_stderr(stream):
        side = side_console()
        side.print("soak to 85 °C")
        side.print("soaked")
    stream.close()

    assert side.quiet


@pytest.mark.slow
@pytest.mark.waits
def test_a_night_whose_terminal_goes_away_is_measured_to_its_end(tmp_path: Path) -> None:
    """Both streams into one pipe, of which one line is read: every condition is in the store."""
    words = ["run", str(demo_file("quick.sequence.toml")), "--unit", "VG2-0007", "--store", "night.db"]
    process = subprocess.Popen(
        [sys.executable, "-c", "from bench.cli import main; main()", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()

    assert process.wait(timeout=60) == ExitCode.NOBODY_READS
    with open_store(str(tmp_path / "night.db"), must_exist=True) as store:
        (line,) = store.runs()
    assert (line.state, line.done) == ("done", line.total)


def test_a_run_that_shall_outlive_its_terminal_does() -> None:
    """``nohup`` ignores SIGHUP; a run that took it for a wish to stop would end with the session."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stop_on_signals() as stop:
            signal.raise_signal(signal.SIGHUP)
            assert not stop.asked
            signal.raise_signal(signal.SIGTERM)
            assert stop.asked
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def test_steps_that_could_not_be_confirmed_stand_on_lines_of_their_own() -> None:
    """Readable at 80 columns; a command that is to be pasted is never broken."""
    resource = "TCPIP0::127.0.0.1::5101::SOCKET"
    steps = [
        f"RF of tone_{number} off: tone_{number} ({resource}), message ':OUTP:STAT 0': refused" for number in (1, 2)
    ]
    paste = f"go on with: nightbench resume 857fed14 --store {'long/' * 20}night.db"

    def unsafe() -> None:
        error = UnsafeBench(tuple(steps), "run")
        error.add_note(paste)
        raise error

    said = io.StringIO()
    with redirect_stderr(said):
        assert run_guarded(answering(unsafe), []) == ExitCode.TRIPPED
    *lines, last = said.getvalue().splitlines()

    assert last == f"nightbench: {paste}"
    assert max(map(len, lines)) <= LINE_WIDTH
    assert [line for line in lines if line.startswith("  RF of tone_")] == [
        f"  RF of tone_{number} off: tone_{number} ({resource}), message" for number in (1, 2)
    ]


def test_a_list_becomes_one_line_where_one_line_is_wanted() -> None:
    """In the log, and in what people are told."""
    assert one_line("UNSAFE.\nGo there.\nNot confirmed:\n  bias off: none\n  RF off; none;\n") == (
        "UNSAFE. Go there. Not confirmed: bias off: none; RF off; none;"
    )


def test_a_bench_where_nobody_answers_is_told_a_line_for_each_instrument(tmp_path: Path) -> None:
    """The served bench of the demo, which nobody serves."""
    said = io.StringIO()
    words = ["run", str(demo_file("quick.sequence.toml")), "--bench", str(demo_file("sockets.bench.toml"))]
    with redirect_stderr(said), redirect_stdout(io.StringIO()):
        code = run_guarded_app([*words, "--unit", "VG2-0007", "--store", str(tmp_path / "night.db")])
    _, _, listed = said.getvalue().partition("nothing on; not confirmed:\n")
    lines = listed.partition("nightbench: ")[0].splitlines()

    assert code == ExitCode.INSTRUMENT
    assert max(map(len, lines)) <= LINE_WIDTH
    steps = [line for line in lines if not line.startswith("    ")]
    assert [step.partition(":")[0].strip() for step in steps] == [
        "RF of tone_1 off", "RF of tone_2 off", "noise source off", "bias off", "chamber to idle",
        "analyzer to its highest attenuation",
    ]  # fmt: skip


def run_guarded_app(words: list[str]) -> int:
    """A command of the real command line."""
    from bench.cli import app

    return run_guarded(app, words)
