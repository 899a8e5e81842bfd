"""What every digital port does, with every word behind a strobed latch or a shift register of the rig's unit."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from bench.assemble import open_bench
from bench.contract import test_every_role
from bench.contract.station import Station, Values
from bench.contract.test_digital_port import *  # noqa: F403 - pytest collects the suite's tests here, on the station below
from drivers.latched_words import LatchedPort
from edited_demo import edited_demo

test_it_says_who_it_is = test_every_role.test_an_instrument_says_who_it_is
test_making_it_sends_nothing = test_every_role.test_making_a_driver_sends_nothing
test_draining_ends = test_every_role.test_draining_ends_and_leaves_nothing
test_make_safe_twice = test_every_role.test_make_safe_may_be_called_twice_reads_nothing_and_raises_no_error

LINES = "channels = { A = 1, B = 2 }\nmode = 3\n"
WAYS = {
    "strobed": "".join(
        f"[[instrument.code_port.strobed]]\nword = {word}\ndata_port = 4\nstrobe_port = 5\nstrobe_bit = {word}\n"
        for word in (1, 2, 3)
    ),
    "shifted": "".join(
        f"[[instrument.code_port.shifted]]\nword = {word}\nport = 6\nbits = 6\ndata_bit = 0\nclock_bit = 1\n"
        f'latch_bit = {word + 1}\nfirst = "LSB"\nlatch = "pulse low"\n'
        for word in (1, 2, 3)
    ),
}


@pytest.fixture
def place() -> str:
    return "code_port"


@pytest.fixture
def driver(station: Station, place: str) -> LatchedPort:
    made = station.driver(place)
    assert isinstance(made, LatchedPort)
    return made


@pytest.fixture(params=list(WAYS))
def station(request: pytest.FixtureRequest) -> Iterator[Station]:
    setup = edited_demo({LINES: LINES + WAYS[request.param]})
    with open_bench(setup.bench, setup.part.model, "VG2-0007") as opened:
        yield Station(
            opened.clock,
            lambda place, note: opened.seats[place].messages(note),
            lambda place, messages: opened.seats[place].driver_on(messages()),
            Values(ports={1: 17, 2: 30, 3: 1}),
            may_switch_on=True,
        )
