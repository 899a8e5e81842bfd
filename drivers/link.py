"""The one seam between the message layer and the outside: bytes out, bytes in.

Recording, replay and faults wrap a Link; ``drivers.visa`` is the Link over PyVISA.
"""

from __future__ import annotations

from typing import Protocol


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
