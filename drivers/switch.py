"""Relay switch by SCPI: ROUTe:CLOSe, ROUTe:CLOSe? and ROUTe:OPEN:ALL are in SCPI-1999 (from memory).

Practice and not standard: three-digit channel numbers such as ``(@101)``.
"""

from __future__ import annotations

from drivers import scpi_text
from drivers.messages import Messages
from drivers.scpi_instrument import ScpiInstrument


class ScpiSwitch(ScpiInstrument):
    """A relay matrix; a route is a channel number of its list. Never switch with RF on."""

    def __init__(self, messages: Messages) -> None:
        super().__init__(messages)
        self._known: list[int] = []

    def select(self, route: int) -> None:
        """Open every route, close this one, and read back all that have been selected so far.

        Raises:
            NotUnderstood: This relay did not close, or one of the others is stuck.
            Refused: There is no such route.
        """
        command = f":ROUT:CLOS {scpi_text.format_channel_list([route])}"
        self._messages.tell(":ROUT:OPEN:ALL")
        self._messages.tell(command)
        if route not in self._known:
            self._messages.check(command)  # before asking for its state: there would be no reply if it does not exist
            self._known.append(route)
        closed = self.selected()
        if closed != (route,):
            self._messages.check(command)
            raise self._messages.wrong(f"route {route} selected, but closed are {closed or 'none'}", command)

    def selected(self) -> tuple[int, ...]:
        """Routes that are closed now, of those that this driver has selected."""
        return self.closed_of(tuple(self._known))

    def closed_of(self, routes: tuple[int, ...]) -> tuple[int, ...]:
        """Which of these routes are closed now, whoever has closed them."""
        if not routes:
            return ()
        query = f":ROUT:CLOS? {scpi_text.format_channel_list(routes)}"
        states = self._messages.read(query, scpi_text.parse_booleans, self._messages.ask(query, repeatable=True))
        if len(states) != len(routes):
            raise self._messages.wrong(f"{len(states)} states for {len(routes)} routes", query)
        return tuple(route for route, closed in zip(routes, states, strict=True) if closed)

    def make_safe(self) -> None:
        """Nothing to do: opening a route would leave the unit's output without its load while it is still biased."""
