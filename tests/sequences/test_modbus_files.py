"""Modbus in the bench file: addresses of a form of our own, and the register table beside it."""

from __future__ import annotations

from pathlib import Path

import pytest

from modbus_table import TEXT
from sequences.errors import FileFaults
from sequences.modbus_address import BadAddress, ModbusRtu, ModbusTcp, parse_modbus
from sequences.read_files import demo_file, parse_bench, parse_registers, read_bench, register_table
from sequences.resource_strings import BadResource, parse_resource

SCPI = 'resource = "TCPIP0::chamber.nimbus.example::5025::SOCKET"\nserial = "NS-500"\n'
MODBUS = 'driver = "modbus"\nresource = "modbus-tcp://chamber.example/3"\nregisters = "chamber.registers.toml"\n'


def bench_text(chamber: str = MODBUS) -> str:
    text = demo_file("nimbus.bench.toml").read_text("utf-8")
    assert text.count(SCPI) == 1
    return text.replace(SCPI, chamber)


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("modbus-tcp://192.0.2.7", ModbusTcp("192.0.2.7", 502, 1)),
        ("modbus-tcp://chamber.example:1502/17", ModbusTcp("chamber.example", 1502, 17)),
        ("modbus-tcp://localhost/0", ModbusTcp("127.0.0.1", 502, 0)),
        ("modbus-rtu:///dev/ttyUSB0", ModbusRtu("/dev/ttyUSB0", 9600, "none", 1, 1)),
        (
            "modbus-rtu:///dev/ttyUSB0?baud=19200&parity=even&stop_bits=2&unit=12",
            ModbusRtu("/dev/ttyUSB0", 19200, "even", 2, 12),
        ),
        ("modbus-rtu://COM3?unit=2", ModbusRtu("COM3", 9600, "none", 1, 2)),
    ],
)
def test_addresses_are_read(text: str, address: ModbusTcp | ModbusRtu) -> None:
    """Port 502 and unit 1 where nothing else is said."""
    assert parse_modbus(text) == address
    assert parse_resource(text).kind == "Modbus"


@pytest.mark.parametrize(
    "text",
    [
        "modbus://chamber.example",
        "modbus-tcp://",
        "modbus-tcp://a b",
        "modbus-tcp://chamber.example:0",
        "modbus-tcp://chamber.example/256",
        "modbus-tcp://chamber.example?unit=3",
        "modbus-tcp://chamber.example#3",
        "modbus-tcp://[::1",
        "modbus-rtu://",
        "modbus-rtu:///dev/ttyUSB0?baud=fast",
        "modbus-rtu:///dev/ttyUSB0?parity=mark",
        "modbus-rtu:///dev/ttyUSB0?stopbits=1",
        "modbus-rtu:///dev/ttyUSB0?unit=0",
    ],
)
def test_a_slip_in_an_address_is_named_with_the_right_form(text: str) -> None:
    """Before anything is opened."""
    with pytest.raises(BadResource, match=r"the form of a Modbus resource is modbus-tcp://host"):
        parse_resource(text)


def test_bad_address_is_an_error_of_its_own() -> None:
    """For who reads an address without a bench file."""
    with pytest.raises(BadAddress, match="port 'x' is no number from 1 to 65535"):
        parse_modbus("modbus-tcp://chamber.example:x")


def test_a_bench_comes_with_its_register_table(tmp_path: Path) -> None:
    """Kept as text with the run, so that a report needs nothing but the store."""
    (tmp_path / "my.bench.toml").write_text(bench_text())
    (tmp_path / "chamber.registers.toml").write_text(TEXT)
    bench = read_bench(tmp_path / "my.bench.toml")
    table = register_table(bench)

    assert bench.attachments["chamber.registers.toml"] == TEXT
    assert table is not None
    assert table.model.registers.set_point.address == 300
    assert [alarm.bit for alarm in table.model.alarm] == [None, 3]


def test_a_register_table_that_is_not_there_is_named(tmp_path: Path) -> None:
    """On disk, and among what a store has kept."""
    (tmp_path / "my.bench.toml").write_text(bench_text())
    with pytest.raises(FileFaults, match=r"chamber\.registers\.toml"):
        read_bench(tmp_path / "my.bench.toml")
    with pytest.raises(FileFaults, match="did not come with the bench file"):
        register_table(parse_bench(bench_text()))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('driver = "modbus"\n', "", 'goes only with a chamber and driver = "modbus"'),
        ("modbus-tcp://chamber.example/3", "TCPIP::chamber.example::5025::SOCKET", "goes with a resource modbus-tcp"),
        ('registers = "chamber.registers.toml"\n', "", "needs registers"),
        (MODBUS, MODBUS + 'serial = "NS-500"\n', "serial cannot be checked over Modbus"),
        (MODBUS, MODBUS + 'deviations = "x.toml"\n', "deviations are of SCPI messages"),
        (MODBUS, SCPI + 'registers = "chamber.registers.toml"\n', "no other takes it"),
    ],
)
def test_what_does_not_go_together_is_refused(old: str, new: str, said: str) -> None:
    """Driver, resource and table belong to each other."""
    with pytest.raises(FileFaults) as found:
        parse_bench(bench_text().replace(old, new))

    assert said in str(found.value)


def test_another_place_cannot_speak_modbus() -> None:
    """Only the chamber has a register table."""
    text = bench_text(SCPI).replace("TCPIP0::supply.nimbus.example::5025::SOCKET", "modbus-tcp://supply.example")
    with pytest.raises(FileFaults, match="goes only with a chamber"):
        parse_bench(text)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("address = 100", "address = 40101", ""),  # the wire has 65,536 of them
        ("address = 100", "address = 65536", "65535 or less"),
        ("address = 100", "adress = 100", "Did you mean address?"),
        ('kind = "input", scale', 'kind = "analog", scale', '"holding", "input"'),
        ("address = 300,", 'address = 300, kind = "input",', "set_point is written"),
        ("scale = 0.1 }\nset_point", "scale = 0 }\nset_point", "above 0"),
        ("run = { address = 5 }", "run = { address = 5, on = 2 }", "are 1 and 0 for a coil"),
        ("run = { address = 5 }", 'run = { address = 5, kind = "holding", on = 1, off = 1 }', "must differ"),
        ("bit = 3\n", "", "bit is for a register"),
        ("address = 10\n", "address = 10\nbit = 2\n", "bit is for a register"),
        ('"high first"', '"big"', "high first"),
        ("set_point = { address = 300, scale = 0.1 }\n", "", "set_point"),
    ],
)
def test_a_slip_in_a_register_table_is_named(old: str, new: str, said: str) -> None:
    """A wrong register is a wrong temperature."""
    assert TEXT.count(old) == 1
    if not said:
        assert parse_registers(TEXT.replace(old, new)).model.registers.air.address == 40101
        return
    with pytest.raises(FileFaults) as found:
        parse_registers(TEXT.replace(old, new), "chamber.registers.toml")

    assert "chamber.registers.toml" in str(found.value)
    assert said in str(found.value)


def test_another_kind_of_file_is_told_at_once() -> None:
    """One sentence instead of a fault for each of its tables."""
    with pytest.raises(FileFaults, match="a register table"):
        parse_registers(demo_file("virga-2.part.toml").read_text("utf-8"))
    with pytest.raises(FileFaults, match="a bench file"):
        parse_bench(TEXT)
