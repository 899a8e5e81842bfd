"""Gain codes through strobes and shift registers: the sequencer does not know which way, the unit gets its code."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from bench.code_lines import with_latches
from bench.plan import make_plan
from coverage_of_benches.nights import Point, run_night
from drivers.latched_words import LatchedPort
from drivers.roles import Identity, QueueEntry
from edited_demo import edited_demo

if TYPE_CHECKING:
    from drivers.simulated.rig import Rig
    from sequences.conditions import Condition

LINES = "channels = { A = 1, B = 2 }\nmode = 3\n"

#: One bus for both channels and the mode pins, a strobe for each.
STROBED = "".join(
    f"[[instrument.code_port.strobed]]\nword = {word}\ndata_port = 4\nbits = 6\nstrobe_port = 5\n"
    f'strobe_bit = {word}\nactive = "{active}"\n'
    for word, active in ((1, "high"), (2, "low"), (3, "high"))
)

#: Data and clock shared by both channels, a chip select for each; the mode pins sit still on a port of their own.
SHIFTED = "".join(
    f"[[instrument.code_port.shifted]]\nword = {word}\nport = 6\nbits = 6\ndata_bit = 0\nclock_bit = 1\n"
    f'latch_bit = {word + 1}\nclock = "falling"\nlatch = "low while shifting"\n'
    for word in (1, 2)
)

SMALL = {
    "gain_code = { from = 0, to = 30, step = 5 }": "gain_code = [0, 15, 30]",
    "temperature_c = [-40, 25, 85]": "temperature_c = 25",
    'supply_mode = "nominal"\nload_ohm = 200': 'supply_mode = "all"\nload_ohm = 200',
}


def what_the_unit_has(rig: Rig, condition: Condition) -> Point:
    return {"code": float(rig.code(condition.channel)), "mode": float(rig.mode_word)}


@pytest.mark.parametrize("tables", ["", STROBED, SHIFTED], ids=["parallel", "strobed", "shifted"])
def test_a_night_sets_every_code_and_mode_whichever_way_they_go(tables: str) -> None:
    """Through drivers, front end and the unit's own registers."""
    setup = edited_demo({**SMALL, LINES: LINES + tables})
    night = run_night(setup, "VG2-0007", what_the_unit_has)

    wanted = make_plan(setup).conditions
    modes = setup.part.model.modes
    assert len(wanted) == 12
    assert [point["code"] for point in night.truth] == [condition.gain_code for condition in wanted]
    assert [point["mode"] for point in night.truth] == [modes[one.supply_mode].mode_word for one in wanted]


class OwnPort:
    """A driver of a user's own."""

    def identify(self) -> Identity:
        return Identity("OWN", "PORT", "1", "1")

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        return ()

    def make_safe(self) -> None:
        raise AssertionError("not asked for")

    def write_word(self, port: int, word: int) -> None:
        raise AssertionError("not asked for")

    def read_word(self, port: int) -> int:
        return 0


def test_a_port_without_latches_stays_as_it_is() -> None:
    """A driver, also a user's own, is wrapped only where the bench file says how."""
    port = OwnPort()
    plain = edited_demo({}).bench.model.instrument.code_port
    latched = edited_demo({LINES: LINES + SHIFTED}).bench.model.instrument.code_port
    assert plain is not None
    assert latched is not None

    assert with_latches(port, plain) is port
    assert isinstance(with_latches(port, latched), LatchedPort)
    assert with_latches(port, latched) is not port
