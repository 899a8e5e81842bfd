"""A Modbus unit on a loopback port, in a thread of its own: it answers at once and waits for nobody."""

from __future__ import annotations

import selectors
import socket
import threading
from collections.abc import Callable
from types import TracebackType
from typing import Self

#: How a unit takes whole frames out of what has come, and returns the replies.
Answer = Callable[[bytearray], bytes]

_CHUNK = 4096


class ModbusServer:
    """Serves one unit between ``with`` and its end.

    While a reply is awaited nobody else may touch what the unit is made of: the one who asks is the one who waits.
    """

    def __init__(self, answer: Answer) -> None:
        self._answer = answer
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._bell, self._ringer = socket.socketpair()
        self._thread = threading.Thread(target=self._serve, name="Modbus unit", daemon=True)

    @property
    def port(self) -> int:
        """Port on 127.0.0.1."""
        return int(self._listener.getsockname()[1])

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ringer.send(b"!")
        self._thread.join()
        self._ringer.close()

    def _serve(self) -> None:
        connections: dict[socket.socket, bytearray] = {}
        try:
            self._serve_until_rung(connections)
        finally:
            for each in (*connections, self._listener, self._bell):
                each.close()

    def _serve_until_rung(self, connections: dict[socket.socket, bytearray]) -> None:
        with selectors.SelectSelector() as selector:
            selector.register(self._listener, selectors.EVENT_READ)
            selector.register(self._bell, selectors.EVENT_READ)
            while True:
                ready = [key.fileobj for key, _ in selector.select()]
                if self._bell in ready:
                    return
                for one in ready:
                    if one is self._listener:
                        accepted, _ = self._listener.accept()
                        connections[accepted] = bytearray()
                        selector.register(accepted, selectors.EVENT_READ)
                    elif isinstance(one, socket.socket) and not self._go_on(one, connections[one]):
                        selector.unregister(one)
                        del connections[one]
                        one.close()

    def _go_on(self, connection: socket.socket, received: bytearray) -> bool:
        """Answer what has come; False when the connection has ended."""
        try:
            data = connection.recv(_CHUNK)
            received += data
            replies = self._answer(received) if data else b""
            if replies:
                connection.sendall(replies)
        except OSError:
            return False
        return bool(data)
