"""What the suite of links runs on: pyvisa-sim and loopback sockets, each with one small talking device."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import pyvisa

from drivers.link import Link
from drivers.visa import open_resource, resource_manager

SHORT_S = 0.2
"""Time-out of the lines: long enough for a loopback reply on a busy machine, short enough for the tests of silence."""


class TalkingDevice:
    """Answers ``KEY?`` with what ``answers`` holds for it; None is silence, and so is an unknown query.

    ``held_back`` answers are noted and come only on release, which is how a reply is late without any waiting.
    ``broken_off`` answers stop without the end of their message.
    """

    def __init__(self) -> None:
        self.answers: dict[bytes, bytes | None] = {b"*IDN?": b"MAKER,MODEL,7,1.0\n"}
        self.received: list[bytes] = []
        self.held_back: set[bytes] = set()
        self.broken_off: set[bytes] = set()

    def reply_to(self, message: bytes) -> bytes | None:
        self.received.append(message)
        return self.answers.get(message)


class SimAdapter:
    """The device as pyvisa-sim wants it; a new message throws away what was not read (IEEE 488.2, 6.3.2.3)."""

    resource_name: str | None = None

    def __init__(self, device: TalkingDevice) -> None:
        self.device = device
        self.output = bytearray()
        self.late = b""
        self.ends = True

    def write(self, data: bytes) -> None:
        message = data.removesuffix(b"\n")
        reply = self.device.reply_to(message) or b""
        if message in self.device.held_back:
            self.late, reply = reply, b""
        self.output = bytearray(reply)
        self.ends = message not in self.device.broken_off

    def read(self) -> tuple[bytes, bool]:
        if not self.output:
            return b"", False
        return bytes([self.output.pop(0)]), self.ends and not self.output

    def release(self) -> None:
        self.output.extend(self.late)


class LoopbackServer:
    """The device on a TCP port of this machine, one thread for each connection."""

    def __init__(self, device: TalkingDevice) -> None:
        self.device = device
        self.reset_on: bytes | None = None
        self.close_on: bytes | None = None
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]
        self.connections: list[socket.socket] = []
        self.late: list[tuple[socket.socket, bytes]] = []
        self.threads = [threading.Thread(target=self._accept)]
        self.threads[0].start()

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:  # the listener has been closed: the end of the test
                return
            self.connections.append(connection)
            thread = threading.Thread(target=self._serve, args=(connection,))
            self.threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        buffer = b""
        with contextlib.suppress(OSError), connection:
            while received := connection.recv(4096):
                buffer += received
                while b"\n" in buffer:
                    message, _, buffer = buffer.partition(b"\n")
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
        else:
            connection.sendall(reply)
        return True

    def release(self) -> None:
        for connection, reply in self.late:
            with contextlib.suppress(OSError):
                connection.sendall(reply)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        self.threads[0].join()
        for connection in self.connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self.threads[1:]:
            thread.join()


@dataclass
class Line:
    """A link, the device at its other end, and the release of late replies."""

    link: Link
    device: TalkingDevice
    release: Callable[[], None]


@pytest.fixture
def sim_manager(tmp_path: Path) -> Iterator[pyvisa.ResourceManager]:
    """A pyvisa-sim library of its own, without devices."""
    empty = tmp_path / "empty.yaml"
    empty.write_text('spec: "1.0"\ndevices: {}\nresources: {}\n')
    manager = resource_manager(f"{empty}@sim")
    yield manager
    manager.close()


@pytest.fixture
def py_manager() -> Iterator[pyvisa.ResourceManager]:
    """The VISA library in pure Python."""
    manager = resource_manager("@py")
    yield manager
    manager.close()


@pytest.fixture
def sim_line(sim_manager: pyvisa.ResourceManager, request: pytest.FixtureRequest) -> Iterator[Line]:
    """A line over pyvisa-sim: to a SOCKET resource, or to another that the test asks for."""
    resource = getattr(request, "param", "TCPIP0::device.example::5025::SOCKET")
    device = TalkingDevice()
    adapter = SimAdapter(device)
    sim_manager.visalib.devices.add_device(resource, adapter)  # type: ignore[attr-defined]  # pyvisa-sim's own
    link = open_resource(sim_manager, resource, SHORT_S)
    yield Line(link, device, adapter.release)
    link.close()


@pytest.fixture
def server() -> Iterator[LoopbackServer]:
    """The device on a loopback socket."""
    started = LoopbackServer(TalkingDevice())
    yield started
    started.close()


@pytest.fixture
def socket_line(py_manager: pyvisa.ResourceManager, server: LoopbackServer) -> Iterator[Line]:
    """A line over a real TCP connection."""
    link = open_resource(py_manager, f"TCPIP0::127.0.0.1::{server.port}::SOCKET", SHORT_S)
    yield Line(link, server.device, server.release)
    link.close()


@pytest.fixture(params=["sim_line", "socket_line"])
def line(request: pytest.FixtureRequest) -> Line:
    """Each of the lines in turn."""
    made: Line = request.getfixturevalue(request.param)
    return made
