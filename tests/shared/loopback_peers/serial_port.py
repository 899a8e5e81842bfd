"""The instrument at a serial port: the far end of a pseudo-terminal, which takes every setting of a line.

It works through its messages in order, as instruments do: a reply that is held back comes before the next one.
"""

from __future__ import annotations

import os
import select
import threading
import tty

from loopback_peers.talking import TalkingDevice


class SerialPeer:
    """The instrument at an ASRL resource; one thread reads what comes.

    Args:
        device: The instrument.
        ends: What ends a message to it.
    """

    def __init__(self, device: TalkingDevice, ends: bytes = b"\n") -> None:
        self.device = device
        self.ends = ends
        # Both ends stay open here, so that the terminal outlives a client that closes and opens its own.
        self._far, self._near = os.openpty()
        tty.setraw(self._near)
        self.path = os.ttyname(self._near)
        self.late = b""
        self._wakes, self._waker = os.pipe()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    @property
    def resource(self) -> str:
        return f"ASRL{self.path}::INSTR"

    @property
    def near(self) -> int:
        """File descriptor of the client's end, to ask how the client has set it."""
        return self._near

    def _serve(self) -> None:
        buffer = b""
        while True:
            ready, _, _ = select.select([self._far, self._wakes], [], [])
            if self._wakes in ready:
                return
            buffer += os.read(self._far, 4096)
            while self.ends in buffer:
                message, _, buffer = buffer.partition(self.ends)
                reply = self.device.reply_to(message) or b""
                if message in self.device.held_back:
                    self.late += reply
                else:
                    late, self.late = self.late, b""
                    self._write(late + reply)

    def _write(self, data: bytes) -> None:
        while data:  # a terminal holds some kilobytes, and writing waits until they have been read
            data = data[os.write(self._far, data[:1024]) :]

    def release(self) -> None:
        late, self.late = self.late, b""
        self._write(late)

    def close(self) -> None:
        os.write(self._waker, b"x")
        self._thread.join()
        for descriptor in (self._far, self._near, self._wakes, self._waker):
            os.close(descriptor)
