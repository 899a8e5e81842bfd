"""Command table of the simulated relay switch: ROUTe:CLOSe, CLOSe?, OPEN, OPEN:ALL.

Relays close one by one and do not open each other; three-digit channel numbers are practice and not standard.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.simulated.front_end import boolean
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command
from drivers.simulated.parameters import Channels
from drivers.simulated.rig import Rig


class Switch(RigDevice):
    """Relays that choose a load or a channel.

    Args:
        rig: The bench.
        place: Which switch it is.
        closed: Relays that are closed; the rig's own set.
        routes: What each relay leads to, for the journal.
    """

    model = "SWITCH"

    def __init__(self, rig: Rig, place: str, closed: set[int], routes: Mapping[int, object]) -> None:
        super().__init__(rig, place)
        self._closed = closed
        self._routes = routes

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        channels = (Channels(frozenset(self._routes)),)
        return (
            Command("[:ROUTe]:CLOSe", self._close, self._states, takes=channels, asks=channels),
            Command("[:ROUTe]:OPEN", self._open, takes=channels),
            Command("[:ROUTe]:OPEN:ALL", self.reset),
        )

    def reset(self) -> None:
        """Open all relays."""
        if self._closed:
            self._rig.note(self._place, "all open")
        self._closed.clear()

    def _close(self, channels: tuple[int, ...]) -> None:
        for channel in channels:
            if channel not in self._closed:
                self._rig.note(self._place, f"{self._routes[channel]} closed")
        self._closed.update(channels)
        self._rig.check_input()

    def _open(self, channels: tuple[int, ...]) -> None:
        for channel in channels:
            if channel in self._closed:
                self._rig.note(self._place, f"{self._routes[channel]} open")
        self._closed.difference_update(channels)

    def _states(self, channels: tuple[int, ...]) -> str:
        return ",".join(boolean(on=channel in self._closed) for channel in channels)
