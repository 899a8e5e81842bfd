"""Where an instrument is that speaks Modbus: a form of our own, as VISA has none for it.

``modbus-tcp://host:port/unit`` and ``modbus-rtu:///dev/ttyUSB0?baud=9600&parity=none&stop_bits=1&unit=1``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal, cast
from urllib.parse import parse_qsl, urlsplit

FORM: Final = "modbus-tcp://host[:port][/unit] or modbus-rtu:///port?baud=9600&parity=none&stop_bits=1&unit=1"

TCP_PORT: Final = 502
"""Registered for Modbus (Modbus Messaging on TCP/IP Implementation Guide V1.0b, from memory, not seen)."""

HIGHEST_UNIT: Final = 247
"""Addresses of units on a serial line (Modbus over Serial Line V1.02, 2.2, from memory, not seen)."""

Parity = Literal["none", "even", "odd"]

_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]*[A-Za-z0-9])?\Z")
_DEFAULTS: Final = {"baud": "9600", "parity": "none", "stop_bits": "1", "unit": "1"}


class BadAddress(ValueError):
    """A text that is no Modbus address; says what is wrong."""


@dataclass(frozen=True, slots=True)
class ModbusTcp:
    """A unit behind a TCP port."""

    host: str
    port: int
    unit: int

    @property
    def canonical(self) -> str:
        """The same text for every spelling."""
        return f"modbus-tcp://{self.host}:{self.port}/{self.unit}"


@dataclass(frozen=True, slots=True)
class ModbusRtu:
    """A unit on a serial line."""

    port: str
    baud: int
    parity: Parity
    stop_bits: int
    unit: int

    @property
    def canonical(self) -> str:
        """The same text for every spelling; the line's settings do not tell instruments apart."""
        return f"modbus-rtu://{self.port}?unit={self.unit}"


def parse_modbus(text: str) -> ModbusTcp | ModbusRtu:
    """Read an address. Raises BadAddress."""
    parts = urlsplit(text)
    if parts.fragment:
        raise BadAddress(f"#{parts.fragment} is too much")
    if parts.scheme == "modbus-tcp":
        host, _, port = parts.netloc.partition(":")
        if not _HOST.match(host) or parts.query:
            raise BadAddress(f"{host!r} is no host" if not parts.query else f"?{parts.query} is too much")
        host = "127.0.0.1" if host.lower() == "localhost" else host.lower()
        unit = parts.path.strip("/") or "1"
        # Behind TCP a unit of 0 or 255 is the device itself.
        return ModbusTcp(host, _number("port", port or str(TCP_PORT), 1, 65535), _number("unit", unit, 0, 255))
    if parts.scheme == "modbus-rtu":
        return _rtu(parts.netloc or parts.path, parts.query)
    raise BadAddress(f"{parts.scheme or text!r} is neither modbus-tcp nor modbus-rtu")


def _rtu(port: str, query: str) -> ModbusRtu:
    given = dict(parse_qsl(query, keep_blank_values=True))
    unknown = sorted(set(given) - set(_DEFAULTS))
    if unknown:
        raise BadAddress(f"{unknown[0]!r} is unknown, allowed are {', '.join(_DEFAULTS)}")
    if not port.strip("/"):
        raise BadAddress("the serial port is missing")
    settings = _DEFAULTS | given
    if settings["parity"] not in ("none", "even", "odd"):
        raise BadAddress(f"parity {settings['parity']!r} is none of none, even, odd")
    return ModbusRtu(
        port,
        _number("baud", settings["baud"], 50, 4_000_000),
        cast(Parity, settings["parity"]),
        _number("stop_bits", settings["stop_bits"], 1, 2),
        _number("unit", settings["unit"], 1, HIGHEST_UNIT),
    )


def _number(what: str, text: str, lowest: int, highest: int) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10 and lowest <= int(text) <= highest):
        raise BadAddress(f"{what} {text!r} is no number from {lowest} to {highest}")
    return int(text)
