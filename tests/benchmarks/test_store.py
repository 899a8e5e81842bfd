"""Budgets of the store: a condition committed in 1 ms without the disk's own wait, a long run read in half a second."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

import pytest
from pytest_benchmark.fixture import BenchmarkFixture
from sqlalchemy import event

from bench.store.records import RunRecord
from bench.store.run_writer import RunWriter
from bench.store.store import Store, open_store
from drivers.messages import Exchange
from reports.frames import READINGS
from sequences.conditions import Condition
from sequences.read_files import demo_file, read_setup

pytestmark = pytest.mark.benchmark

AT = datetime(2026, 11, 2, 20, 15, tzinfo=UTC)
CONDITIONS = 10_000


def readings_of(chance: random.Random) -> dict[str, float]:
    """34 readings: both sources, seven lines with four figures each, and four of supply and temperature."""
    return {name: chance.uniform(-100, 100) for name in READINGS}


def exchanges_of(chance: random.Random) -> list[Exchange]:
    """35 exchanges, of which seven carry a binary trace of 101 points with four bytes each."""
    return [
        Exchange(
            number,
            "analyzer",
            chance.uniform(0, 1e5),
            b":TRAC:DATA? TRACE1" if number % 5 == 0 else b":SENS:FREQ:CENT 60500000;*OPC?",
            b"#3404" + chance.randbytes(404) if number % 5 == 0 else b"1",
            chance.uniform(0, 0.02),
            None,
        )
        for number in range(35)
    ]


@pytest.fixture
def store(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Store]:
    """A store on disk; with the parameter "no wait" SQLite does not wait for the disk."""
    with open_store(str(tmp_path / "night.db")) as opened:
        if getattr(request, "param", "") == "no wait":
            event.listen(opened._engine, "connect", lambda link, _record: link.execute("PRAGMA synchronous = OFF"))
            opened.close()  # the next connection is set up anew
        yield opened


def begin(store: Store, conditions: int) -> RunWriter:
    """A run of the demo's files with as many conditions."""
    setup = read_setup(demo_file("quick.sequence.toml"))
    writer = store.begin_run(RunRecord.of(setup, unit="VG2-0013", operator="Ada", began=AT, tool_version="0.1.0"))
    writer.conditions([Condition("A", 0, 25.0, "nominal", 200.0, 3.0, 60e6 + turn) for turn in range(conditions)])
    return writer


@pytest.mark.parametrize("store", ["no wait", "full"], indirect=True)
def test_committing_a_condition(store: Store, request: pytest.FixtureRequest) -> None:
    """Median of 2000 conditions with 34 readings and 35 exchanges; budget 1.0 ms when the disk is not waited for."""
    chance = random.Random(1)
    writer = begin(store, 2000)
    took_s = []
    for number in range(2000):
        readings, exchanges = readings_of(chance), exchanges_of(chance)
        before = time.perf_counter()
        writer.complete_condition(number, AT, readings, exchanges)
        took_s.append(time.perf_counter() - before)

    print(f"\n{request.node.callspec.id}: median {median(took_s) * 1e3:.3f} ms, slowest {max(took_s) * 1e3:.1f} ms")  # noqa: T201  # the figure is what this is run for
    if request.node.callspec.id == "no wait":
        assert median(took_s) < 1.0e-3


def test_reading_a_long_run(store: Store, benchmark: BenchmarkFixture) -> None:
    """10,000 conditions with 34 readings each become frames; budget 0.5 s."""
    chance = random.Random(2)
    writer = begin(store, CONDITIONS)
    for number in range(CONDITIONS):
        writer.complete_condition(number, AT, readings_of(chance))

    frames = benchmark(store.frames, writer.run)
    assert len(frames.readings) == CONDITIONS * len(READINGS)
    if benchmark.stats is not None:
        assert benchmark.stats.stats.median < 0.5


def test_listing_runs(store: Store, benchmark: BenchmarkFixture) -> None:
    """Twenty runs of 5000 conditions; the whole command has 0.4 s, of which most is loading Python."""
    for _ in range(20):
        begin(store, 5000)

    lines = benchmark(store.runs)
    assert sum(line.total for line in lines) == 100_000
    if benchmark.stats is not None:
        assert benchmark.stats.stats.median < 0.1
