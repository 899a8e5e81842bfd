"""Command table of the simulated tone source: OUTPut, SOURce:FREQuency, SOURce:POWer, UNIT:POWer."""

from __future__ import annotations

from drivers.simulated.front_end import boolean, nr3
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean, Keyword, Number, suffixes
from drivers.simulated.rig import Rig
from drivers.simulated.tone import LEVEL_STEP_DB

_LOWEST_DBM = -120.0
_LOWEST_HZ, _HIGHEST_HZ = 1e5, 3e9
_UNLEVELLED = 8
_RESET_LEVEL_DBM = -60.0
_RESET_HZ = 60e6


class ToneSource(RigDevice):
    """A signal generator whose level is refused above a limit that can be set."""

    model = "TONE-SOURCE"

    def __init__(self, rig: Rig, place: str) -> None:
        super().__init__(rig, place)
        self._tone = rig.tones[place]
        self._ceiling_dbm = self._tone.setup.highest_level_dbm
        self._reference = "INT"

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        highest = self._tone.setup.highest_level_dbm
        frequency = Number(lambda: (_LOWEST_HZ, _HIGHEST_HZ), suffixes("HZ"), default=_RESET_HZ)
        level = Number(lambda: (_LOWEST_DBM, self._ceiling_dbm), suffixes("DBM"), default=_RESET_LEVEL_DBM)
        ceiling = Number(lambda: (_LOWEST_DBM, highest), suffixes("DBM"), default=highest)
        return (
            setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._tone.on)),
            setting(
                "[:SOURce]:FREQuency[:CW|:FIXed]", frequency, self._set_frequency, lambda: nr3(self._tone.frequency_hz)
            ),
            Command("[:SOURce]:FREQuency:MODE", lambda _: None, lambda: "CW", takes=(Keyword(("CW", "FIXed")),)),
            setting(
                "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
                level,
                self._set_level,
                lambda: nr3(self._tone.level_dbm),
            ),
            setting("[:SOURce]:POWer:LIMit[:AMPLitude]", ceiling, self._set_ceiling, lambda: nr3(self._ceiling_dbm)),
            Command(":UNIT:POWer", lambda _: None, lambda: "DBM", takes=(Keyword(("DBM",)),)),
            setting(
                "[:SOURce]:ROSCillator:SOURce",
                Keyword(("INTernal", "EXTernal")),
                self._set_reference,
                lambda: self._reference,
            ),
        )

    def questionable(self) -> int:
        """Bit 3, power: the output does not reach the level that is set."""
        return _UNLEVELLED if self._tone.is_unlevelled else 0

    def reset(self) -> None:
        """Output off, lowest sensible level, no limit of its own."""
        self._switch(on=False)
        self._ceiling_dbm = self._tone.setup.highest_level_dbm
        self._tone.level_dbm = _RESET_LEVEL_DBM
        self._tone.frequency_hz = _RESET_HZ
        self._reference = "INT"

    def _switch(self, on: bool) -> None:
        if on is not self._tone.on:
            self._rig.note(self._place, "rf on" if on else "rf off")
        self._tone.on = on
        self._rig.check_input()

    def _set_frequency(self, frequency_hz: float) -> None:
        self._tone.frequency_hz = round(frequency_hz, 2)
        self._rig.check_input()  # at the new frequency the input path may lose less

    def _set_level(self, level_dbm: float) -> None:
        steps = round(level_dbm / LEVEL_STEP_DB)
        self._tone.level_dbm = round(steps * LEVEL_STEP_DB, 2)
        self._rig.check_input()

    def _set_ceiling(self, ceiling_dbm: float) -> None:
        """A ceiling below the present level lowers the level too, so that the limit holds at once."""
        self._ceiling_dbm = ceiling_dbm
        self._tone.level_dbm = min(self._tone.level_dbm, ceiling_dbm)

    def _set_reference(self, source: str) -> None:
        self._reference = source
