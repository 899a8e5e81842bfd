"""What every chamber does, over Modbus: driver and line on a loopback socket, the rig's chamber behind it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import pytest

from bench.clocks import SimulatedClock
from bench.contract import test_every_role
from bench.contract.station import Station, Values
from bench.contract.test_chamber import *  # noqa: F403 - pytest collects the suite's tests here, on the station below
from bench.modbus import registers_of
from bench.simulated_bench import rig_setup
from drivers.errors import TimedOut
from drivers.messages import Exchange, Messages
from drivers.modbus_chamber import ModbusChamber
from drivers.modbus_line import ModbusLine, TcpPort
from drivers.simulated.front_ends import front_ends
from drivers.simulated.modbus_face import ModbusFace
from drivers.simulated.modbus_server import ModbusServer
from drivers.simulated.rig import Rig
from edited_demo import edited_demo
from modbus_table import TEXT
from sequences.read_files import parse_registers

test_it_says_who_it_is = test_every_role.test_an_instrument_says_who_it_is
test_making_it_sends_nothing = test_every_role.test_making_a_driver_sends_nothing
test_draining_ends = test_every_role.test_draining_ends_and_leaves_nothing
test_make_safe_twice = test_every_role.test_make_safe_may_be_called_twice_reads_nothing_and_raises_no_error

VALUES = Values(
    ramp_k_per_min=3.0,
    lowest_c=-45.0,
    highest_c=90.0,
    idle_c=25.0,
    target_c=23.0,
    away_c=-40.0,
    room_c=(15.0, 30.0),
    has_error_queue=False,
)


class NoMessages:
    """The line for messages that a station wants and Modbus has not."""

    resource = "none"

    def send(self, data: bytes) -> None:
        raise AssertionError(f"{data!r} is no Modbus")

    def receive(self, timeout_s: float | None = None) -> bytes:
        raise TimedOut("nothing comes over this line")

    def clear(self) -> None:
        raise AssertionError("nothing to clear")

    def close(self) -> None:
        raise AssertionError("nothing to close")


@pytest.fixture
def place() -> str:
    return "chamber"


@pytest.fixture
def driver(station: Station, place: str) -> ModbusChamber:
    made = station.driver(place)
    assert isinstance(made, ModbusChamber)
    return made


@pytest.fixture
def station() -> Iterator[Station]:
    clock = SimulatedClock(datetime(2026, 11, 2, tzinfo=UTC))
    setup = edited_demo({})
    rig = Rig(rig_setup(setup.part.model, setup.bench, "VG2-0007"), clock)
    registers = registers_of(parse_registers(TEXT).model)
    lines: list[ModbusLine] = []

    def messages_to(place: str, note: Callable[[Exchange], None]) -> Messages:
        lines.append(ModbusLine(TcpPort("127.0.0.1", server.port, 1), place, "modbus", 20.0, clock, note))
        return Messages(NoMessages(), place, clock)

    def driver_of(place: str, messages: Callable[[], Messages]) -> ModbusChamber:
        messages()  # opens the line that notes the exchanges
        return ModbusChamber(lines[-1], registers)

    with ModbusServer(ModbusFace(front_ends(rig)["chamber"]).tcp) as server:
        yield Station(clock, messages_to, driver_of, VALUES, may_switch_on=True)
        for line in lines:
            line.close()
