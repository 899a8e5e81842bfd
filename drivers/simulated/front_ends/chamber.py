"""Command table of the simulated chamber: SOURce:TEMPerature, OUTPut, MEASure:TEMPerature?.

Apart from OUTPut and MEASure all of it is practice, met in temperature controllers, and not known to be in SCPI-1999.
"""

from __future__ import annotations

from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Channels, Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.rig_setup import ChamberSetup
from drivers.simulated.status import ScpiError

_TEMPERATURE = 16
_SLOWEST_K_PER_MIN = 0.01


class Chamber(RigDevice):
    """A chamber with a ramp rate and two limits of its own that stop heating and cooling."""

    model = "CHAMBER"

    def __init__(self, rig: Rig, place: str, setup: ChamberSetup) -> None:
        super().__init__(rig, place)
        self._setup = setup
        self._target_c = rig.setup.room_c
        self._ramp_k_per_min = setup.ramp_k_per_min
        self._lowest_c = setup.lowest_c
        self._highest_c = setup.highest_c
        self._tripped = False

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        setup, celsius = self._setup, suffixes("CEL")
        sensors = frozenset({1, 2} if setup.second_sensor else {1})
        target = Number(lambda: (self._lowest_c, self._highest_c), celsius)
        low = Number(lambda: (setup.lowest_c, self._highest_c), celsius, default=setup.lowest_c)
        high = Number(lambda: (self._lowest_c, setup.highest_c), celsius, default=setup.highest_c)
        ramp = Number(lambda: (_SLOWEST_K_PER_MIN, setup.ramp_k_per_min), {}, default=setup.ramp_k_per_min)
        return (
            setting("[:SOURce]:TEMPerature[:SPOint]", target, self._set_target, lambda: nr3(self._target_c)),
            setting("[:SOURce]:TEMPerature:RAMP[:RATE]", ramp, self._set_ramp, lambda: nr3(self._ramp_k_per_min)),
            setting("[:SOURce]:TEMPerature:PROTection:LOW[:LEVel]", low, self._set_lowest, lambda: nr3(self._lowest_c)),
            setting(
                "[:SOURce]:TEMPerature:PROTection[:HIGH][:LEVel]",
                high,
                self._set_highest,
                lambda: nr3(self._highest_c),
            ),
            Command("[:SOURce]:TEMPerature:PROTection:TRIPped", ask=self._has_tripped),
            Command("[:SOURce]:TEMPerature:PROTection:CLEar", self._clear),
            Command(":UNIT:TEMPerature", lambda _: None, lambda: "C", takes=(Keyword(("C", "CEL")),)),
            setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._is_conditioning())),
            Command(":MEASure[:SCALar]:TEMPerature", ask=self._measure, asks=(Channels(sensors),), optional=1),
        )

    def reset(self) -> None:
        """Conditioning off; set point, ramp and limits as at power-up."""
        self._switch(on=False)
        self._lowest_c, self._highest_c = self._setup.lowest_c, self._setup.highest_c
        self._set_ramp(self._setup.ramp_k_per_min)
        self._set_target(self._rig.setup.room_c)

    def questionable(self) -> int:
        """Bit 4, temperature: the air is beyond a limit, and heating and cooling have stopped for it."""
        air_c = self._air_c()
        return 0 if self._lowest_c <= air_c <= self._highest_c else _TEMPERATURE

    def _set_target(self, target_c: float) -> None:
        if target_c != self._target_c:
            self._rig.note(self._place, f"target {target_c:g} °C")
        self._rig.advance()
        self._target_c = target_c
        self._rig.thermal.set_target_c(target_c)

    def _set_ramp(self, rate_k_per_min: float) -> None:
        self._rig.advance()
        self._ramp_k_per_min = rate_k_per_min
        self._rig.thermal.set_ramp_k_per_s(rate_k_per_min / 60)

    def _set_lowest(self, lowest_c: float) -> None:
        self._lowest_c = lowest_c

    def _set_highest(self, highest_c: float) -> None:
        self._highest_c = highest_c

    def _switch(self, on: bool) -> None:
        """Conditioning on or off; on is refused while a trip is latched."""
        if on and self._tripped:
            raise ScpiError(-221)
        self._rig.advance()
        if on is not self._rig.thermal.is_conditioning:
            self._rig.note(self._place, "conditioning on" if on else "conditioning off")
        self._rig.thermal.switch_conditioning(on=on)

    def _measure(self, sensors: tuple[int, ...] = (1,)) -> str:
        """Air, and at the second sensor the board as it is: its error lies within what a board thermometer has."""
        air_c = self._air_c()
        return ",".join(nr3(air_c if sensor == 1 else self._rig.thermal.board_c) for sensor in sensors)

    def _has_tripped(self) -> str:
        self._air_c()
        return boolean(on=self._tripped)

    def _clear(self) -> None:
        self._tripped = False

    def _is_conditioning(self) -> bool:
        self._air_c()
        return self._rig.thermal.is_conditioning

    def _air_c(self) -> float:
        """Air as the chamber's sensor has it; beyond a limit it stops heating and cooling when it notices."""
        self._rig.advance()
        air_c = self._rig.thermal.indicated_air_c
        if self._rig.thermal.is_conditioning and not self._lowest_c <= air_c <= self._highest_c:
            self._tripped = True
            self._switch(on=False)
        return air_c
