"""The rig as a PyVISA library; the only module that knows pyvisa-sim.

pyvisa-sim keeps its sessions and attributes; its devices, which cannot be coupled with each other, are replaced by the
front ends of a rig. PyVISA keeps one library per name for the whole process, so each one here has a name of its own:
two rigs share nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Protocol

from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

if TYPE_CHECKING:
    import pyvisa

_NUMBERS = itertools.count(1)

#: Every byte by its value, so that a response falls apart without slicing.
_BYTES = tuple(bytes((value,)) for value in range(256))


class Speaker(Protocol):
    """What stands behind a resource string: a front end of the rig, or an instrument made of a recording."""

    def receive(self, data: bytes) -> None:
        """Take bytes of a message, in pieces."""
        ...

    def reply(self) -> bytes | None:
        """The whole response that is due, with its terminator; None if none is."""
        ...

    def interrupt(self) -> None:
        """A response was not read to its end, and something new is sent."""
        ...


class BridgeDevice:
    """One front end as pyvisa-sim wants its devices: written in pieces, read byte by byte."""

    def __init__(self, front_end: Speaker) -> None:
        self.resource_name: str | None = None
        self._front_end = front_end
        self._response, self._read = b"", 0

    def write(self, data: bytes) -> None:
        """Hand bytes to the front end; what was not read of the last response is lost."""
        if self._read < len(self._response):
            self._response, self._read = b"", 0
            self._front_end.interrupt()
        self._front_end.receive(data)

    def read(self) -> tuple[bytes, bool]:
        """Next byte of the response and whether it is its last; no byte when no response is due."""
        if not self._is_due():
            return b"", False
        byte = _BYTES[self._response[self._read]]
        self._read += 1
        return byte, self._read == len(self._response)

    def read_piece(self, most: int, stop: bytes) -> tuple[bytes, bool]:
        """What one read takes: to the end of the response, to the first ``stop`` if there is one, ``most`` bytes.

        With it whether the response ends there; no bytes when no response is due.
        """
        if not self._is_due():
            return b"", False
        ends = min(len(self._response), self._read + most)
        if stop:
            stops = self._response.find(stop, self._read, ends)
            ends = ends if stops < 0 else stops + 1
        piece = self._response[self._read : ends]
        self._read = ends
        return piece, ends == len(self._response)

    def _is_due(self) -> bool:
        """Whether there is something to read; the front end is asked once its last response has been read."""
        if self._read == len(self._response):
            self._response, self._read = self._front_end.reply() or b"", 0
        return self._read < len(self._response)


class RigLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim carries no type information
    """pyvisa-sim without its description file, and saying at once when a resource is not there."""

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()

    def open(self, *arguments: Any, **named: Any) -> Any:
        """As VISA's viOpen; raises VisaIOError like the other libraries, where pyvisa-sim opens a dead session."""
        from pyvisa import VisaIOError

        session, status = super().open(*arguments, **named)
        if status < 0:
            raise VisaIOError(status)
        return session, status

    def read(self, session: Any, count: int) -> tuple[bytes, Any]:
        """As VISA's viRead (VPP-4.3, rules 6.1.1 to 6.1.3), not byte by byte where the line signals its end."""
        from pyvisa.constants import InterfaceType, ResourceAttribute, StatusCode

        opened: Any = self.sessions.get(session)
        device = getattr(opened, "device", None)
        if isinstance(device, BridgeDevice):
            set_to = opened.attrs.get
            is_serial = opened.parsed.interface_type_const == InterfaceType.asrl
            if not is_serial and not set_to(ResourceAttribute.suppress_end_enabled, False):
                stops = set_to(ResourceAttribute.termchar_enabled, False)
                stop = _BYTES[set_to(ResourceAttribute.termchar, 10)] if stops else b""
                piece, is_last = device.read_piece(count, stop)
                if is_last:
                    return piece, StatusCode.success
                if stop and piece.endswith(stop):
                    return piece, StatusCode.success_termination_character_read
                if piece:
                    return piece, StatusCode.success_max_count_read
        read: tuple[bytes, Any] = super().read(session, count)
        return read


def simulated_manager(devices: Mapping[str, Speaker]) -> pyvisa.ResourceManager:
    """A resource manager of its own library, at which ``devices`` can be opened by resource string.

    A string may be written in any of VISA's spellings. Close the manager when done.
    """
    import pyvisa
    from pyvisa.rname import to_canonical_name

    library = RigLibrary(f"rig-{next(_NUMBERS)}")
    for resource, front_end in devices.items():
        library.devices.add_device(to_canonical_name(resource), BridgeDevice(front_end))
    return pyvisa.ResourceManager(library)
