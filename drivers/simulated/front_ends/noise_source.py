"""Command table of the simulated noise source: OUTPut."""

from __future__ import annotations

from drivers.simulated.front_end import boolean
from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command, setting
from drivers.simulated.parameters import Boolean


class NoiseSource(RigDevice):
    """A noise diode that is on or off."""

    model = "NOISE-SOURCE"

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        return (setting(":OUTPut[:STATe]", Boolean(), self._switch, lambda: boolean(on=self._rig.noise_on)),)

    def reset(self) -> None:
        """Noise off."""
        self._switch(on=False)

    def _switch(self, on: bool) -> None:
        if on is not self._rig.noise_on:
            self._rig.note(self._place, "noise on" if on else "noise off")
        self._rig.noise_on = on
