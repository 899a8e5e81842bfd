"""Which files a report rests on: as it names them, so that two reports can be told apart for ever."""

from __future__ import annotations

from dataclasses import dataclass

#: Digits of a fingerprint that people are shown. Ours: two files of one project never share so many by chance.
SHOWN_DIGITS = 16


@dataclass(frozen=True, slots=True)
class InputFile:
    """A file that a run is derived with.

    Attributes:
        kind: What it is: ``part file``.
        name: Its name.
        fingerprint: SHA-256 of its text, hexadecimal.
        is_own: Whether it is the one that the run was begun with.
    """

    kind: str
    name: str
    fingerprint: str
    is_own: bool

    @property
    def text(self) -> str:
        """``part file virga-2.part.toml (SHA-256 3f2a…)``."""
        return f"{self.kind} {self.name} (SHA-256 {self.fingerprint[:SHOWN_DIGITS]}…)"


def inputs_text(inputs: tuple[InputFile, ...]) -> str:
    """All files in one sentence; empty if they are not known."""
    return f"Derived with {', '.join(one.text for one in inputs)}." if inputs else ""
