"""Bytes as text that people read and that loses nothing."""

from __future__ import annotations

import re

_PLAIN = {0x5C: "\\\\", 0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t"}
_ESCAPE = re.compile(r"\\(\\|n|r|t|x[0-9a-f]{2})")
_ESCAPED = {"\\": "\\", "n": "\n", "r": "\r", "t": "\t"}


def printable(data: bytes) -> str:
    """Bytes as text of printable ASCII, from which ``from_printable`` makes them again."""
    return "".join(_PLAIN.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}") for byte in data)


def from_printable(text: str) -> bytes:
    """Inverse of ``printable``. Raises ValueError for text that it does not make."""
    plain = _ESCAPE.sub("", text)
    if "\\" in plain or not plain.isascii():
        raise ValueError(f"{text[:40]!r} is not as this form writes bytes")
    return _ESCAPE.sub(lambda found: _byte(found[1]), text).encode("latin-1")


def _byte(escape: str) -> str:
    return _ESCAPED.get(escape) or chr(int(escape[1:], 16))
