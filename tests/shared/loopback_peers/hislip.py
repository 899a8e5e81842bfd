"""The instrument behind HiSLIP (IVI-6.1, from memory, not seen): two connections, messages with numbers, device clear.

Each message is ``HS``, a type, a control code, a parameter and a length, most significant byte first, then its payload.
The parameter of data is the number of the message that it belongs to; a client drops replies to an older one.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading

from loopback_peers.talking import Listener, TalkingDevice, exactly

HEADER = struct.Struct("!2sBBIQ")
INITIALIZE, INITIALIZED, FATAL_ERROR = 0, 1, 2
DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGED = 6, 7, 8, 9
MAXIMUM_SIZE, MAXIMUM_SIZE_IS, ASYNC_INITIALIZE, ASYNC_INITIALIZED = 15, 16, 17, 18
ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGED = 19, 23
PROTOCOL_VERSION = 0x0100
SESSION = 7
LARGEST = 4096
"""Most bytes of one message of ours, header included, so that a long reply comes in several."""


class HislipServer(Listener):
    """The instrument at a HiSLIP resource. ``clears`` counts device clears, ``close_on`` a message that ends it all."""

    def __init__(self, device: TalkingDevice) -> None:
        self.close_on: bytes | None = None
        self.clears = 0
        self._lock = threading.Lock()
        self._late: list[tuple[socket.socket, int, bytes]] = []
        super().__init__(device)

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::hislip0,{self.port}::INSTR"

    def serve(self, connection: socket.socket) -> None:
        message = b""
        while True:
            _, kind, _, parameter, length = HEADER.unpack(exactly(connection, HEADER.size))
            payload = exactly(connection, length)
            if kind in (DATA, DATA_END):
                message += payload
                if kind == DATA_END:
                    whole, message = message.removesuffix(b"\n"), b""
                    if not self._answer(connection, parameter, whole):
                        return
                continue
            self._manage(connection, kind, payload)

    def _manage(self, connection: socket.socket, kind: int, payload: bytes) -> None:
        if kind == INITIALIZE:
            _send(connection, INITIALIZED, PROTOCOL_VERSION << 16 | SESSION)
        elif kind == ASYNC_INITIALIZE:
            _send(connection, ASYNC_INITIALIZED, 0)
        elif kind == MAXIMUM_SIZE:
            _send(connection, MAXIMUM_SIZE_IS, 0, payload)
        elif kind == ASYNC_CLEAR:
            with self._lock:
                self.clears += 1
                self._late.clear()
            _send(connection, ASYNC_CLEAR_ACKNOWLEDGED, 0)
        elif kind == CLEAR_COMPLETE:
            _send(connection, CLEAR_ACKNOWLEDGED, 0)
        else:
            _send(connection, FATAL_ERROR, 0)

    def _answer(self, connection: socket.socket, number: int, message: bytes) -> bool:
        reply = self.device.reply_to(message)
        if message == self.close_on:
            # Those of now: whoever finds one closed may be connecting anew.
            for other in tuple(self.connections):
                with contextlib.suppress(OSError):
                    other.shutdown(socket.SHUT_RDWR)
            return False
        if reply is None:
            return True
        if message in self.device.held_back:
            with self._lock:
                self._late.append((connection, number, reply))
        else:
            _reply(connection, number, reply, ends=message not in self.device.broken_off)
        return True

    def release(self) -> None:
        with self._lock:
            for connection, number, reply in self._late:
                _reply(connection, number, reply, ends=True)
            self._late.clear()


def _reply(connection: socket.socket, number: int, reply: bytes, *, ends: bool) -> None:
    room = LARGEST - HEADER.size
    while len(reply) > room:
        _send(connection, DATA, number, reply[:room])
        reply = reply[room:]
    _send(connection, DATA_END if ends else DATA, number, reply)


def _send(connection: socket.socket, kind: int, parameter: int, payload: bytes = b"") -> None:
    connection.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)
