"""Instruments made of a recording, as devices of pyvisa-sim: drivers reach them through PyVISA, as on a bench."""

from __future__ import annotations

from drivers.link import LinkSettings
from drivers.recorded import RecordedLink
from drivers.score import Score
from drivers.simulated.pyvisa_bridge import simulated_manager
from drivers.visa import VisaLink, open_resource

TERMINATOR = b"\n"

#: Nothing is waited for: a reply is there at once or never.
_TIMEOUT_S = 0.01


class RecordedDevice:
    """What one instrument of a recording hears and answers."""

    def __init__(self) -> None:
        self.heard = b""
        self.answer: bytes | None = None

    def receive(self, data: bytes) -> None:
        """Take bytes, in pieces."""
        self.heard += data

    def reply(self) -> bytes | None:
        """The answer, once."""
        answer, self.answer = self.answer, None
        return answer

    def interrupt(self) -> None:
        """What was not read is gone."""
        self.answer = None


class RecordedInstruments:
    """The instruments of a recording at a VISA library of their own. Close it when done.

    Args:
        score: The recording.
        resources: Resource string of each instrument.
    """

    def __init__(self, score: Score, resources: dict[str, str]) -> None:
        self._score = score
        self._resources = resources
        # Whatever kind of line it was, the recording holds whole messages: here each ends by a signal of the line.
        self._names = {place: f"TCPIP0::recording::inst{number}::INSTR" for number, place in enumerate(resources)}
        self._devices = {place: RecordedDevice() for place in resources}
        self._manager = simulated_manager({self._names[place]: device for place, device in self._devices.items()})

    def line(self, place: str) -> RecordedLine:
        """A line to the instrument at ``place``."""
        visa = open_resource(self._manager, self._names[place], _TIMEOUT_S, LinkSettings(terminator=TERMINATOR))
        return RecordedLine(self._score, place, self._resources[place], self._devices[place], visa)

    def close(self) -> None:
        """Close the library."""
        self._manager.close()


class RecordedLine(RecordedLink):
    """A line to a device made of a recording, through PyVISA."""

    def __init__(self, score: Score, place: str, resource: str, device: RecordedDevice, visa: VisaLink) -> None:
        super().__init__(score, place, resource)
        self._device = device
        self._visa = visa

    def clear(self) -> None:
        """As every line."""
        super().clear()
        self._device.interrupt()
        self._visa.clear()

    def close(self) -> None:
        """Close the line."""
        self._visa.close()

    def _speak(self, data: bytes) -> None:
        self._device.heard, self._device.answer = b"", None
        self._visa.send(data)
        if self._device.heard != data + TERMINATOR:
            raise AssertionError(f"{data!r} went to the device as {self._device.heard!r}")

    def _hear(self, timeout_s: float | None) -> bytes:
        reply = super()._hear(timeout_s)
        self._device.answer = reply + TERMINATOR
        self._visa.receive(_TIMEOUT_S)
        return reply  # where a reply ends, such as a block that was cut off, was for the line of then to say
