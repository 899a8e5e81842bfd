"""Kinds of lines: how a message ends on each, what a clear does there, how a serial line is set, what is not there."""

from __future__ import annotations

import gc
import logging
import os
import socket
import termios
import warnings
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import Parity, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument
from pyvisa_py.protocols import rpc

from drivers.errors import InstrumentError, LinkLost, NotThere, TimedOut
from drivers.link import FlowControl, LinkSettings, SerialLine
from drivers.messages import Messages
from drivers.visa import CHUNK_BYTES, VisaLink, open_resource, resource_manager
from loopback_peers.hislip import HislipServer
from loopback_peers.serial_port import SerialPeer
from loopback_peers.sockets import LoopbackServer
from loopback_peers.talking import Listener, TalkingDevice
from loopback_peers.vxi11 import LARGEST_WRITE, Vxi11Server

SHORT_S = 0.2
"""For the tests of silence; everything else is answered at once and may take LONG_S on a busy machine."""

LONG_S = 20.0


class StillClock:
    """Time stands still."""

    def now(self) -> datetime:
        return datetime(2026, 11, 2, tzinfo=UTC)

    def elapsed_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """The line is opened again at once."""


@pytest.fixture
def manager() -> Iterator[pyvisa.ResourceManager]:
    made = resource_manager("@py")
    yield made
    made.close()


@pytest.fixture
def device() -> TalkingDevice:
    return TalkingDevice()


Ending = HislipServer | Vxi11Server


@pytest.fixture(params=[HislipServer, Vxi11Server], ids=["HiSLIP", "VXI-11"])
def ending(request: pytest.FixtureRequest, device: TalkingDevice) -> Iterator[Ending]:
    """The lines of this machine that signal the end of a message."""
    peer: Ending = request.param(device)
    yield peer
    peer.close()


@contextmanager
def peer_and_link(
    manager: pyvisa.ResourceManager, peer: SerialPeer | LoopbackServer, settings: LinkSettings
) -> Iterator[VisaLink]:
    with closing(peer), closing(open_resource(manager, peer.resource, LONG_S, settings)) as link:
        yield link


def refusal(manager: pyvisa.ResourceManager, resource: str) -> str:
    """Why a resource is not there; pyvisa-py leaves its socket to the collector, and that warning is not ours."""
    said = ""
    logging.disable()  # what is logged is kept by pytest, and with it the error, its frames and the socket
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        try:
            open_resource(manager, resource, LONG_S).close()
        except NotThere as error:
            said = str(error)
        gc.collect()
    logging.disable(logging.NOTSET)
    return said


def ask(link: VisaLink, query: bytes, timeout_s: float = LONG_S) -> bytes:
    link.send(query)
    return link.receive(timeout_s)


# --- Lines that signal the end of a message


@pytest.mark.parametrize(
    "reply",
    [
        b"no newline",
        b"with newline\n",
        b"#15HELLO",
        b"#15HELLO\n",
        b"#16HELLO\n",
        b"#16HELLO\n\n",
        b"#16HELLO\n\r\n",
        b"two\nlines",
        b"x" * CHUNK_BYTES,
        b"x" * (CHUNK_BYTES - 1) + b"\n",
        b"#5%05d" % (CHUNK_BYTES - 7) + b"\n" * (CHUNK_BYTES - 7),
        b"#5%05d" % (CHUNK_BYTES - 7) + b"\n" * (CHUNK_BYTES - 7) + b"\n",
    ],
    ids=lambda reply: repr(reply[:12]) + f" {len(reply)}",
)
def test_end_closes_a_reply_with_or_without_a_newline(
    manager: pyvisa.ResourceManager, ending: Ending, reply: bytes
) -> None:
    """END alone is a terminator (IEEE 488.2, 8.5); a newline may come with it and may be content of a block."""
    ending.device.answers[b"Q?"] = reply
    with closing(open_resource(manager, ending.resource, LONG_S)) as link:
        got = ask(link, b"Q?")

        content = reply if reply in (b"#16HELLO\n", b"#5%05d" % (CHUNK_BYTES - 7) + b"\n" * (CHUNK_BYTES - 7)) else None
        assert got == (content or reply.removesuffix(b"\n").removesuffix(b"\r"))
        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_byte_that_the_bench_file_names_ends_a_reply_there_too(
    manager: pyvisa.ResourceManager, ending: Ending
) -> None:
    """For instruments that end with a newline and no END: every read is told to stop there."""
    with closing(open_resource(manager, ending.resource, LONG_S)):
        (plain,) = manager.list_opened_resources()
        assert isinstance(plain, MessageBasedResource)
        assert plain.read_termination is None
    with closing(open_resource(manager, ending.resource, LONG_S, LinkSettings(reply_terminator=b"\n"))) as link:
        (named,) = manager.list_opened_resources()
        assert isinstance(named, MessageBasedResource)
        assert named.read_termination == "\n"
        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_named_byte_does_not_hang_a_line_that_gives_end_without_it(
    manager: pyvisa.ResourceManager, ending: Ending
) -> None:
    """pyvisa-py gives nothing, and no error, when asked for more after END on HiSLIP."""
    ending.device.answers[b"B?"] = b"#15HELLO"
    settings = LinkSettings(reply_terminator=b"\n")
    with closing(open_resource(manager, ending.resource, LONG_S, settings)) as link:
        assert ask(link, b"B?") == b"#15HELLO"
        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_a_message_longer_than_the_line_takes_at_once_arrives_whole(
    manager: pyvisa.ResourceManager, ending: Ending
) -> None:
    """VXI-11 names its largest write when the link is created; END comes with the last piece."""
    message = b":DATA " + b"1," * LARGEST_WRITE + b"1"
    with closing(open_resource(manager, ending.resource, LONG_S)) as link:
        link.send(message)

        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"
    assert ending.device.received == [message, b"*IDN?"]


