"""The simulated chamber as a Modbus unit: frames in, frames out; what they mean is left to its SCPI front end.

Written from memory of the Modbus Application Protocol Specification V1.1b3 and shares no code with the driver or with
the library under it, so that a misreading on one side cannot hide on the other. Addresses are those of the wire.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import Final

from drivers.simulated.front_end import FrontEnd

#: What the registers hold, in this unit.
AIR: Final = 100
SET_POINT: Final = 300
RAMP: Final = 310
LOW_LIMIT: Final = 320
HIGH_LIMIT: Final = 322
STATUS: Final = 330
RUN: Final = 5
LIMIT_ALARM: Final = 10

#: Bit of the status register that tells the same as the discrete input.
ALARM_BIT: Final = 3

_ILLEGAL_FUNCTION, _ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 1, 2, 3
_MOST_REGISTERS, _MOST_BITS = 125, 2000
_HEADER = struct.Struct(">HHHB")


class ModbusError(Exception):
    """The request is answered by an exception of this code."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class ModbusFace:
    """One unit.

    Args:
        front_end: The chamber.
        unit: Its address; other units do not answer.
        low_first: Whether the limits, which are floats, have their low word first.
    """

    def __init__(self, front_end: FrontEnd, unit: int = 1, *, low_first: bool = False) -> None:
        self._chamber = front_end
        self._unit = unit
        self._low_first = low_first
        self.writes: list[tuple[int, int]] = []
        """Function code and address of every write that was taken: memory that wears out would count them."""

    def tcp(self, received: bytearray) -> bytes:
        """Take whole frames out of what has come over TCP and return the replies to them."""
        replies = b""
        while len(received) >= _HEADER.size:
            transaction, protocol, length, unit = _HEADER.unpack_from(received)
            if len(received) < 6 + length:
                break
            pdu = bytes(received[_HEADER.size : 6 + length])
            del received[: 6 + length]
            if protocol == 0 and unit == self._unit:
                answer = self.answer(pdu)
                replies += _HEADER.pack(transaction, 0, len(answer) + 1, unit) + answer
        return replies

    def rtu(self, frame: bytes) -> bytes:
        """Reply to one frame of a serial line; nothing for another unit or a wrong checksum."""
        if len(frame) < 4 or crc16(frame[:-2]) != frame[-2:] or frame[0] != self._unit:
            return b""
        answer = frame[:1] + self.answer(frame[1:-2])
        return answer + crc16(answer)

    def answer(self, pdu: bytes) -> bytes:
        """Reply to one request, function code first; an exception has its highest bit set."""
        function = pdu[0]
        try:
            return bytes((function,)) + self._functions()[function](pdu[1:])
        except KeyError:
            return bytes((function | 0x80, _ILLEGAL_FUNCTION))
        except struct.error:
            return bytes((function | 0x80, _ILLEGAL_VALUE))
        except ModbusError as error:
            return bytes((function | 0x80, error.code))

    def _functions(self) -> dict[int, Callable[[bytes], bytes]]:
        return {
            1: lambda data: self._read_bits(data, {RUN: self._running}),
            2: lambda data: self._read_bits(data, {LIMIT_ALARM: self._alarm}),
            3: lambda data: self._read_words(data, self._holding()),
            4: lambda data: self._read_words(data, {AIR: lambda: _tenths(self._number(":MEAS:TEMP?"))}),
            5: self._write_coil,
            6: self._write_one,
            16: self._write_several,
        }

    def _holding(self) -> dict[int, Callable[[], int]]:
        words: dict[int, Callable[[], int]] = {
            SET_POINT: lambda: _tenths(self._number(":TEMP:SPO?")),
            RAMP: lambda: _tenths(self._number(":TEMP:RAMP?")),
            STATUS: lambda: self._alarm() << ALARM_BIT,
        }
        for address, query in ((LOW_LIMIT, ":TEMP:PROT:LOW?"), (HIGH_LIMIT, ":TEMP:PROT:HIGH?")):
            for half in (0, 1):
                words[address + half] = lambda query=query, half=half: self._float(query)[half]  # type: ignore[misc]  # the defaults bind this turn's
        return words

    def _read_words(self, data: bytes, words: dict[int, Callable[[], int]]) -> bytes:
        address, count = struct.unpack(">HH", data)
        if not 1 <= count <= _MOST_REGISTERS:
            raise ModbusError(_ILLEGAL_VALUE)
        if any(at not in words for at in range(address, address + count)):
            raise ModbusError(_ILLEGAL_ADDRESS)
        values = [words[at]() for at in range(address, address + count)]
        return struct.pack(f">B{count}H", 2 * count, *values)

    def _read_bits(self, data: bytes, bits: dict[int, Callable[[], int]]) -> bytes:
        address, count = struct.unpack(">HH", data)
        if not 1 <= count <= _MOST_BITS:
            raise ModbusError(_ILLEGAL_VALUE)
        if any(at not in bits for at in range(address, address + count)):
            raise ModbusError(_ILLEGAL_ADDRESS)
        packed = sum(bits[address + place]() << place for place in range(count))
        size = (count + 7) // 8
        return bytes((size,)) + packed.to_bytes(size, "little")

    def _write_coil(self, data: bytes) -> bytes:
        address, value = struct.unpack(">HH", data)
        if address != RUN:
            raise ModbusError(_ILLEGAL_ADDRESS)
        if value not in (0, 0xFF00):
            raise ModbusError(_ILLEGAL_VALUE)
        self._tell(f":OUTP {'ON' if value else 'OFF'}")
        self.writes.append((5, address))
        return data

    def _write_one(self, data: bytes) -> bytes:
        address, value = struct.unpack(">HH", data)
        self._put(address, (value,))
        self.writes.append((6, address))
        return data

    def _write_several(self, data: bytes) -> bytes:
        address, count, size = struct.unpack_from(">HHB", data)
        if size != 2 * count or len(data) != 5 + size:
            raise ModbusError(_ILLEGAL_VALUE)
        self._put(address, struct.unpack_from(f">{count}H", data, 5))
        self.writes.append((16, address))
        return data[:4]

    def _put(self, address: int, words: tuple[int, ...]) -> None:
        tenths = {SET_POINT: ":TEMP:SPO", RAMP: ":TEMP:RAMP"}
        floats = {LOW_LIMIT: ":TEMP:PROT:LOW", HIGH_LIMIT: ":TEMP:PROT:HIGH"}
        if address in tenths and len(words) == 1:
            (signed,) = struct.unpack(">h", struct.pack(">H", words[0]))
            self._tell(f"{tenths[address]} {signed / 10:.1f}")
        elif address in floats and len(words) == 2:
            (value,) = struct.unpack(">f", struct.pack(">2H", *self._in_order(words)))
            self._tell(f"{floats[address]} {value:.6g}")
        else:
            raise ModbusError(_ILLEGAL_ADDRESS)

    def _float(self, query: str) -> tuple[int, ...]:
        return self._in_order(struct.unpack(">2H", struct.pack(">f", self._number(query))))

    def _in_order(self, words: tuple[int, ...]) -> tuple[int, ...]:
        return words[::-1] if self._low_first else words

    def _running(self) -> int:
        return int(self._number(":OUTP?"))

    def _alarm(self) -> int:
        return int(self._number(":TEMP:PROT:TRIP?"))

    def _number(self, query: str) -> float:
        self._chamber.receive(query.encode() + b"\n")
        return float(self._chamber.reply() or b"nan")

    def _tell(self, command: str) -> None:
        """What the chamber refuses is an illegal value."""
        self._chamber.receive(command.encode() + b"\n")
        self._chamber.receive(b":SYST:ERR?\n")
        if not (self._chamber.reply() or b"").startswith(b"0,"):
            raise ModbusError(_ILLEGAL_VALUE)


def crc16(data: bytes) -> bytes:
    """CRC of a serial frame, low byte first (Modbus over Serial Line V1.02, 6.2.2, from memory, not seen)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc.to_bytes(2, "little")


def _tenths(value: float) -> int:
    return round(value * 10) & 0xFFFF
