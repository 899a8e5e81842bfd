"""Command table of the simulated digital output port: SOURce:DIGital:DATA<port>.

There is no single dialect for digital lines; this one is practice and not known to be in SCPI-1999. ``*RST`` does not
move the lines, as is often so: a held enable line stays on.
"""

from __future__ import annotations

from drivers.simulated.front_ends.base import RigDevice
from drivers.simulated.headers import Command
from drivers.simulated.parameters import Number
from drivers.simulated.rig import Rig

#: Lines of one port.
_LINES = 8


class DigitalPort(RigDevice):
    """Output lines in numbered ports."""

    model = "DIGITAL-PORT"

    def __init__(self, rig: Rig, place: str, ports: tuple[int, ...]) -> None:
        super().__init__(rig, place)
        self._ports = ports

    def commands(self) -> tuple[Command, ...]:
        """Command table."""
        word = Number(lambda: (0.0, 2.0**_LINES - 1), {}, whole=True)
        return (Command("[:SOURce]:DIGital:DATA#", self._write, self._word, takes=(word,), suffixes=self._ports),)

    def reset(self) -> None:
        """Nothing moves."""

    def restart(self) -> None:
        """All lines low, as after switching on."""
        for port in self._ports:
            self._write(port, 0)

    def _write(self, port: int, word: float) -> None:
        before = self._rig.mode_word
        self._rig.put_lines(port, int(word))
        if self._rig.mode_word != before:
            self._rig.note(self._place, f"mode word {self._rig.mode_word}")

    def _word(self, port: int) -> str:
        return str(self._rig.lines.get(port, 0))
