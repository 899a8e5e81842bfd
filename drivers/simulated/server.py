"""Outlets on loopback sockets: messages that end with NL come in, replies go out, on one thread.

Rule: nothing here waits for one client. A reply that is not ready yet is asked for again when the clock has come so
far, and a client that does not read its replies is not read from either.

The clock is the rig's and may run faster than real time: ``speed`` says by how much.
"""

from __future__ import annotations

import contextlib
import selectors
import socket
from dataclasses import dataclass, field
from typing import Protocol

from drivers.simulated.front_end import LONGEST_MESSAGE
from drivers.timing import Clock

_CHUNK = 65_536

#: Linux holds back the acknowledgement of a message without reply; a client that waits for it before it sends the next
#: one (RFC 896) would lose 40 ms each time.
_ACKNOWLEDGE_AT_ONCE = getattr(socket, "TCP_QUICKACK", None)


class Line(Protocol):
    """What a connection talks to."""

    @property
    def broken(self) -> bool:
        """Whether the connection is to be closed."""
        ...

    def receive(self, message: bytes) -> None:
        """Take one message with its NL."""
        ...

    def ready(self) -> bytes | None:
        """The next reply that is due by now."""
        ...

    def waits_until_s(self) -> float | None:
        """Clock time at which ``ready`` is worth asking again; None when nothing is under way."""
        ...

    def holds_input(self) -> bool:
        """Whether messages have to wait."""
        ...


class Outlet(Protocol):
    """What is served on one port."""

    @property
    def refuses(self) -> bool:
        """Whether connections are refused now."""
        ...

    def line(self) -> Line:
        """What a new connection talks to."""
        ...


@dataclass(eq=False)
class _Port:
    outlet: Outlet
    host: str
    number: int
    socket: socket.socket
    listens: bool = True


@dataclass(eq=False)
class _Connection:
    port: _Port
    socket: socket.socket
    line: Line
    received: bytearray = field(default_factory=bytearray)
    unsent: bytes = b""
    watched_for: int = selectors.EVENT_READ


