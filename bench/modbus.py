"""A chamber that speaks Modbus, from the bench file and its register table; on a simulated bench the rig's own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from drivers.errors import NotThere
from drivers.messages import Exchange
from drivers.modbus_chamber import Alarm, ChamberRegisters, ModbusChamber, RunSwitch
from drivers.modbus_registers import NumberRegister
from drivers.timing import Clock
from sequences.chamber_entry import ChamberEntry
from sequences.modbus_address import ModbusTcp, parse_modbus
from sequences.register_file import RegisterFile, ValueRegister

if TYPE_CHECKING:
    from drivers.modbus_line import ModbusLine, SerialPort, TcpPort
    from drivers.simulated.front_end import FrontEnd


def registers_of(table: RegisterFile) -> ChamberRegisters:
    """What a register table means for the driver."""
    registers, high_first = table.registers, table.modbus.word_order == "high first"

    def number(entry: ValueRegister) -> NumberRegister:
        return NumberRegister(entry.address, entry.kind, entry.type, entry.scale, high_first)

    def maybe(entry: ValueRegister | None) -> NumberRegister | None:
        return None if entry is None else number(entry)

    run = registers.run
    return ChamberRegisters(
        air=number(registers.air),
        set_point=number(registers.set_point),
        run=RunSwitch(run.address, run.kind == "coil", run.on, run.off),
        ramp=maybe(registers.ramp),
        low_limit=maybe(registers.low_limit),
        high_limit=maybe(registers.high_limit),
        alarms=tuple(Alarm(one.text, one.address, one.kind, one.bit or 0) for one in table.alarm),
    )


def open_chamber(
    entry: ChamberEntry,
    table: RegisterFile,
    clock: Clock,
    note: Callable[[Exchange], None],
    served_at: int | None = None,
) -> tuple[ModbusChamber, ModbusLine]:
    """The driver and its line; sends nothing. ``served_at`` is the loopback port of a simulated one.

    Raises NotThere where pymodbus is not installed.
    """
    try:
        from drivers.modbus_line import ModbusLine
    except ImportError as error:
        problem = f"Modbus needs a package that is not installed ({error}): install 'nightbench[modbus]'"
        raise NotThere(problem, instrument="chamber", resource=entry.resource) from error
    line = ModbusLine(_address(entry, served_at), "chamber", entry.resource, entry.timeout_s, clock, note)
    return ModbusChamber(line, registers_of(table)), line


def _address(entry: ChamberEntry, served_at: int | None) -> TcpPort | SerialPort:
    from drivers.modbus_line import SerialPort, TcpPort

    address = parse_modbus(entry.resource)
    if served_at is not None:
        return TcpPort("127.0.0.1", served_at, address.unit)
    if isinstance(address, ModbusTcp):
        return TcpPort(address.host, address.port, address.unit)
    return SerialPort(address.port, address.baud, address.parity[0].upper(), address.stop_bits, address.unit)


@contextmanager
def served(entry: ChamberEntry | None, ends: Mapping[str, FrontEnd]) -> Iterator[int | None]:
    """The loopback port at which a simulated chamber answers Modbus meanwhile; None where it does not speak it."""
    if entry is None or entry.registers is None:
        yield None
        return
    from drivers.simulated.modbus_face import ModbusFace
    from drivers.simulated.modbus_server import ModbusServer

    face = ModbusFace(ends["chamber"], parse_modbus(entry.resource).unit)
    with ModbusServer(face.tcp) as server:
        yield server.port