def test_a_time_out_is_followed_by_a_device_clear_and_not_by_a_new_connection(
    manager: pyvisa.ResourceManager, ending: Ending
) -> None:
    """What the instrument was about to say is thrown away on its side; settings and connection stay."""
    ending.device.answers[b"SLOW?"] = b"late\n"
    ending.device.held_back.add(b"SLOW?")
    with closing(open_resource(manager, ending.resource, SHORT_S)) as link:
        connections = len(ending.connections)
        with pytest.raises(TimedOut):
            ask(link, b"SLOW?", SHORT_S)
        link.clear()
        ending.release()

        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"
        assert ending.clears == 1
        assert len(ending.connections) == connections


def test_a_new_question_throws_away_the_reply_to_the_last_one(manager: pyvisa.ResourceManager, ending: Ending) -> None:
    """INTERRUPTED (IEEE 488.2, 6.3.2.3): such lines have it, sockets and serial lines have not."""
    ending.device.answers[b"FIRST?"] = b"1\n"
    with closing(open_resource(manager, ending.resource, LONG_S)) as link:
        link.send(b"FIRST?")

        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


@pytest.mark.parametrize("peer", [HislipServer, pytest.param(Vxi11Server, marks=pytest.mark.slow)])
def test_a_peer_that_goes_is_a_lost_link_and_a_clear_opens_the_line_again(
    manager: pyvisa.ResourceManager, device: TalkingDevice, peer: type[Ending]
) -> None:
    """Device clear fails over a broken connection, so the line is opened anew.

    On VXI-11 pyvisa-py waits a second longer than the time-out, each time, before it gives the connection up.
    """
    with closing(peer(device)) as ending, closing(open_resource(manager, ending.resource, SHORT_S)) as link:
        ending.close_on = b"BYE?"
        with pytest.raises(LinkLost):
            ask(link, b"BYE?", SHORT_S)
        link.clear()

        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


