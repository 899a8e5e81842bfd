"""The instrument behind VXI-11 (its specification, and RFC 1831 and 1832 for the calls; from memory, not seen).

A call is a record: a length whose highest bit marks the last fragment, then numbers of four bytes, most significant
first, and byte strings with their count, filled up to four. The same port answers as port mapper (RFC 1833), so that a
client may ask it where the instrument is.
"""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Iterator

from loopback_peers.talking import Listener, TalkingDevice, exactly

PORT_MAPPER, CORE = 100000, 0x0607AF
GET_PORT = 3
CREATE_LINK, DEVICE_WRITE, DEVICE_READ, DEVICE_CLEAR, DESTROY_LINK = 10, 11, 12, 15, 23
NO_ERROR, NOT_ACCESSIBLE, TIMED_OUT = 0, 3, 15
END_FLAG = 8
REQUESTED_COUNT, REPLY_END = 1, 4
LARGEST_WRITE = 1024


class Vxi11Server(Listener):
    """The instrument at a VXI-11 resource. ``clears`` counts device clears, ``close_on`` ends the connection."""

    def __init__(self, device: TalkingDevice) -> None:
        self.close_on: bytes | None = None
        self.clears = 0
        self._incoming = b""
        self._outgoing = b""
        self._ends = True
        self._late: bytes | None = None
        self._changed = threading.Condition()
        super().__init__(device)

    @property
    def resource(self) -> str:
        """With the port, as pyvisa-py takes it; a port mapper would have to listen at 111."""
        return f"TCPIP0::127.0.0.1,{self.port}::inst0::INSTR"

    def serve(self, connection: socket.socket) -> None:
        while True:
            call = _Reader(_record(connection))
            transaction, _, _, program, _, procedure = (call.number() for _ in range(6))
            for _ in range(2):  # credentials and verifier: of no kind and empty
                call.number()
                call.text()
            answer = self._answer(program, procedure, call)
            if answer is None:
                return
            accepted = struct.pack(">IIIIII", transaction, 1, 0, 0, 0, 0)
            record = accepted + answer
            connection.sendall(struct.pack(">I", 0x80000000 | len(record)) + record)

    def _answer(self, program: int, procedure: int, call: _Reader) -> bytes | None:
        if program == PORT_MAPPER and procedure == GET_PORT:
            return struct.pack(">I", self.port if call.number() == CORE else 0)
        if procedure == CREATE_LINK:
            for _ in range(3):
                call.number()
            error = NO_ERROR if call.text() == b"inst0" else NOT_ACCESSIBLE
            return struct.pack(">IIII", error, 1, 0, LARGEST_WRITE)
        if procedure == DEVICE_WRITE:
            return self._take(call)
        if procedure == DEVICE_READ:
            return self._hand_over(call)
        if procedure == DEVICE_CLEAR:
            with self._changed:
                self.clears += 1
                self._incoming, self._outgoing, self._late = b"", b"", None
        return struct.pack(">I", NO_ERROR)

    def _take(self, call: _Reader) -> bytes | None:
        _, _, _, flags = (call.number() for _ in range(4))
        data = call.text()
        self._incoming += data
        if flags & END_FLAG:
            message, self._incoming = self._incoming.removesuffix(b"\n"), b""
            reply = self.device.reply_to(message)
            if message == self.close_on:
                return None
            with self._changed:
                held = message in self.device.held_back
                # A new message throws away what was not read of the last reply (IEEE 488.2, 6.3.2.3).
                self._outgoing = b"" if held else (reply or b"")
                self._late = reply if held else None
                self._ends = message not in self.device.broken_off
        return struct.pack(">II", NO_ERROR, len(data))

    def _hand_over(self, call: _Reader) -> bytes:
        _, wanted, timeout_ms = (call.number() for _ in range(3))
        with self._changed:
            if not self._changed.wait_for(lambda: self._outgoing, timeout_ms / 1000):
                return struct.pack(">III", TIMED_OUT, 0, 0)
            data, self._outgoing = self._outgoing[:wanted], self._outgoing[wanted:]
            reason = REQUESTED_COUNT if len(data) == wanted else 0
            if self._ends and not self._outgoing:
                reason |= REPLY_END
        return struct.pack(">II", NO_ERROR, reason) + _counted(data)

    def release(self) -> None:
        with self._changed:
            if self._late is not None:
                self._outgoing += self._late
            self._changed.notify_all()


class _Reader:
    """Takes numbers and byte strings off a record, in order."""

    def __init__(self, record: bytes) -> None:
        self._rest = record

    def number(self) -> int:
        (number,) = struct.unpack(">I", self._rest[:4])
        self._rest = self._rest[4:]
        return int(number)

    def text(self) -> bytes:
        count = self.number()
        text, self._rest = self._rest[:count], self._rest[count + -count % 4 :]
        return text


def _counted(data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + data + b"\0" * (-len(data) % 4)


def _record(connection: socket.socket) -> bytes:
    return b"".join(_fragments(connection))


def _fragments(connection: socket.socket) -> Iterator[bytes]:
    last = False
    while not last:
        (mark,) = struct.unpack(">I", exactly(connection, 4))
        last = bool(mark & 0x80000000)
        yield exactly(connection, mark & 0x7FFFFFFF)
