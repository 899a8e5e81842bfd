"""Budget: an exchange through the message layer against a bare PyVISA query of the same message."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.messages import Exchange, Messages
from drivers.visa import open_resource, resource_manager
from sequences.read_files import read_bench
from served_rig import served_rig

RESOURCE = "TCPIP0::device.example::5025::SOCKET"
QUERY = ":MEAS:SCAL:TEMP?"
MOST_TIMES_BARE = 1.25
ROUNDS, EXCHANGES = 60, 200

#: What an analyzer is told and asked at each line: commands, and questions with one number or several.
COMMANDS = (":SENS:FREQ:CENT 6.1E+07", ":INP:ATT 1E+01", ":SENS:SWE:POIN 25")
QUERIES = (":SENS:FREQ:CENT?", ":INP:ATT?", ":SENS:SWE:TIME?", ":STAT:QUES:COND?", ":SENS:BAND:RES?")
TIMES = 25


class Thermometer:
    """Answers every message with one number, as cheaply as pyvisa-sim allows."""

    resource_name: str | None = None

    def __init__(self) -> None:
        self.output: Iterator[tuple[bytes, bool]] = iter(())

    def write(self, data: bytes) -> None:
        reply = b"+2.31000E+01\n"
        self.output = iter([(reply[at : at + 1], at == len(reply) - 1) for at in range(len(reply))])

    def read(self) -> tuple[bytes, bool]:
        return next(self.output, (b"", False))


class PerformanceClock:
    """The processor's own time."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def elapsed_s(self) -> float:
        return time.perf_counter()

    def sleep(self, duration_s: float) -> None:
        raise AssertionError("nothing sleeps here")


def microseconds_each(ask: Callable[[], object], times: int = EXCHANGES) -> float:
    begun_ns = time.perf_counter_ns()
    for _ in range(times):
        ask()
    return (time.perf_counter_ns() - begun_ns) / times / 1000


@pytest.mark.benchmark
def test_an_exchange_costs_at_most_a_quarter_more_than_a_bare_query(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Paired rounds, medians; the bare query has its terminations set and decodes, and parses nothing.

    Ours notes each exchange with its times and reads the number besides.
    """
    empty = tmp_path / "empty.yaml"
    empty.write_text('spec: "1.0"\ndevices: {}\nresources: {}\n')
    manager = resource_manager(f"{empty}@sim")
    manager.visalib.devices.add_device(RESOURCE, Thermometer())  # type: ignore[attr-defined]  # pyvisa-sim's own
    bare = manager.open_resource(RESOURCE, read_termination="\n", write_termination="\n")
    noted: list[Exchange] = []
    messages = Messages(open_resource(manager, RESOURCE, 1.0), "thermometer", PerformanceClock(), noted.append)
    bare_us, ours_us = [], []
    for _ in range(ROUNDS):
        bare_us.append(microseconds_each(lambda: bare.query(QUERY)))  # type: ignore[attr-defined]  # a message-based one
        ours_us.append(microseconds_each(lambda: messages.ask_number(QUERY)))
    manager.close()
    bare_each_us, ours_each_us = statistics.median(bare_us), statistics.median(ours_us)
    ratio = ours_each_us / bare_each_us
    with capsys.disabled():
        print(f"\nbare query {bare_each_us:.2f} µs, message layer {ours_each_us:.2f} µs, ratio {ratio:.2f}")  # noqa: T201 - a benchmark's result

    assert len(noted) == ROUNDS * EXCHANGES
    assert ratio <= MOST_TIMES_BARE


@pytest.mark.benchmark
def test_the_message_layer_costs_at_most_a_quarter_over_a_bare_loop_on_a_served_rig(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The same messages over TCP to the same rig, in paired rounds of one run: an analyzer's settings and questions."""
    manager = resource_manager("@py")
    noted: list[Exchange] = []
    with served_rig(in_process=False) as rig:
        resource = read_bench(rig.bench_file).model.instrument.present["analyzer"].resource
        bare = manager.open_resource(resource, read_termination="\n", write_termination="\n")
        link = open_resource(manager, resource, 5.0)
        messages = Messages(link, "analyzer", PerformanceClock(), noted.append)

        def plainly() -> None:
            for command in COMMANDS:
                bare.write(command)  # type: ignore[attr-defined]  # a message-based one
            for query in QUERIES:
                bare.query(query)  # type: ignore[attr-defined]  # a message-based one

        def through_the_layer() -> None:
            for command in COMMANDS:
                messages.tell(command)
            for query in QUERIES:
                messages.ask_number(query)

        bare_us, ours_us = [], []
        for _ in range(ROUNDS):
            bare_us.append(microseconds_each(plainly, TIMES))
            ours_us.append(microseconds_each(through_the_layer, TIMES))
        link.close()
        bare.close()
        manager.close()
    per_round = len(COMMANDS) + len(QUERIES)
    bare_each_us, ours_each_us = statistics.median(bare_us) / per_round, statistics.median(ours_us) / per_round
    ratio = statistics.median(ours / plain for ours, plain in zip(ours_us, bare_us, strict=True))
    with capsys.disabled():
        print(  # noqa: T201 - a benchmark's result
            f"\nserved rig: bare loop {bare_each_us:.1f} µs a message, message layer {ours_each_us:.1f} µs, "
            f"ratio {ratio:.2f}"
        )

    assert len(noted) == ROUNDS * TIMES * per_round
    assert ratio <= MOST_TIMES_BARE
