"""Exit codes: every error of the three trees has one, the most particular row wins, mistakes of ours have none."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bench.errors import (
    BenchError,
    BenchInUse,
    Changed,
    HazardsRefused,
    NoSuchRun,
    NotGoingOn,
    RunDone,
    RunInUse,
    Stopped,
    StoreFault,
    Tripped,
    UnsafeBench,
)
from bench.exit_codes import BY_ERROR, ExitCode, of_decision, of_error
from bench.sequencer import ImpossibleStep
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, OutOfTurn, Refused, TimedOut
from sequences.errors import FileFault, FileFaults, NotCovered, NotServed, SequenceError

PACKAGES = ("bench", "drivers", "sequences")

ERRORS: list[tuple[Exception, ExitCode]] = [
    (FileFaults([FileFault("no file", "x.toml")]), ExitCode.BAD_INPUT),
    (NotServed("output", "A", 200.0, 0), ExitCode.BAD_INPUT),
    (NotCovered("output", "A", 200.0, 1e9, 1e6, 5e8), ExitCode.BAD_INPUT),
    (NoSuchRun("none"), ExitCode.BAD_INPUT),
    (StoreFault("locked"), ExitCode.STORE),
    (HazardsRefused("limiter: not stated", ("limiter",)), ExitCode.BAD_INPUT),
    (BenchInUse("Nimbus", "supply", "GPIB0::7", "run 01234567"), ExitCode.INSTRUMENT),
    (RunInUse("0123456789", "run 01234567"), ExitCode.BAD_INPUT),
    (RunDone("0123456789"), ExitCode.BAD_INPUT),
    (Changed("0123456789", ("supply: was, is",)), ExitCode.BAD_INPUT),
    (NotGoingOn("run 01234567 does not go on at this computer"), ExitCode.BAD_INPUT),
    (Stopped("0123456789"), ExitCode.STOPPED),
    (Tripped("too hot"), ExitCode.TRIPPED),
    (UnsafeBench(("bias off: silent",)), ExitCode.TRIPPED),
    (NotThere("gone"), ExitCode.INSTRUMENT),
    (TimedOut("silent"), ExitCode.INSTRUMENT),
    (LinkLost("cut"), ExitCode.INSTRUMENT),
    (Refused(-222, "Data out of range"), ExitCode.INSTRUMENT),
    (NotUnderstood("garbage"), ExitCode.INSTRUMENT),
]


def leaves(kind: type[Exception]) -> Iterator[type[Exception]]:
    """Classes of the project under ``kind`` that have none below them."""
    below = [child for child in kind.__subclasses__() if child.__module__.partition(".")[0] in PACKAGES]
    if not below:
        yield kind
    for child in below:
        yield from leaves(child)


@pytest.mark.parametrize(("error", "code"), ERRORS, ids=lambda one: type(one).__name__)
def test_each_error_has_its_code(error: Exception, code: ExitCode) -> None:
    """0 done, 1 a limit is not met, 2 bad input, 3 tripped, 4 instrument, 5 store, 130 stopped."""
    assert of_error(error) is code


@pytest.mark.parametrize("tree", [BenchError, InstrumentError, SequenceError])
def test_no_error_of_a_tree_is_left_out(tree: type[Exception]) -> None:
    """A new class must be given a code here, on purpose."""
    assert set(leaves(tree)) <= {type(error) for error, _ in ERRORS}


def test_the_most_particular_row_wins() -> None:
    """No row stands below one of its own base classes, where it would never be reached."""
    for at, (kind, _) in enumerate(BY_ERROR):
        assert not any(issubclass(kind, earlier) for earlier, _ in BY_ERROR[:at]), kind


@pytest.mark.parametrize("mistake", [OutOfTurn("x"), ImpossibleStep("x"), ValueError("x"), KeyError("x")])
def test_a_mistake_of_ours_has_no_code(mistake: Exception) -> None:
    """It must be seen whole, with its traceback, and reported."""
    assert of_error(mistake) is None


@pytest.mark.parametrize(
    ("decision", "code"),
    [
        ("pass", ExitCode.DONE),
        ("conditional pass", ExitCode.DONE),
        ("not tested", ExitCode.DONE),
        ("conditional fail", ExitCode.LIMIT_NOT_MET),
        ("fail", ExitCode.LIMIT_NOT_MET),
    ],
)
def test_a_decision_becomes_zero_or_one(decision: str, code: ExitCode) -> None:
    """Conditional outcomes go with the side that they lie on."""
    assert of_decision(decision) is code


def test_the_numbers_are_those_that_scripts_rely_on() -> None:
    """130 is 128 + SIGINT, as shells report it."""
    assert {code.name: code.value for code in ExitCode} == {
        "DONE": 0,
        "OUR_MISTAKE": 70,
        "LIMIT_NOT_MET": 1,
        "BAD_INPUT": 2,
        "TRIPPED": 3,
        "INSTRUMENT": 4,
        "STORE": 5,
        "STOPPED": 130,
        "NOBODY_READS": 141,
    }


def test_an_unsafe_bench_says_what_to_do_and_what_could_not_be_confirmed() -> None:
    """The facts are in the text and on the error."""
    error = UnsafeBench(("bias off: no reply", "chamber to idle: no reply"), "run-1")

    assert "Go to the bench" in str(error)
    assert all(step in str(error) for step in error.unconfirmed)
    assert error.run == "run-1"


def test_a_stopped_run_says_that_it_is_safe_and_which_it_was() -> None:
    """Whoever shows it can say how to go on."""
    error = Stopped("0123456789abcdef")

    assert "stopped safely" in str(error)
    assert error.run == "0123456789abcdef"
