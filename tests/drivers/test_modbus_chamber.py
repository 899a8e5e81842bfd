"""The Modbus chamber over a real socket on loopback: what goes over the wire, and every way in which it goes wrong."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from bench.clocks import SimulatedClock
from bench.simulated_bench import rig_setup
from drivers.errors import InstrumentError, LinkLost, NotThere, NotUnderstood, Refused, TimedOut
from drivers.messages import Exchange
from drivers.modbus_chamber import Alarm, ChamberRegisters, ModbusChamber, RunSwitch
from drivers.modbus_line import ModbusLine, TcpPort
from drivers.modbus_registers import NumberRegister
from drivers.simulated import modbus_face
from drivers.simulated.front_ends import front_ends
from drivers.simulated.modbus_face import ModbusFace
from drivers.simulated.modbus_server import Answer, ModbusServer
from drivers.simulated.rig import Rig
from edited_demo import edited_demo

TABLE = ChamberRegisters(
    air=NumberRegister(modbus_face.AIR, "input", "int16", 0.1),
    set_point=NumberRegister(modbus_face.SET_POINT, "holding", "int16", 0.1),
    run=RunSwitch(modbus_face.RUN, is_coil=True),
    ramp=NumberRegister(modbus_face.RAMP, "holding", "uint16", 0.1),
    low_limit=NumberRegister(modbus_face.LOW_LIMIT, "holding", "float32", 1.0),
    high_limit=NumberRegister(modbus_face.HIGH_LIMIT, "holding", "float32", 1.0),
    alarms=(
        Alarm("its limit has stopped it", modbus_face.LIMIT_ALARM, "discrete"),
        Alarm("its status says so too", modbus_face.STATUS, "holding", modbus_face.ALARM_BIT),
    ),
)
CLOCK = SimulatedClock(datetime(2026, 11, 2, tzinfo=UTC))

#: Where no reply will come it is not waited for long; where one comes it has time enough on a busy machine.
SHORT_S, AMPLE_S = 0.3, 20.0


class Desk:
    """Chambers on servers of their own, and the exchanges with them."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self.exchanges: list[Exchange] = []
        setup = edited_demo({})
        self.rig = Rig(rig_setup(setup.part.model, setup.bench, "VG2-0007"), CLOCK)
        self.face = ModbusFace(front_ends(self.rig)["chamber"])

    def serve(self, answer: Answer | None = None) -> int:
        return self._stack.enter_context(ModbusServer(answer or self.face.tcp)).port

    def line(self, port: int, timeout_s: float = AMPLE_S) -> ModbusLine:
        line = ModbusLine(
            TcpPort("127.0.0.1", port, 1), "chamber", "modbus-tcp://here", timeout_s, CLOCK, self.exchanges.append
        )
        self._stack.callback(line.close)
        return line

    def chamber(
        self, answer: Answer | None = None, table: ChamberRegisters = TABLE, timeout_s: float = AMPLE_S
    ) -> ModbusChamber:
        return ModbusChamber(self.line(self.serve(answer), timeout_s), table)

    @property
    def sent(self) -> list[str]:
        """Requests without the header of TCP."""
        return [exchange.sent[7:].hex(" ") for exchange in self.exchanges]


@pytest.fixture
def desk() -> Iterator[Desk]:
    with ExitStack() as stack:
        yield Desk(stack)


def registers(**words: int) -> Answer:
    """A unit whose every register or bit holds one word, by function: ``f3``, ``f4`` …, that echoes what is written."""

    def answer(received: bytearray) -> bytes:
        frame, function = bytes(received), received[7]
        received.clear()
        if function in (5, 6):
            return frame
        count = int.from_bytes(frame[10:12], "big")
        body = bytes((function, 2 * count)) + words[f"f{function}"].to_bytes(2, "big") * count
        return frame[:4] + (len(body) + 1).to_bytes(2, "big") + frame[6:7] + body

    return answer


def test_the_set_point_goes_over_the_wire_as_the_specification_has_it(desk: Desk) -> None:
    """Read, write −400 to address 300 by function 6, read back (V1.1b3, 6.3 and 6.6, from memory, not seen)."""
    desk.chamber().set_target_c(-40.0)

    assert desk.sent == ["03 01 2c 00 01", "06 01 2c fe 70", "03 01 2c 00 01"]
    assert desk.exchanges[1].sent.hex(" ") == "00 02 00 00 00 06 01 06 01 2c fe 70"
    assert desk.exchanges[1].received == desk.exchanges[1].sent
    assert [exchange.number for exchange in desk.exchanges] == [1, 2, 3]


