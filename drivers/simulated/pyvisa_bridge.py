"""The rig as a PyVISA library; the only module that knows pyvisa-sim.

pyvisa-sim keeps its sessions and attributes; its devices, which cannot be coupled with each other, are replaced by the
front ends of a rig. PyVISA keeps one library per name for the whole process, so each one here has a name of its own:
two rigs share nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from drivers.simulated.front_end import FrontEnd

if TYPE_CHECKING:
    import pyvisa

_NUMBERS = itertools.count(1)

#: Every byte by its value, so that a response falls apart without slicing.
_BYTES = tuple(bytes((value,)) for value in range(256))


class BridgeDevice:
    """One front end as pyvisa-sim wants its devices: written in pieces, read byte by byte."""

    def __init__(self, front_end: FrontEnd) -> None:
        self.resource_name: str | None = None
        self._front_end = front_end
        self._unread: Iterator[tuple[bytes, bool]] = iter(())

    def write(self, data: bytes) -> None:
        """Hand bytes to the front end; what was not read of the last response is lost."""
        if next(self._unread, None) is not None:
            self._unread = iter(())
            self._front_end.interrupt()
        self._front_end.receive(data)

    def read(self) -> tuple[bytes, bool]:
        """Next byte of the response and whether it is its last; no byte when no response is due."""
        for byte_and_last in self._unread:
            return byte_and_last
        response = self._front_end.reply()
        if response is None:
            return b"", False
        last = itertools.chain(itertools.repeat(False, len(response) - 1), (True,))
        self._unread = zip(map(_BYTES.__getitem__, response), last, strict=True)
        return next(self._unread)


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


def simulated_manager(devices: Mapping[str, FrontEnd]) -> pyvisa.ResourceManager:
    """A resource manager of its own library, at which ``devices`` can be opened by resource string.

    A string may be written in any of VISA's spellings. Close the manager when done.
    """
    import pyvisa
    from pyvisa.rname import to_canonical_name

    library = RigLibrary(f"rig-{next(_NUMBERS)}")
    for resource, front_end in devices.items():
        library.devices.add_device(to_canonical_name(resource), BridgeDevice(front_end))
    return pyvisa.ResourceManager(library)
