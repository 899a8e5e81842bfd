"""The one seam between the message layer and the outside: bytes out, bytes in.

Recording, replay and faults wrap a Link; ``drivers.visa`` is the Link over PyVISA.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

Parity = Literal["none", "odd", "even"]
FlowControl = Literal["none", "XON/XOFF", "RTS/CTS", "DTR/DSR"]


@dataclass(frozen=True, slots=True)
class SerialLine:
    """How a serial line is set; by default as most instruments leave the factory (common practice, no source)."""

    baud: int = 9600
    data_bits: int = 8
    parity: Parity = "none"
    stop_bits: int = 1
    flow_control: FlowControl = "none"


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """What a line needs besides its resource string and its time-out.

    Attributes:
        open_timeout_s: Time to wait for opening; None is the time-out of replies.
        terminator: What ends a message on its way out.
        reply_terminator: What ends a reply; None is ``terminator`` where only bytes can tell (sockets, serial lines),
            and nothing where the line itself signals the end (VXI-11, HiSLIP, USBTMC, GPIB).
        serial_line: Settings of a serial line.
    """

    open_timeout_s: float | None = None
    terminator: bytes = b"\n"
    reply_terminator: bytes | None = None
    serial_line: SerialLine = SerialLine()


AS_USUAL = LinkSettings()
"""A line feed both ways, the reply's time-out for opening, and 9600 8N1 on a serial line."""


class Link(Protocol):
    """A line to one instrument. Every method raises only ``drivers.errors.InstrumentError`` kinds."""

    @property
    def resource(self) -> str:
        """Resource string, for messages to people."""
        ...

    def send(self, data: bytes) -> None:
        """Send one complete program message; the link adds its own terminator."""
        ...

    def receive(self, timeout_s: float | None = None) -> bytes:
        """Receive one complete response message without its terminator.

        A definite-length block (IEEE 488.2 8.7.9) comes whole, whatever bytes it contains.
        ``timeout_s`` overrides the link's own time-out for this reply.
        """
        ...

    def clear(self) -> None:
        """Device clear: throw away what is pending on both sides. Settings stay."""
        ...

    def close(self) -> None:
        """Close; closing twice is harmless."""
        ...
