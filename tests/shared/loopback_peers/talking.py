"""A small instrument that answers what a test tells it to, and the threads that its lines run in."""

from __future__ import annotations

import contextlib
import socket
import threading
from abc import ABC, abstractmethod


class TalkingDevice:
    """Answers ``KEY?`` with what ``answers`` holds for it; None is silence, and so is an unknown query.

    ``held_back`` answers are noted and come only on release, which is how a reply is late without any waiting.
    ``broken_off`` answers stop without the end of their message. ``in_pieces`` answers come a few bytes at a time.
    """

    def __init__(self) -> None:
        self.answers: dict[bytes, bytes | None] = {b"*IDN?": b"MAKER,MODEL,7,1.0\n"}
        self.received: list[bytes] = []
        self.held_back: set[bytes] = set()
        self.broken_off: set[bytes] = set()
        self.in_pieces: set[bytes] = set()

    def reply_to(self, message: bytes) -> bytes | None:
        self.received.append(message)
        return self.answers.get(message)


class Listener(ABC):
    """A TCP port of this machine with one thread for each connection."""

    def __init__(self, device: TalkingDevice) -> None:
        self.device = device
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]
        self.connections: list[socket.socket] = []
        self._threads = [threading.Thread(target=self._accept)]
        self._threads[0].start()

    @abstractmethod
    def serve(self, connection: socket.socket) -> None:
        """Speak over one connection until it ends; an OSError ends it too."""

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:  # the listener has been closed: the end of the test
                return
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.connections.append(connection)
            thread = threading.Thread(target=self._serve, args=(connection,))
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection:
            self.serve(connection)

    def refuse(self) -> None:
        """Take no more connections; those that there are go on."""
        with contextlib.suppress(OSError):
            self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self._threads[0].join()

    def close(self) -> None:
        self.refuse()
        for connection in self.connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads[1:]:
            thread.join()


def exactly(connection: socket.socket, count: int) -> bytes:
    """Receive ``count`` bytes; ConnectionError, an OSError, where the connection ends before."""
    received = b""
    while len(received) < count:
        more = connection.recv(count - len(received))
        if not more:
            raise ConnectionError("the client has gone")
        received += more
    return received
