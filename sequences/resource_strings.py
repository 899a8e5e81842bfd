"""VISA resource strings: what they may look like, and which of them mean the same instrument.

A small reader of our own, so that a slip is named together with the right form before anything is opened, and needs no
VISA library. It knows the lines that instruments of a bench have: raw socket, VXI-11, HiSLIP, USBTMC, GPIB and serial
(forms as PyVISA 1.16 reads them; ``host,port`` of VXI-11 is pyvisa-py's own). Names of a VISA library's own list of
aliases are refused: a bench file that needs such a list does not work on another machine.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from sequences.modbus_address import FORM, BadAddress, parse_modbus

Kind = Literal["socket", "VXI-11", "HiSLIP", "USBTMC", "GPIB", "serial", "Modbus"]

FORMS: dict[Kind, str] = {
    "socket": "TCPIP[board]::host::port::SOCKET",
    "VXI-11": "TCPIP[board]::host[::inst0][::INSTR]",
    "HiSLIP": "TCPIP[board]::host::hislip0[,port][::INSTR]",
    "USBTMC": "USB[board]::0xVENDOR::0xPRODUCT::serial number[::interface][::INSTR]",
    "GPIB": "GPIB[board]::primary address[::secondary address][::INSTR]",
    "serial": "ASRLport[::INSTR]",
    "Modbus": FORM,
}

HISLIP_PORT = 4880
"""Registered at IANA for HiSLIP (IVI-6.1, from memory)."""

_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?\Z")


class BadResource(ValueError):
    """A text that is no resource string; says what is wrong and what the form is."""


@dataclass(frozen=True, slots=True)
class ResourceString:
    """A resource string that has been read.

    Attributes:
        kind: Kind of line.
        canonical: The same text for every spelling of the same instrument; for comparing, not for opening.
    """

    kind: Kind
    canonical: str


def parse_resource(text: str) -> ResourceString:
    """Read a VISA resource string.

    Raises:
        BadResource: It is none, or not of a line that instruments of a bench have.
    """
    if text.lower().startswith("modbus"):
        return _modbus(text)
    head, *parts = text.split("::")
    if head.startswith("ASRL"):
        return _serial(head[4:], parts)
    for interface, read in (("TCPIP", _network), ("USB", _usb), ("GPIB", _gpib)):
        if head.startswith(interface):
            return read(head[len(interface) :], parts)
    if head.upper().startswith(("ASRL", "TCPIP", "USB", "GPIB")):
        raise BadResource(f"{head!r} must be in capitals: {head.upper()}")
    raise BadResource(f"no kind of line begins so; the forms are {'; '.join(FORMS.values())}")


def loopback_port(text: str) -> tuple[str, int] | None:
    """Host and port of a raw socket of this machine; None for any other resource. Raises BadResource."""
    resource = parse_resource(text)
    if resource.kind != "socket":
        return None
    _, host, port, _ = resource.canonical.split("::")
    return (host, int(port)) if re.fullmatch(r"127(\.\d{1,3}){3}", host) else None


def _modbus(text: str) -> ResourceString:
    try:
        return ResourceString("Modbus", parse_modbus(text).canonical)
    except (BadAddress, ValueError) as error:  # ValueError: brackets that hold no address
        raise _bad("Modbus", str(error)) from None


def _serial(port: str, parts: list[str]) -> ResourceString:
    if _without_class(parts, "serial"):
        raise _bad("serial", f"{parts[0]!r} is too much")
    if not port or port != port.strip():
        raise _bad("serial", "the port is missing, such as 3, COM3 or /dev/ttyUSB0")
    name = port.upper() if port.upper().startswith("COM") else port
    return ResourceString("serial", f"ASRL{name.removeprefix('COM')}")


def _network(board: str, parts: list[str]) -> ResourceString:
    _number(board or "0", "VXI-11", "board", 0, 255)
    if parts[-1:] == ["SOCKET"]:
        return _socket(parts[:-1])
    if parts[-1:] and parts[-1].upper() == "SOCKET":
        raise _bad("socket", f"{parts[-1]!r} must be in capitals")
    rest = _without_class(parts, "VXI-11")
    if not rest:
        raise _bad("VXI-11", "the host is missing")
    name = rest[1] if len(rest) > 1 else "inst0"
    if len(rest) > 2:
        raise _bad("VXI-11", f"{rest[2]!r} is too much")
    if name.isdecimal():
        raise _bad("socket", f"a port is given, {name}, so SOCKET must end it")
    if name.lower().startswith("hislip"):
        sub_address, _, port = name.lower().partition(",")
        number = _number(port or str(HISLIP_PORT), "HiSLIP", "port", 1, 65535)
        return ResourceString("HiSLIP", f"TCPIP::{_host(rest[0], 'HiSLIP')}::{sub_address},{number}")
    if not name:
        raise _bad("VXI-11", "the device name is empty")
    host, comma, port = rest[0].partition(",")
    at = f",{_number(port, 'VXI-11', 'port', 1, 65535)}" if comma else ""
    return ResourceString("VXI-11", f"TCPIP::{_host(host, 'VXI-11')}{at}::{name.lower()}")


def _socket(parts: list[str]) -> ResourceString:
    if len(parts) != 2:
        raise _bad("socket", "host and port are needed" if len(parts) < 2 else f"{parts[2]!r} is too much")
    host = _host(parts[0], "socket")
    return ResourceString("socket", f"TCPIP::{host}::{_number(parts[1], 'socket', 'port', 1, 65535)}::SOCKET")


def _usb(board: str, parts: list[str]) -> ResourceString:
    _number(board or "0", "USBTMC", "board", 0, 255)
    if parts[-1:] == ["RAW"]:
        raise _bad("USBTMC", "a raw USB line carries no messages")
    rest = _without_class(parts, "USBTMC")
    if len(rest) not in (3, 4) or not rest[2]:
        raise _bad("USBTMC", "vendor, product and serial number are needed, and an interface at most")
    vendor, product = (_number(part, "USBTMC", "vendor or product", 0, 0xFFFF) for part in rest[:2])
    interface = _number(rest[3], "USBTMC", "interface", 0, 255) if len(rest) == 4 else 0
    return ResourceString("USBTMC", f"USB::{vendor:#06x}::{product:#06x}::{rest[2]}::{interface}")


def _gpib(board: str, parts: list[str]) -> ResourceString:
    at = _number(board or "0", "GPIB", "board", 0, 255)
    rest = _without_class(parts, "GPIB")
    if len(rest) not in (1, 2):
        raise _bad("GPIB", "a primary address is needed, and a secondary one at most")
    # 31 is the address of nobody: untalk and unlisten (IEEE 488.1, from memory).
    addresses = "::".join(str(_number(part, "GPIB", "address", 0, 30)) for part in rest)
    return ResourceString("GPIB", f"GPIB{at}::{addresses}")


def _without_class(parts: list[str], kind: Kind) -> list[str]:
    if parts and parts[-1] != "INSTR" and parts[-1].upper() == "INSTR":
        raise _bad(kind, f"{parts[-1]!r} must be in capitals")
    return parts[:-1] if parts[-1:] == ["INSTR"] else parts


def _host(text: str, kind: Kind) -> str:
    if not _HOST.match(text):
        raise _bad(kind, f"{text!r} is no host" if text else "the host is missing")
    return "127.0.0.1" if text.lower() == "localhost" else text.lower()


def _number(text: str, kind: Kind, what: str, lowest: int, highest: int) -> int:
    hexadecimal = kind == "USBTMC" and text.lower().startswith("0x")
    try:
        number = int(text, 16 if hexadecimal else 10) if text.isascii() and text.isalnum() else -1
    except ValueError:
        number = -1
    if not lowest <= number <= highest:
        raise _bad(kind, f"{what} {text!r} is no number from {lowest} to {highest}")
    return number


def _bad(kind: Kind, problem: str) -> BadResource:
    return BadResource(f"{problem}; the form of a {kind} resource is {FORMS[kind]}")