def test_a_value_of_two_registers_is_written_by_function_16(desk: Desk) -> None:
    """Both words in one request: between two there would be a limit that nobody has asked for."""
    desk.chamber().prepare(3.0, -45.0, 90.0, 25.0)

    assert "10 01 40 00 02 04 c2 34 00 00" in desk.sent
    assert desk.face.writes == [(6, 310), (16, 320), (16, 322)]


def test_nothing_is_written_that_stands_there_already(desk: Desk) -> None:
    """Set points may lie in a memory that wears out (common practice, no source)."""
    chamber = desk.chamber()
    for _ in range(3):
        chamber.prepare(3.0, -45.0, 90.0, 25.0)
        chamber.set_target_c(-40.0)
        chamber.switch_conditioning(on=True)

    assert desk.face.writes == [(6, 310), (16, 320), (16, 322), (6, 300), (5, 5)]


def test_watching_writes_nothing(desk: Desk) -> None:
    """What is asked in every loop of a night only reads."""
    chamber = desk.chamber()
    for _ in range(5):
        chamber.read_air_c()
        chamber.alarms()
        chamber.target_c()
        chamber.conditioning_is_on()
        chamber.identify()

    assert desk.face.writes == []


def test_make_safe_is_one_message_and_awaits_no_reply(desk: Desk) -> None:
    """Idle, 25.0 °C, over a new connection: one that a gateway has dropped takes a message and loses it."""
    chamber = desk.chamber()
    chamber.prepare(3.0, -45.0, 90.0, 25.0)
    chamber.set_target_c(-40.0)
    chamber.switch_conditioning(on=True)
    desk.exchanges.clear()
    chamber.make_safe()

    assert desk.sent == ["06 01 2c 00 fa"]
    assert desk.exchanges[0].received is None
    assert chamber.target_c() == 25.0
    assert chamber.conditioning_is_on()


def test_before_prepare_make_safe_stops_it(desk: Desk) -> None:
    """Nobody has said what idle is."""
    chamber = desk.chamber()
    chamber.switch_conditioning(on=True)
    desk.exchanges.clear()
    chamber.make_safe()

    assert desk.sent == ["05 00 05 00 00"]
    assert not chamber.conditioning_is_on()


def test_a_register_can_take_the_place_of_the_coil(desk: Desk) -> None:
    """Some controllers run while a register holds one word, and stop at another."""
    table = replace(TABLE, run=RunSwitch(40, is_coil=False, on=3, off=1))
    chamber = desk.chamber(registers(f3=3), table)
    assert chamber.conditioning_is_on()
    with pytest.raises(Refused, match="on still"):
        chamber.switch_conditioning(on=False)
    chamber.make_safe()

    assert [one for one in desk.sent if one.startswith("06")] == ["06 00 28 00 01"] * 2


def test_a_run_register_with_a_third_word_is_not_understood(desk: Desk) -> None:
    """Neither on nor off: it is another register, or the chamber does something else."""
    table = replace(TABLE, run=RunSwitch(40, is_coil=False, on=3, off=1))
    with pytest.raises(NotUnderstood, match="register 40 holds 7"):
        desk.chamber(registers(f3=7), table).conditioning_is_on()


def test_alarm_bits_are_told_in_the_tables_words(desk: Desk) -> None:
    """Discrete input and bit 3 of the status register; here the air is above the limit that it has been given."""
    chamber = desk.chamber()
    assert chamber.alarms() == ()
    chamber.set_target_c(20.0)
    chamber.switch_conditioning(on=True)
    chamber.prepare(3.0, -45.0, 20.0, 20.0)
    chamber.read_air_c()

    assert chamber.alarms() == ("its limit has stopped it", "its status says so too")


def test_an_exception_is_refused_with_its_number_and_meaning(desk: Desk) -> None:
    """Exception 3 for a set point beyond the chamber, 2 for a register that it has not (V1.1b3, 7)."""
    with pytest.raises(Refused, match="illegal data value, at write register 300") as refused:
        desk.chamber().set_target_c(200.0)
    assert refused.value.number == 3
    with pytest.raises(Refused, match="illegal data address") as refused:
        desk.chamber(table=replace(TABLE, air=replace(TABLE.air, address=101))).read_air_c()

    assert refused.value.number == 2
    assert refused.value.instrument == "chamber"


def test_a_set_point_that_is_not_held_is_refused(desk: Desk) -> None:
    """A unit that echoes and keeps what it had: the echo alone proves nothing."""
    with pytest.raises(Refused, match="set point: it holds 23 instead of -40"):
        desk.chamber(registers(f3=230)).set_target_c(-40.0)


