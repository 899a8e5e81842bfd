"""Resource strings and what a bench file says about lines: forms, spellings, and faults as a person reads them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa import rname

from sequences.errors import FileFaults
from sequences.read_files import demo_file, parse_bench
from sequences.resource_strings import FORMS, BadResource, Kind, parse_resource

SPELLINGS: list[tuple[Kind, list[str]]] = [
    ("socket", ["TCPIP0::10.0.0.5::5025::SOCKET", "TCPIP::10.0.0.5::5025::SOCKET", "TCPIP1::10.0.0.5::05025::SOCKET"]),
    ("socket", ["TCPIP::localhost::5025::SOCKET", "TCPIP0::127.0.0.1::5025::SOCKET"]),
    ("socket", ["TCPIP::Bench-3.Example::5025::SOCKET", "TCPIP0::bench-3.example::5025::SOCKET"]),
    (
        "VXI-11",
        ["TCPIP0::10.0.0.5::inst0::INSTR", "TCPIP::10.0.0.5", "TCPIP::10.0.0.5::INSTR", "TCPIP::10.0.0.5::INST0"],
    ),
    ("VXI-11", ["TCPIP0::10.0.0.5,1024::inst0::INSTR"]),
    ("VXI-11", ["TCPIP0::gateway::gpib0,5::INSTR"]),
    ("HiSLIP", ["TCPIP0::10.0.0.5::hislip0::INSTR", "TCPIP::10.0.0.5::hislip0,4880", "TCPIP::10.0.0.5::HISLIP0"]),
    ("HiSLIP", ["TCPIP0::10.0.0.5::hislip0,4881::INSTR"]),
    ("USBTMC", ["USB0::0xFFFE::0x00C1::SN1::0::INSTR", "USB::0xfffe::0xc1::SN1", "USB::65534::193::SN1::INSTR"]),
    ("GPIB", ["GPIB0::5::INSTR", "GPIB::5", "GPIB::05::INSTR", "GPIB::5::INSTR"]),
    ("GPIB", ["GPIB1::5::INSTR"]),
    ("GPIB", ["GPIB0::5::3::INSTR", "GPIB::5::3"]),
    ("serial", ["ASRL3::INSTR", "ASRLCOM3::INSTR", "ASRLcom3", "ASRL3"]),
    ("serial", ["ASRL/dev/ttyUSB0::INSTR", "ASRL/dev/ttyUSB0"]),
]


@pytest.mark.parametrize(("kind", "spellings"), SPELLINGS, ids=[spellings[0] for _, spellings in SPELLINGS])
def test_every_spelling_of_a_resource_means_the_same_instrument(kind: Kind, spellings: list[str]) -> None:
    """Boards of a network are ways out of this machine and no part of the instrument; those of GPIB are buses."""
    read = [parse_resource(spelling) for spelling in spellings]

    assert {one.kind for one in read} == {kind}
    assert len({one.canonical for one in read}) == 1


def test_different_instruments_are_told_apart() -> None:
    """Port, device name, bus, secondary address, interface and port of a serial line count."""
    read = [parse_resource(spellings[0]).canonical for _, spellings in SPELLINGS]

    assert len(set(read)) == len(SPELLINGS)


@pytest.mark.parametrize("spelling", [spelling for _, spellings in SPELLINGS for spelling in spellings])
def test_what_passes_here_pyvisa_reads_too(spelling: str) -> None:
    """Its parser is written by others."""
    assert rname.parse_resource_name(spelling)


BAD: list[tuple[str, str, Kind | None]] = [
    ("", "no kind of line begins so", None),
    ("10.0.0.5", "no kind of line begins so", None),
    ("supply", "no kind of line begins so", None),
    ("VXI0::3::INSTR", "no kind of line begins so", None),
    ("tcpip0::10.0.0.5::5025::SOCKET", "must be in capitals: TCPIP0", None),
    ("TCPIP0::10.0.0.5::5025::socket", "'socket' must be in capitals", "socket"),
    ("TCPIP0::10.0.0.5::instr", "'instr' must be in capitals", "VXI-11"),
    ("TCPIP0::10.0.0.5::SOCKET", "host and port are needed", "socket"),
    ("TCPIP0::10.0.0.5::5025", "SOCKET must end it", "socket"),
    ("TCPIP0::10.0.0.5::5025::INSTR", "SOCKET must end it", "socket"),
    ("TCPIP0::10.0.0.5::70000::SOCKET", "port '70000' is no number from 1 to 65535", "socket"),
    ("TCPIP0::10.0.0.5::scpi::SOCKET", "port 'scpi' is no number", "socket"),
    ("TCPIP0::10.0.0.5::5025::7::SOCKET", "'7' is too much", "socket"),
    ("TCPIP0:10.0.0.5:5025:SOCKET", "board '0:10.0.0.5:5025:SOCKET' is no number", "VXI-11"),
    ("TCPIP0", "the host is missing", "VXI-11"),
    ("TCPIP0::::5025::SOCKET", "the host is missing", "socket"),
    ("TCPIP0::10.0.0 5::5025::SOCKET", "'10.0.0 5' is no host", "socket"),
    ("TCPIP0::10.0.0.5::hislip0,x::INSTR", "port 'x' is no number", "HiSLIP"),
    ("USB0::0xFFFE::0x00C1::INSTR", "vendor, product and serial number are needed", "USBTMC"),
    ("USB0::0xFFFE::00C1Z::SN1::INSTR", "'00C1Z' is no number", "USBTMC"),
    ("USB0::0xFFFE::0x00C1::SN1::RAW", "carries no messages", "USBTMC"),
    ("GPIB0::31::INSTR", "address '31' is no number from 0 to 30", "GPIB"),
    ("GPIB0::INSTR", "a primary address is needed", "GPIB"),
    ("GPIBx::5::INSTR", "board 'x' is no number", "GPIB"),
    ("ASRL::INSTR", "the port is missing", "serial"),
    ("ASRL3::5::INSTR", "'5' is too much", "serial"),
]


@pytest.mark.parametrize(("text", "problem", "kind"), BAD, ids=[text or "empty" for text, _, _ in BAD])
def test_a_slip_is_named_with_the_right_form(text: str, problem: str, kind: Kind | None) -> None:
    """The form is that of the kind of line that was meant."""
    with pytest.raises(BadResource) as caught:
        parse_resource(text)

    assert problem in str(caught.value)
    assert kind is None or FORMS[kind] in str(caught.value)


@given(st.lists(st.sampled_from(["TCPIP", "USB0", "GPIB", "ASRL", "", "0x1", "5", "é²", "h,1", "INSTR", "SOCKET"])))
def test_any_text_is_read_or_refused(parts: list[str]) -> None:
    """Nothing but BadResource comes out, and what is read has one of the known kinds."""
    try:
        read = parse_resource("::".join(parts))
    except BadResource:
        return
    assert read.kind in FORMS


SUPPLY = 'resource = "TCPIP0::supply.nimbus.example::5025::SOCKET"'


def _bench(line: str) -> str:
    text = demo_file("nimbus.bench.toml").read_text("utf-8")
    assert SUPPLY in text
    return text.replace(SUPPLY, line)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        (
            'resource = "TCPIP0::supply::SOCKET"',
            "b.toml, [instrument.supply] resource: host and port are needed; the form of a socket resource is "
            'TCPIP[board]::host::port::SOCKET, found "TCPIP0::supply::SOCKET"',
        ),
        (
            SUPPLY + "\nserial_line = { baud = 19200 }",
            "b.toml, [instrument.supply]: serial_line goes only with a serial port, ASRL…, and resource is "
            "TCPIP0::supply.nimbus.example::5025::SOCKET",
        ),
        (
            'resource = "ASRL3::INSTR"\nserial_line = { parity = "evn" }',
            'b.toml, [instrument.supply.serial_line] parity: found "evn", allowed "none", "odd", "even".  '
            'Did you mean "even"?',
        ),
        (
            'resource = "ASRL3::INSTR"\nserial_line = { data_bits = 9 }',
            "b.toml, [instrument.supply.serial_line] data_bits: found 9, allowed 8 or less",
        ),
        (
            SUPPLY + '\nterminator = "NL"',
            'b.toml, [instrument.supply] terminator: found "NL", allowed "LF", "CR LF", "CR"',
        ),
        (
            SUPPLY + "\nopen_timeout_s = 0",
            "b.toml, [instrument.supply] open_timeout_s: found 0, allowed 0.001 or more",
        ),
        (
            'resource = "TCPIP::Analyzer.nimbus.example::5025::SOCKET"',
            "b.toml, [instrument]: analyzer and supply are the same instrument, "
            "TCPIP::Analyzer.nimbus.example::5025::SOCKET: one place each",
        ),
    ],
)
def test_a_fault_of_a_line_is_quoted(line: str, message: str) -> None:
    """File, table, key, what was found and what is allowed."""
    with pytest.raises(FileFaults) as caught:
        parse_bench(_bench(line), "b.toml")

    assert [str(fault).rstrip() for fault in caught.value.faults] == [message]


def test_a_line_is_a_line_feed_both_ways_unless_the_file_says_otherwise() -> None:
    """And a serial one may be set in one table, whatever order its keys have."""
    plain = parse_bench(_bench(SUPPLY), "b.toml").model.instrument.supply
    set_line = parse_bench(
        _bench(
            'resource = "ASRL3::INSTR"\nterminator = "CR LF"\nreply_terminator = "CR"\nopen_timeout_s = 2\n'
            'serial_line = { stop_bits = 2, baud = 19200, flow_control = "RTS/CTS" }'
        ),
        "b.toml",
    ).model.instrument.supply

    assert plain is not None
    assert (plain.terminator, plain.reply_terminator, plain.open_timeout_s, plain.serial_line) == (
        "LF",
        None,
        None,
        None,
    )
    assert set_line is not None
    assert set_line.serial_line is not None
    assert (set_line.terminator, set_line.reply_terminator, set_line.open_timeout_s) == ("CR LF", "CR", 2.0)
    assert set_line.serial_line.model_dump() == {
        "baud": 19200,
        "data_bits": 8,
        "parity": "none",
        "stop_bits": 2,
        "flow_control": "RTS/CTS",
    }
