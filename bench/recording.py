"""Every exchange of a run, kept until the next commit takes it to the store."""

from __future__ import annotations

from drivers.messages import Exchange


class ExchangeLog:
    """Hook for the message layer: notes exchanges in order and hands them over once."""

    def __init__(self) -> None:
        self._exchanges: list[Exchange] = []

    def note(self, exchange: Exchange) -> None:
        """Keep one exchange."""
        self._exchanges.append(exchange)

    def take(self) -> list[Exchange]:
        """Exchanges since the last call, oldest first."""
        taken = self._exchanges[:]
        self._exchanges.clear()
        return taken