def test_a_temperature_that_no_chamber_has_is_not_understood(desk: Desk) -> None:
    """An unsigned type in the table turns −40.0 °C into 6513.6 °C: caught before an interlock acts on it."""
    table = replace(TABLE, air=NumberRegister(100, "input", "uint16", 0.1))
    with pytest.raises(NotUnderstood, match=r"6513\.6 °C; check address, type"):
        desk.chamber(registers(f4=0xFE70), table).read_air_c()


def silence(received: bytearray) -> bytes:
    received.clear()
    return b""


def test_silence_is_a_time_out_after_one_more_try(desk: Desk) -> None:
    """A read changes nothing, so it is asked once more; both are in the recording."""
    with pytest.raises(TimedOut) as found:
        desk.chamber(silence, timeout_s=SHORT_S).read_air_c()

    assert found.value.resource == "modbus-tcp://here"
    assert desk.sent == ["04 00 64 00 01"] * 2
    assert all(exchange.received is None and str(exchange.error).startswith("TimedOut") for exchange in desk.exchanges)


def test_a_write_is_never_sent_twice(desk: Desk) -> None:
    """It may have arrived."""

    def reads_only(received: bytearray) -> bytes:
        return silence(received) if received[7] == 6 else registers(f3=230)(received)

    with pytest.raises(TimedOut):
        desk.chamber(reads_only, timeout_s=1.0).set_target_c(-40.0)

    assert [one for one in desk.sent if one.startswith("06")] == ["06 01 2c fe 70"]


def test_a_late_reply_does_not_answer_the_next_question(desk: Desk) -> None:
    """The connection is closed after a time-out, so what was asked before is never heard."""
    held: list[bytes] = []

    def late(received: bytearray) -> bytes:
        frame = bytes(received)
        received.clear()
        if len(held) < 2:
            held.append(frame)
            return b""
        return b"".join(desk.face.tcp(bytearray(one)) for one in (*held, frame))

    chamber = desk.chamber(late, timeout_s=1.0)
    with pytest.raises(TimedOut):
        chamber.target_c()
    held[:] = [held[0].replace(b"\x03\x01\x2c", b"\x03\x01\x36")] * 2

    assert chamber.target_c() == 23.0


@pytest.mark.parametrize("reply", [b"garbage garbage", b"\x00\x01\x00\x00\x00\x05\x01\x04\x02"])
def test_garbage_and_half_a_reply_are_named_failures(desk: Desk, reply: bytes) -> None:
    """And never a temperature."""

    def answer(received: bytearray) -> bytes:
        received.clear()
        return reply

    with pytest.raises((TimedOut, NotUnderstood)):
        desk.chamber(answer, timeout_s=SHORT_S).read_air_c()


def test_a_short_answer_is_not_understood(desk: Desk) -> None:
    """Two registers asked for, one came."""

    def one_word(received: bytearray) -> bytes:
        frame = bytes(received)
        received.clear()
        return frame[:4] + b"\x00\x05" + frame[6:8] + b"\x02\x00\x07"

    with pytest.raises(InstrumentError) as found:
        desk.line(desk.serve(one_word), SHORT_S).read_words("holding", 320, 2)

    assert isinstance(found.value, NotUnderstood | TimedOut)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        return int(taken.getsockname()[1])


def test_nobody_at_the_address_is_not_there(desk: Desk) -> None:
    """As for every other instrument; opening alone sends nothing."""
    with pytest.raises(NotThere, match="refused"):
        ModbusChamber(desk.line(free_port()), TABLE).identify()


@pytest.mark.parametrize("ask", [ModbusChamber.read_air_c, ModbusChamber.make_safe])
def test_a_unit_that_has_gone_is_a_lost_link(desk: Desk, ask: Callable[[ModbusChamber], object]) -> None:
    """It was there before. Making safe says so as well, at once: it does not wait for who is gone."""
    with ModbusServer(desk.face.tcp) as server:
        chamber = ModbusChamber(desk.line(server.port), TABLE)
        chamber.read_air_c()
    with pytest.raises(LinkLost):
        ask(chamber)


def test_after_a_lost_link_the_next_question_opens_it_again(desk: Desk) -> None:
    """A gateway that drops an idle connection costs one failure, named."""
    drop = [False, True, False]

    def dropping(received: bytearray) -> bytes:
        if drop.pop(0):
            raise OSError("hung up")
        return desk.face.tcp(received)

    chamber = desk.chamber(dropping)
    before = chamber.read_air_c()
    with pytest.raises(LinkLost):
        chamber.read_air_c()

    assert chamber.read_air_c() == pytest.approx(before, abs=0.11)
