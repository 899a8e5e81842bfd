"""What all SCPI drivers do alike: identify, drain the error queue, and set with a read-back."""

from __future__ import annotations

from functools import partial

from drivers import scpi_text
from drivers.messages import Messages
from drivers.roles import Identity, QueueEntry


class ScpiInstrument:
    """An instrument that speaks SCPI.

    Every header is sent from the root (``:`` or ``*``) and one command per message, so that no header depends on the
    one before (SCPI-1999 Vol 1, 6.2.4). Numbers go in base units without a suffix.

    Args:
        messages: Line to the instrument.
    """

    def __init__(self, messages: Messages) -> None:
        self._messages = messages

    def identify(self) -> Identity:
        """Ask who the instrument is, and read its event register so that a later restart shows."""
        return Identity(*self._messages.read("*IDN?", scpi_text.parse_identity, self._messages.meet()))

    def drain_errors(self) -> tuple[QueueEntry, ...]:
        """Read the error queue until it is empty and return what was in it, oldest first.

        Raises LinkLost if the instrument has restarted: it may hold other settings, and an empty queue says nothing.
        """
        self._messages.check_running()
        return self._messages.drain_errors()

    def _ask_number(self, query: str, unit: scpi_text.Unit | None = None, timeout_s: float | None = None) -> float:
        """Ask for a number in its base unit, which a reply may name though the standard has none there.

        For questions that change nothing: asked once more if no reply comes.
        """
        reply = self._messages.ask(query, timeout_s, repeatable=True)
        return self._messages.read(query, partial(scpi_text.parse_number, unit=unit), reply)

    def _set_number(self, header: str, value: float, within: float, unit: scpi_text.Unit | None = None) -> float:
        """Set a number, read it back and return it; Refused if it is further off than ``within``.

        Instruments round, which is no error (IEEE 488.2, 7.7.2), and some clamp instead of refusing with -222.
        """
        command = f"{header} {scpi_text.format_number(value)}"
        self._messages.tell(command)
        held = self._ask_number(f"{header}?", unit)
        if abs(held - value) > within:
            self._messages.check(command)
            raise self._messages.not_taken(f"it holds {held:.9g} instead of {value:.9g}", command)
        return held

    def _set_boolean(self, header: str, *, on: bool) -> None:
        """Switch something, read it back; Refused if it did not switch."""
        command = f"{header} {scpi_text.format_boolean(on=on)}"
        self._messages.tell(command)
        if self._messages.ask_boolean(f"{header}?", repeatable=True) is not on:
            self._messages.check(command)
            raise self._messages.not_taken(f"it is {'off' if on else 'on'} still", command)

    def _set_celsius(self) -> None:
        """Count temperatures in °C: UNIT:TEMPerature takes C, CEL, F, FAR and K (SCPI-1999, from memory)."""
        self._set_word(":UNIT:TEMP", "C", "CEL")

    def _set_word(self, header: str, word: str, *synonyms: str) -> None:
        """Set a keyword and read it back.

        Args:
            header: Header of the command.
            word: As SCPI writes keywords: ``NORMal`` is sent as ``NORM``. A reply holds the short form (Vol 1, 6.2.1);
                the long one is met and taken. Nothing between: ``DBMV`` is not ``DBM``.
            synonyms: Other words of the standard for the same.
        """
        short = "".join(letter for letter in word if not letter.islower())
        command = f"{header} {short}"
        self._messages.tell(command)
        held = self._messages.ask(f"{header}?", repeatable=True)
        if held.upper() not in (short, word.upper(), *synonyms):
            self._messages.check(command)
            raise self._messages.not_taken(f"it holds {held} instead of {short}", command)
