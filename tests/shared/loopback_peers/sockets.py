"""The instrument at a raw TCP socket: messages end with a byte, and whatever has been sent stays until it is read."""

from __future__ import annotations

import contextlib
import socket
import struct

from loopback_peers.talking import Listener, TalkingDevice


class LoopbackServer(Listener):
    """The instrument at a SOCKET resource.

    Args:
        device: The instrument.
        ends: Byte that ends a message to it.

    ``reset_on`` and ``close_on`` name the message at which the connection is reset or closed. ``half_on`` names one at
    which it is closed after the reply, which the test has left without its end.
    """

    def __init__(self, device: TalkingDevice, ends: bytes = b"\n") -> None:
        self.ends = ends
        self.reset_on: bytes | None = None
        self.close_on: bytes | None = None
        self.half_on: bytes | None = None
        self.late: list[tuple[socket.socket, bytes]] = []
        super().__init__(device)

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def serve(self, connection: socket.socket) -> None:
        buffer = b""
        while received := connection.recv(4096):
            buffer += received
            while self.ends in buffer:
                message, _, buffer = buffer.partition(self.ends)
                if not self._answer(connection, message):
                    return

    def _answer(self, connection: socket.socket, message: bytes) -> bool:
        reply = self.device.reply_to(message) or b""
        if message == self.reset_on:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            return False
        if message == self.close_on:
            return False
        if message in self.device.held_back:
            self.late.append((connection, reply))
        elif message in self.device.in_pieces:
            for start in range(0, len(reply), 3):
                connection.sendall(reply[start : start + 3])
        else:
            connection.sendall(reply)
        return message != self.half_on

    def release(self) -> None:
        for connection, reply in self.late:
            with contextlib.suppress(OSError):
                connection.sendall(reply)
