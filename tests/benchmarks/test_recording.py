"""Budgets of a recording: at most 5 % of a run's time, and less than 30 MB for a night of 10,000 conditions.

The time is measured where it is largest: with the rig in the run's process, where an exchange takes 45 µs in all. There
it is above the budget, 6 to 10 %, which is 3 µs an exchange; over a line an exchange takes 80 µs more, at the least.
"""

from __future__ import annotations

import gc
import platform
import statistics
import sys
import time
from itertools import chain
from pathlib import Path

import pytest

from bench.job import StopSwitch
from bench.night import Night, start_run
from bench.recording import Level
from bench.store.recording_chunks import pack, unpack
from bench.store.store import Store, open_store
from edited_demo import edited_demo

pytestmark = pytest.mark.benchmark

#: 248 conditions at one temperature: as many to a soak as in the overnight demo, whose soaks exchange a tenth of all.
CODES = {
    "gain_code = { from = 0, to = 30, step = 5 }": 'gain_code = "all"',
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = [100, 200]',
}
REFERENCE = "reference_temperature_c = 25"

ROUNDS = 7
#: In process; see above.
MOST_OF_NONE = 1.15
MOST_MB = 30.0
CONDITIONS = 10_000


def night_of(store: Store, level: Level) -> Night:
    setup = edited_demo({**CODES, REFERENCE: f'{REFERENCE}\nrecording = "{level}"'})
    return start_run(setup, "VG2-0007", "", store, lambda event: None, StopSwitch(), lambda run, plan: None)


def test_a_recording_costs_little_time_and_room(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same night with its whole recording and with none, in turns, by the processor's time; the median ratio.

    Processor time leaves out what both wait for: the disk at each commit.
    """
    ratios: list[float] = []
    with open_store(str(tmp_path / "night.db")) as store:
        night_of(store, "none")
        for turn in range(ROUNDS):
            spent_s: dict[Level, float] = {}
            levels: tuple[Level, Level] = ("whole", "none")
            for level in levels if turn % 2 else levels[::-1]:
                gc.collect()  # or what one has left is swept up in the other's time
                began_s = time.process_time()
                night = night_of(store, level)
                spent_s[level] = time.process_time() - began_s
            ratios.append(spent_s["whole"] / spent_s["none"])
        whole = next(line.id for line in store.runs() if store.recording_size(line.id).exchanges)
        size = store.recording_size(whole)
        chunks = [chunk.exchanges for chunk in store.exchange_chunks(whole)]
    began_s = time.process_time()
    packed = [pack(chunk) for chunk in chunks]
    packed_s = time.process_time()
    assert list(chain.from_iterable(map(unpack, packed))) == list(chain.from_iterable(chunks))
    unpacked_s = time.process_time()
    megabytes = size.bytes / 1e6 * CONDITIONS / night.conditions
    ratio, each = statistics.median(ratios), 1e6 / size.exchanges
    with capsys.disabled():
        sys.stdout.write(
            f"\nrecording: {ratio:.3f} of the time without ({min(ratios):.3f} to {max(ratios):.3f}), "
            f"{size.exchanges / night.conditions:.0f} exchanges and waits a condition, {megabytes:.1f} MB for "
            f"{CONDITIONS:,} conditions; packing {(packed_s - began_s) * each:.2f} µs each, unpacking "
            f"{(unpacked_s - packed_s) * each:.2f} µs [{platform.machine()}, Python {platform.python_version()}]\n"
        )

    assert ratio <= MOST_OF_NONE
    assert megabytes < MOST_MB
