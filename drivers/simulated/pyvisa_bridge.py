"""The rig as a PyVISA library; the only module that knows pyvisa-sim.

pyvisa-sim loads an empty description, and the front ends are added to it as its devices. PyVISA keeps one library and
one manager per library string for the whole process, so each manager here gets a string that was never used before:
two rigs share nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from drivers.simulated.front_end import FrontEnd

if TYPE_CHECKING:
    import pyvisa

_EMPTY_DESCRIPTION = 'spec: "1.1"\n'
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


def simulated_manager(devices: Mapping[str, FrontEnd]) -> pyvisa.ResourceManager:
    """A resource manager of its own library, at which ``devices`` can be opened by resource string.

    The strings are taken in VISA's canonical spelling. Close the manager when done.
    """
    import pyvisa
    from pyvisa.rname import to_canonical_name

    with TemporaryDirectory(prefix="nightbench-") as folder:
        description = Path(folder) / f"empty-{next(_NUMBERS)}.yaml"
        description.write_text(_EMPTY_DESCRIPTION, encoding="utf-8")
        manager = pyvisa.ResourceManager(f"{description}@sim")
    for resource, front_end in devices.items():
        # The attribute is pyvisa-sim's own; PyVISA's base class does not declare it.
        manager.visalib.devices.add_device(to_canonical_name(resource), BridgeDevice(front_end))  # type: ignore[attr-defined]
    return manager
