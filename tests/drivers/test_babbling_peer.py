"""A peer that sends without an end, over TCP on this machine: its reply is given up, however fast it comes."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator

import pytest

from drivers.errors import NotUnderstood
from drivers.visa import MOST_BYTES, VisaLink, open_resource, resource_manager

#: What the peer sends at most; a link that reads on for ever meets its end and fails the test by another error.
BOUND = 4 * MOST_BYTES


class Babbler:
    """Waits for one message on one connection and then sends the same bytes again and again, up to BOUND."""

    def __init__(self, begins: bytes) -> None:
        self._begins = begins
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._thread = threading.Thread(target=self._babble)
        self._thread.start()

    def _babble(self) -> None:
        chunk = b"1" * 65536
        connection, _ = self._listening.accept()
        # The reader closes in the middle, which is what is to be shown.
        with connection, contextlib.suppress(OSError):
            connection.recv(1024)
            connection.sendall(self._begins)
            for _ in range(BOUND // len(chunk)):
                connection.sendall(chunk)

    def close(self) -> None:
        self._thread.join(timeout=20)
        self._listening.close()


@pytest.fixture(params=[b"1", b"#0", b"#9999999999"], ids=["text", "indefinite block", "block of a gigabyte"])
def link(request: pytest.FixtureRequest) -> Iterator[VisaLink]:
    peer = Babbler(request.param)
    manager = resource_manager("@py")
    # Long, so that only the count of bytes can end the reading, also on a busy machine.
    opened = open_resource(manager, f"TCPIP0::127.0.0.1::{peer.port}::SOCKET", 20.0)
    yield opened
    opened.close()
    peer.close()
    manager.close()


def test_a_reply_without_an_end_is_not_understood(link: VisaLink) -> None:
    """Each read has a time-out of its own, which a peer that sends never lets pass."""
    link.send(b"*IDN?")
    with pytest.raises(NotUnderstood) as caught:
        link.receive()

    assert str(MOST_BYTES) in str(caught.value)
    assert caught.value.resource == link.resource
