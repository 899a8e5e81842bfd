"""What the suite of links runs on: pyvisa-sim and real lines of this machine, each with one small talking device."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
import pyvisa

from drivers.link import Link
from drivers.visa import open_resource, resource_manager
from loopback_peers.hislip import HislipServer
from loopback_peers.serial_port import SerialPeer
from loopback_peers.sockets import LoopbackServer
from loopback_peers.talking import TalkingDevice
from loopback_peers.vxi11 import Vxi11Server

SHORT_S = 0.2
"""Time-out of the lines: long enough for a loopback reply on a busy machine, short enough for the tests of silence."""


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
    link = open_resource(py_manager, server.resource, SHORT_S)
    yield Line(link, server.device, server.release)
    link.close()


@pytest.fixture
def hislip_server() -> Iterator[HislipServer]:
    """The device behind HiSLIP."""
    started = HislipServer(TalkingDevice())
    yield started
    started.close()


@pytest.fixture
def hislip_line(py_manager: pyvisa.ResourceManager, hislip_server: HislipServer) -> Iterator[Line]:
    """A HiSLIP line, over two real TCP connections."""
    link = open_resource(py_manager, hislip_server.resource, SHORT_S)
    yield Line(link, hislip_server.device, hislip_server.release)
    link.close()


@pytest.fixture
def vxi11_server() -> Iterator[Vxi11Server]:
    """The device behind VXI-11."""
    started = Vxi11Server(TalkingDevice())
    yield started
    started.close()


@pytest.fixture
def vxi11_line(py_manager: pyvisa.ResourceManager, vxi11_server: Vxi11Server) -> Iterator[Line]:
    """A VXI-11 line, over a real TCP connection."""
    link = open_resource(py_manager, vxi11_server.resource, SHORT_S)
    yield Line(link, vxi11_server.device, vxi11_server.release)
    link.close()


@pytest.fixture
def serial_peer() -> Iterator[SerialPeer]:
    """The device at a serial port."""
    started = SerialPeer(TalkingDevice())
    yield started
    started.close()


@pytest.fixture
def serial_line(py_manager: pyvisa.ResourceManager, serial_peer: SerialPeer) -> Iterator[Line]:
    """A serial line, over a pseudo-terminal."""
    link = open_resource(py_manager, serial_peer.resource, SHORT_S)
    yield Line(link, serial_peer.device, serial_peer.release)
    link.close()


FORGETFUL = ["sim_line", "socket_line", "hislip_line", "vxi11_line"]
"""Lines on which nothing of the conversation before a clear can come after it. A serial line has no such end."""


@pytest.fixture(params=[*FORGETFUL, "serial_line"])
def line(request: pytest.FixtureRequest) -> Line:
    """Each of the lines in turn."""
    made: Line = request.getfixturevalue(request.param)
    return made


@pytest.fixture(params=FORGETFUL)
def forgetful_line(request: pytest.FixtureRequest) -> Line:
    """Each line in turn that forgets by a clear."""
    made: Line = request.getfixturevalue(request.param)
    return made
