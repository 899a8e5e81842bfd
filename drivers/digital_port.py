"""Digital output lines by SCPI. There is no single dialect, and whether SCPI-1999 has one was not confirmed.

Practice: ``:SOURce:DIGital:DATA<port> <word>`` and its query.
"""

from __future__ import annotations

from drivers import scpi_text
from drivers.scpi_instrument import ScpiInstrument


class ScpiDigitalPort(ScpiInstrument):
    """Parallel digital output lines in numbered ports."""

    def write_word(self, port: int, word: int) -> None:
        """Put a word on a port; not read back, as a sweep does this most often of all. ``read_word`` checks."""
        self._messages.tell(f":SOUR:DIG:DATA{port} {word}")

    def read_word(self, port: int) -> int:
        """Word that stands on a port."""
        query = f":SOUR:DIG:DATA{port}?"
        return self._messages.read(query, scpi_text.parse_integer, self._messages.ask(query, repeatable=True))

    def make_safe(self) -> None:
        """Nothing to do: lines carry no energy worth removing, and a changed code would step the unit's output."""
