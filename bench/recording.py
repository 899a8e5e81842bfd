"""Every exchange of a run, kept until the next commit takes it to the store."""

from __future__ import annotations

from collections.abc import Callable

from drivers.messages import Exchange


class ExchangeLog:
    """Hook for the message layer: notes exchanges in order and hands them over once."""

    def __init__(self) -> None:
        self._exchanges: list[Exchange] = []
        self._heard: Callable[[], None] | None = None

    def heard_by(self, hear: Callable[[], None]) -> None:
        """Have ``hear`` called after each exchange; what it raises goes through the driver to whoever asked."""
        self._heard = hear

    def note(self, exchange: Exchange) -> None:
        """Keep one exchange."""
        self._exchanges.append(exchange)
        if self._heard is not None:
            self._heard()

    def take(self) -> list[Exchange]:
        """Exchanges since the last call, oldest first."""
        taken = self._exchanges[:]
        self._exchanges.clear()
        return taken