def test_the_port_of_a_vxi_11_instrument_is_asked_of_its_port_mapper(
    manager: pyvisa.ResourceManager, device: TalkingDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A resource without a port, as bench files have it; only the mapper's own port is not 111 here."""
    with closing(Vxi11Server(device)) as peer:
        monkeypatch.setattr(rpc, "PMAP_PORT", peer.port)
        with closing(open_resource(manager, "TCPIP0::127.0.0.1::inst0::INSTR", LONG_S)) as link:
            assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"


@pytest.mark.parametrize("form", ["TCPIP0::127.0.0.1::hislip0,{}::INSTR", "TCPIP0::127.0.0.1,{}::inst0::INSTR"])
def test_a_port_where_nobody_listens_is_not_there(manager: pyvisa.ResourceManager, form: str) -> None:
    """Both connect when they are opened, and are refused."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]
    assert refusal(manager, form.format(port))


def test_a_name_that_vxi_11_does_not_know_is_not_there(manager: pyvisa.ResourceManager, device: TalkingDevice) -> None:
    """The instrument refuses the link."""
    with closing(Vxi11Server(device)) as peer:
        said = refusal(manager, f"TCPIP0::127.0.0.1,{peer.port}::gpib0,5::INSTR")

    assert "error creating link" in said


# --- Terminators


@pytest.mark.parametrize("peer", [LoopbackServer, SerialPeer])
@pytest.mark.parametrize(
    ("sent", "expected", "settings"),
    [
        (b"\n", b"\n", LinkSettings()),
        (b"\r\n", b"\r\n", LinkSettings(terminator=b"\r\n")),
        (b"\r", b"\r", LinkSettings(terminator=b"\r")),
        (b"\n", b"\r", LinkSettings(reply_terminator=b"\r")),
        (b"\r", b"\r\n", LinkSettings(terminator=b"\r", reply_terminator=b"\r\n")),
    ],
    ids=["LF", "CR LF", "CR", "LF out, CR in", "CR out, CR LF in"],
)
def test_messages_end_as_the_bench_file_says(
    manager: pyvisa.ResourceManager,
    device: TalkingDevice,
    peer: Callable[[TalkingDevice, bytes], SerialPeer | LoopbackServer],
    sent: bytes,
    expected: bytes,
    settings: LinkSettings,
) -> None:
    """What was sent has lost its whole terminator at the instrument, and so has the reply here; blocks come whole."""
    device.answers.update({b"*IDN?": b"ME" + expected, b"B?": b"#16A\n\r\n\rB" + expected, b"E?": expected})
    with peer_and_link(manager, peer(device, sent), settings) as link:
        assert ask(link, b"*IDN?") == b"ME"
        assert ask(link, b"B?") == b"#16A\n\r\n\rB"
        assert ask(link, b"E?") == b""
        assert ask(link, b"*IDN?") == b"ME"
    assert device.received == [b"*IDN?", b"B?", b"E?", b"*IDN?"]


# --- Serial lines


@pytest.mark.parametrize("flow_control", ["none", "XON/XOFF", "RTS/CTS", "DTR/DSR"])
def test_a_serial_line_is_set_as_the_bench_file_says(
    manager: pyvisa.ResourceManager, flow_control: FlowControl
) -> None:
    """Over pyserial's own loop, which takes what a pseudo-terminal refuses: parity and seven bits."""
    line = SerialLine(baud=19200, data_bits=7, parity="even", stop_bits=2, flow_control=flow_control)
    with closing(open_resource(manager, "ASRLloop://::INSTR", SHORT_S, LinkSettings(serial_line=line))):
        (opened,) = manager.list_opened_resources()

        assert isinstance(opened, SerialInstrument)
        assert (opened.baud_rate, opened.data_bits) == (19200, 7)
        assert (opened.parity, opened.stop_bits) == (Parity.even, StopBits.two)
        expected = {"none": 0, "XON/XOFF": 1, "RTS/CTS": 2, "DTR/DSR": 4}  # VI_ASRL_FLOW_…, VPP-4.3 (from memory)
        assert opened.flow_control == expected[flow_control]


def test_a_serial_line_is_9600_8n1_by_default(manager: pyvisa.ResourceManager, device: TalkingDevice) -> None:
    """Also when somebody has left it otherwise."""
    peer = SerialPeer(device)
    left = termios.tcgetattr(peer.near)
    left[4] = left[5] = termios.B1200
    left[2] |= termios.CSTOPB
    termios.tcsetattr(peer.near, termios.TCSANOW, left)
    with peer_and_link(manager, peer, LinkSettings()):
        flags_in, _, flags, _, _, speed, _ = termios.tcgetattr(peer.near)

        assert speed == termios.B9600
        assert flags & termios.CSIZE == termios.CS8
        assert not flags & (termios.CSTOPB | termios.PARENB)
        assert not flags_in & termios.IXON


def test_on_a_serial_line_a_late_reply_comes_after_the_clear_and_is_told_by_the_identity(
    manager: pyvisa.ResourceManager, device: TalkingDevice
) -> None:
    """Nothing on such a line forgets: what was asked before is answered before, however often it is opened."""
    device.answers.update({b"SLOW?": b"late\n", b"*ESR?": b"0\n", b":SYST:ERR?": b'0,"No error"\n', b"V?": b"5\n"})
    device.held_back.add(b"SLOW?")
    with peer_and_link(manager, SerialPeer(device), LinkSettings()) as link:
        messages = Messages(link, "meter", StillClock())
        messages.meet()
        with pytest.raises(TimedOut):
            messages.ask("SLOW?", SHORT_S)

        assert messages.ask("V?") == "5"
    assert device.received.count(b"*IDN?") == 2


def test_a_serial_port_that_does_not_exist_is_not_there(manager: pyvisa.ResourceManager) -> None:
    """pyserial's SerialException is an OSError."""
    with pytest.raises(NotThere, match="no-such-port"):
        open_resource(manager, "ASRL/dev/no-such-port::INSTR", SHORT_S)


def test_a_serial_port_that_is_pulled_out_is_a_lost_link(
    manager: pyvisa.ResourceManager, device: TalkingDevice
) -> None:
    """The far end of the terminal closes for good, as that of an unplugged adapter does."""
    peer = SerialPeer(device)
    with closing(open_resource(manager, peer.resource, SHORT_S)) as link:
        assert ask(link, b"*IDN?") == b"MAKER,MODEL,7,1.0"
        peer.close()
        with pytest.raises(LinkLost):
            ask(link, b"*IDN?", SHORT_S)
        with pytest.raises(InstrumentError):
            link.clear()
    assert not os.path.exists(peer.path)  # noqa: PTH110 - a terminal, not a file of ours


# --- What a VISA library lacks


@pytest.mark.parametrize(
    ("resource", "said", "wanted"),
    [
        ("ASRL3::INSTR", "Please install PySerial (>=3.0) to use this resource type.\nNo module", "nightbench[serial]"),
        ("USB0::0x1::0x2::9::INSTR", "Please install PyUSB to use this resource type.\nNo module", "pyusb"),
        ("USB0::0x1::0x2::9::INSTR", "PyUSB does not seem to be properly installed.\n", "libusb"),
        ("GPIB0::5::INSTR", "Please install linux-gpib (Linux) or gpib-ctypes (Windows, Linux) to use", "gpib-ctypes"),
    ],
)
def test_a_missing_driver_package_is_named_with_how_to_install_it(
    manager: pyvisa.ResourceManager, monkeypatch: pytest.MonkeyPatch, resource: str, said: str, wanted: str
) -> None:
    """pyvisa-py 0.8 raises these sentences as ValueError."""

    def refuse(*arguments: object, **named: object) -> Any:  # Any: stands in for a method of pyvisa
        raise ValueError(said)

    monkeypatch.setattr(manager, "open_resource", refuse)
    with pytest.raises(NotThere, match="install") as caught:
        open_resource(manager, resource, SHORT_S)

    assert wanted in str(caught.value)
    assert caught.value.resource == resource


# --- Opening


def test_a_host_that_does_not_answer_is_given_up_after_the_time_for_opening(manager: pyvisa.ResourceManager) -> None:
    """A listener whose queue is full lets a connection hang, as a host behind a dead cable does."""
    with socket.create_server(("127.0.0.1", 0), backlog=0) as listener:
        address = listener.getsockname()
        waiting = [socket.socket() for _ in range(2)]
        for one in waiting:
            one.setblocking(False)
            one.connect_ex(address)
        with pytest.raises(NotThere, match="could not connect"):
            open_resource(
                manager, f"TCPIP0::127.0.0.1::{address[1]}::SOCKET", 3600.0, LinkSettings(open_timeout_s=SHORT_S)
            )
        for one in waiting:
            one.close()


def test_a_line_whose_settings_are_refused_is_closed_again(
    manager: pyvisa.ResourceManager, device: TalkingDevice, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A serial port that stays open cannot be opened by the next attempt."""
    closed: list[object] = []
    with closing(SerialPeer(device)) as peer:
        opening = manager.open_resource

        def opened(*arguments: Any, **named: Any) -> Any:  # Any: stands in for a method of pyvisa
            resource = opening(*arguments, **named)
            close = resource.close

            def noted() -> None:
                closed.append(resource)
                close()

            monkeypatch.setattr(resource, "close", noted)
            return resource

        monkeypatch.setattr(manager, "open_resource", opened)
        with pytest.raises(NotThere):
            open_resource(manager, peer.resource, SHORT_S, LinkSettings(serial_line=SerialLine(baud=-1)))

    assert len(closed) == 1


def test_a_listener_that_never_speaks_is_a_time_out(manager: pyvisa.ResourceManager) -> None:
    """The operating system accepts, and nobody is behind it."""
    with (
        socket.create_server(("127.0.0.1", 0)) as listener,
        closing(open_resource(manager, f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET", SHORT_S)) as link,
        pytest.raises(TimedOut),
    ):
        ask(link, b"*IDN?", SHORT_S)


def test_a_question_on_a_socket_does_not_wait_for_the_acknowledgement_of_a_command(
    manager: pyvisa.ResourceManager, device: TalkingDevice
) -> None:
    """TCP_NODELAY, VISA's own default, which pyvisa-py leaves off; also on a line that was opened again."""
    with peer_and_link(manager, LoopbackServer(device), LinkSettings()) as link:
        for _ in range(2):
            visalib: Any = manager.visalib  # pyvisa-py's own, which PyVISA's types do not know
            lines = [getattr(session, "interface", None) for session in visalib.sessions.values()]
            sockets = [line for line in lines if isinstance(line, socket.socket)]
            assert [line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) for line in sockets] == [1]
            link.clear()


def test_peers_close_what_they_open(device: TalkingDevice) -> None:
    """A thread left behind would keep a test run from ending."""
    for peer in (LoopbackServer(device), HislipServer(device), Vxi11Server(device)):
        peer.close()

        assert isinstance(peer, Listener)
        with pytest.raises(OSError, match=r"closed|descriptor"):
            peer.listener.accept()
