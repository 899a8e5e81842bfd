"""What the instruments behind the front ends have in common: a clock to be busy on, and quiet condition registers."""

from __future__ import annotations

from abc import ABC, abstractmethod

from drivers.simulated.rig import Rig


class RigDevice(ABC):
    """Base of the simulated instruments; not busy and with nothing to report unless a role says so."""

    def __init__(self, rig: Rig, place: str) -> None:
        self._rig = rig
        self._place = place
        self._busy_until_s = 0.0

    def busy_until_s(self) -> float:
        """Clock time at which the operation under way is done."""
        return self._busy_until_s

    @abstractmethod
    def reset(self) -> None:
        """``*RST``: settings to their known state."""

    def restart(self) -> None:
        """Power off and on again: what ``*RST`` leaves alone is lost too, where an instrument has such a thing."""
        self.reset()

    def questionable(self) -> int:
        """No bit of STATus:QUEStionable is set."""
        return 0

    def operation(self) -> int:
        """No bit of STATus:OPERation is set."""
        return 0

    def _is_busy(self) -> bool:
        return self._busy_until_s > self._rig.clock.elapsed_s()