class Server:
    """Serves outlets until it is stopped.

    Args:
        clock: Clock of what is served.
        speed: Seconds of that clock in a second of real time.
    """

    def __init__(self, clock: Clock, speed: float = 1.0) -> None:
        self._clock = clock
        self._speed = speed
        # Not epoll: it counts waits in milliseconds, and a sweep on a fast clock takes less.
        self._selector = selectors.SelectSelector()
        self._ports: list[_Port] = []
        self._connections: set[_Connection] = set()
        self._waiting: set[_Connection] = set()
        self._stopping = False
        self._bell, self._ringer = socket.socketpair()
        for end in (self._bell, self._ringer):
            end.setblocking(False)
        self._selector.register(self._bell, selectors.EVENT_READ, None)

    def listen(self, outlet: Outlet, host: str = "127.0.0.1", number: int = 0) -> int:
        """Open a port for an outlet and return its number. Raises OSError when it is taken."""
        bound = _bound(host, number)
        port = _Port(outlet, host, bound.getsockname()[1], bound)
        self._ports.append(port)
        bound.listen()
        self._selector.register(bound, selectors.EVENT_READ, port)
        return port.number

    def serve(self) -> None:
        """Serve until ``stop``; all sockets are closed then."""
        try:
            while not self._stopping:
                self.turn(self._patience_s())
        finally:
            self.close()

    def turn(self, patience_s: float | None = 0.0) -> None:
        """Do what there is to do once; wait for it at most so long in real time, None for as long as it takes."""
        events = self._selector.select(patience_s)
        # What was begun first: a reply that has become ready is about the bench as it was before the next message.
        for connection in tuple(self._waiting):
            self._go_on(connection)
        for key, _ in events:
            self._serve_one(key.data)

    def stop(self) -> None:
        """End ``serve``; from any thread or signal handler."""
        self._stopping = True
        with contextlib.suppress(OSError):  # closed already, or so many rings that one more does not matter
            self._ringer.send(b"!")

    def close(self) -> None:
        """Close all sockets; twice is harmless."""
        for connection in tuple(self._connections):
            self._hang_up(connection)
        for port in self._ports:
            port.socket.close()
        self._bell.close()
        self._ringer.close()
        self._selector.close()

    def _patience_s(self) -> float | None:
        """Real time until the first held reply may be complete; None for as long as it takes."""
        instants = [instant for item in self._waiting if (instant := item.line.waits_until_s()) is not None]
        return max(0.0, (min(instants) - self._clock.elapsed_s()) / self._speed) if instants else None

    def _serve_one(self, ready: _Port | _Connection | None) -> None:
        if isinstance(ready, _Port):
            self._accept(ready)
        elif isinstance(ready, _Connection) and ready in self._connections:
            if ready.watched_for == selectors.EVENT_WRITE:
                self._send(ready, b"")
                self._go_on(ready)
            else:
                self._read(ready)

    # --- Connections ---------------------------------------------------------------------------------------------

    def _accept(self, port: _Port) -> None:
        if not port.listens:
            return
        try:
            accepted, _ = port.socket.accept()
        except OSError:  # the client has gone again
            return
        accepted.setblocking(False)
        accepted.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection = _Connection(port, accepted, port.outlet.line())
        self._connections.add(connection)
        self._selector.register(accepted, selectors.EVENT_READ, connection)

    def _read(self, connection: _Connection) -> None:
        try:
            data = connection.socket.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._hang_up(connection)
            return
        if _ACKNOWLEDGE_AT_ONCE is not None:
            connection.socket.setsockopt(socket.IPPROTO_TCP, _ACKNOWLEDGE_AT_ONCE, 1)
        connection.received += data
        self._go_on(connection)

    def _go_on(self, connection: _Connection) -> None:
        """Send what is ready and run messages, as far as it goes now."""
        line, received = connection.line, connection.received
        while connection in self._connections:
            while not connection.unsent and (reply := line.ready()) is not None:
                self._send(connection, reply)
            if line.broken:
                self._hang_up(connection)
            end = received.find(b"\n") + 1
            if not end and len(received) > LONGEST_MESSAGE:
                end = len(received)
            if not end or connection.unsent or connection not in self._connections or line.holds_input():
                break
            message = bytes(received[:end])
            del received[:end]
            line.receive(message)
            self._follow_faults()
        if connection in self._connections:
            self._watch(connection)

    def _watch(self, connection: _Connection) -> None:
        """Look out for what the connection can go on with."""
        line = connection.line
        can_read = 0 if line.holds_input() else selectors.EVENT_READ
        wanted = selectors.EVENT_WRITE if connection.unsent else can_read
        if line.waits_until_s() is None:
            self._waiting.discard(connection)
        else:
            self._waiting.add(connection)
        if wanted != connection.watched_for:
            if connection.watched_for:
                self._selector.unregister(connection.socket)
            if wanted:
                self._selector.register(connection.socket, wanted, connection)
            connection.watched_for = wanted

    def _send(self, connection: _Connection, reply: bytes) -> None:
        data = connection.unsent + reply
        try:
            count = connection.socket.send(data)
        except BlockingIOError:
            count = 0
        except OSError:
            self._hang_up(connection)
            return
        connection.unsent = data[count:]

    def _hang_up(self, connection: _Connection) -> None:
        """Close a connection; a reply that it waited for is forgotten with its line."""
        if connection not in self._connections:
            return
        self._connections.discard(connection)
        self._waiting.discard(connection)
        if connection.watched_for:
            self._selector.unregister(connection.socket)
        connection.socket.close()
        if b"\n" in connection.received and not connection.line.broken:
            # It had said more than it could be answered: what switches off must not be lost with the answer.
            line = connection.port.outlet.line()
            for message in bytes(connection.received).splitlines(keepends=True):
                line.receive(message)

    def _follow_faults(self) -> None:
        """Close what has come to be broken or refused, and open again what is not refused any more."""
        for port in self._ports:
            if port.listens is port.outlet.refuses:
                self._open_or_close(port)
        for connection in tuple(self._connections):
            if connection.line.broken:
                self._hang_up(connection)

    def _open_or_close(self, port: _Port) -> None:
        """Stop listening, or listen again; bound without listening, a port refuses and nobody else can take it."""
        if port.listens:
            self._selector.unregister(port.socket)
            port.socket.close()
            port.socket = _bound(port.host, port.number)
        else:
            port.socket.listen()
            self._selector.register(port.socket, selectors.EVENT_READ, port)
        port.listens = not port.listens


def _bound(host: str, number: int) -> socket.socket:
    made = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # A server that has just ended leaves its port in TIME_WAIT; it can be had again at once.
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.setblocking(False)
        made.bind((host, number))
    except OSError:
        made.close()
        raise
    return made
