"""A front end for links that push responses, such as a raw socket: many lines, and nothing that stops the others.

What waits for a sweep is held until the clock has come so far by itself: ``ready`` is asked again at ``waits_until_s``.
"""

from __future__ import annotations

from drivers.simulated.front_end import FoundHeader, FrontEnd


class ServedFrontEnd(FrontEnd):
    """One line to an instrument; the first is made like any front end, further ones by ``another``."""

    def another(self) -> ServedFrontEnd:
        """Another line to the same instrument: settings, queue and registers are shared, input and output are not."""
        return ServedFrontEnd(self._device, self._clock, self._serial, self._latency_s, self._status)

    def ready(self) -> bytes | None:
        """The response if it is complete by now, whole and with its NL; None when none is, or none is due."""
        while self._held:
            if self._is_busy():
                return None
            self._go_on()
        return self._take_response() if self._parts else None

    def waits_until_s(self) -> float | None:
        """Clock time at which ``ready`` is worth asking again; None when nothing is held."""
        return self._device.busy_until_s() if self._held else None

    def holds_input(self) -> bool:
        """Whether ``*WAI`` holds back what follows it, in this message and in later ones."""
        return bool(self._held) and self._held[0].strip().upper() == "*WAI"

    def restart(self) -> None:
        """Power off and on again: settings and queue are lost, the power-on event is set."""
        self._device.restart()
        self._status.restart()

    def enter_error(self, number: int) -> None:
        """Put an error into the instrument's queue."""
        self._status.enter(number)

    def _holds(self, header: FoundHeader) -> bool:
        return (header.is_query or header.command.header == "*WAI") and self._is_busy()
