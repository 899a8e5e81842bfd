"""Where a driver is looked at: lines to instruments, what was exchanged, and values that are safe to ask for there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from drivers.messages import Exchange, Messages
from drivers.scpi_instrument import ScpiInstrument
from drivers.timing import Clock


@dataclass(frozen=True, slots=True)
class Values:
    """What the suites ask for. The defaults are gentle enough for a bench with a unit on it (ours, no source).

    Attributes:
        ceiling_dbm, level_dbm: Ceiling and level of a tone source.
        protection: Over-voltage in V and over-current in A of a supply.
        voltage_v, current_limit_a: Output of a supply.
        current_a: Between which its current must lie with the output on, A.
        regulations: How a supply may regulate with the output on: at a low limit whatever hangs on it may need more.
        ramp_k_per_min, lowest_c, highest_c, idle_c: Of a chamber.
        target_c, away_c: Two temperatures of a chamber, the second away from idle.
        room_c: Between which a chamber and a board at rest are, °C.
        routes: Two or more routes of a switch.
        ports: Ports of a digital port, each with a word that it can hold.
        bandwidth_hz, points: Of a sweep of a spectrum analyzer.
        attenuations_db: Two attenuations of a spectrum analyzer, and its highest.
        rounding: Relative difference to which a bandwidth or a number of points may be rounded.
        knows_completion: Whether ``*CLS;*OPC?`` means something to the instrument.
        has_error_queue: Whether the instrument has one, as far as the bench says.
        refusals: Numbers with which a setting that is out of range may be refused; empty for any.
    """

    ceiling_dbm: float = -30.0
    level_dbm: float = -50.0
    protection: tuple[float, float] = (1.5, 0.06)
    voltage_v: float = 1.0
    current_limit_a: float = 0.05
    current_a: tuple[float, float] = (-0.005, 0.055)
    regulations: tuple[str, ...] = ("voltage", "current")
    ramp_k_per_min: float = 1.0
    lowest_c: float = 15.0
    highest_c: float = 35.0
    idle_c: float = 25.0
    target_c: float = 24.0
    away_c: float = 27.0
    room_c: tuple[float, float] = (10.0, 40.0)
    routes: tuple[int, ...] = ()
    ports: dict[int, int] = field(default_factory=dict)
    bandwidth_hz: float = 1000.0
    points: int = 20
    attenuations_db: tuple[float, float, float] = (10.0, 20.0, 40.0)
    rounding: float = 1.0
    knows_completion: bool = True
    has_error_queue: bool = True
    refusals: frozenset[int] = frozenset()


class Station:
    """Instruments with the messages to them, and all that was exchanged.

    Args:
        clock: Clock of the messages.
        messages_to: Makes new messages to a place, noting each exchange through the hook that it is given.
        driver_of: Makes the driver of a place; it takes the messages only if it speaks through them.
        values: What may be asked for.
        may_switch_on: Whether outputs may be switched on, lines raised and the chamber started.
    """

    def __init__(
        self,
        clock: Clock,
        messages_to: Callable[[str, Callable[[Exchange], None]], Messages],
        driver_of: Callable[[str, Callable[[], Messages]], Any],
        values: Values,
        *,
        may_switch_on: bool,
    ) -> None:
        self.clock = clock
        self.values = values
        self.may_switch_on = may_switch_on
        self.exchanges: list[Exchange] = []
        self._messages_to = messages_to
        self._driver_of = driver_of
        self._messages: dict[str, Messages] = {}

    def messages(self, place: str) -> Messages:
        """Messages to a place: one line for a test, shared by all that it makes there."""
        if place not in self._messages:
            self._messages[place] = self._messages_to(place, self.exchanges.append)
        return self._messages[place]

    def driver(self, place: str) -> Any:
        """Make the driver of a place anew; sends nothing."""
        return self._driver_of(place, lambda: self.messages(place))

    def speaks_scpi(self, driver: object) -> bool:
        """Whether a driver is one of this project's, so that its messages and its error queue are known."""
        return isinstance(driver, ScpiInstrument)
