"""``[dry_out]`` of a bench file: how the chamber comes back to the room's temperature at the end of a run."""

from __future__ import annotations

from typing import Final

from pydantic import Field

from sequences.part_file import FileModel
from sequences.path_entries import NonNegative

DRY_OUT_C: Final = 40.0
"""Temperature of a dry-out that no file states, unless a rating is near. Ours: well above any room, and still below
what burns when it is held on to."""


class DryOutEntry(FileModel):
    """``[dry_out]``: what has been colder than the room's dew point and ``margin_k`` is dried before it is said that
    the chamber may be opened.

    It is held at ``temperature_c`` for ``hold_s``, with RF and bias off; how long water takes to go is not known in
    general (our choice: a quarter of an hour). Then the chamber goes to its idle temperature. With ``wanted = false`` a
    run ends as soon as the chamber has been sent to idle, for a chamber that nobody opens: it is then never said that
    the chamber is safe to open.
    """

    wanted: bool = True
    temperature_c: float | None = None
    hold_s: NonNegative = 900.0
    margin_k: float = Field(default=5.0, ge=1, le=30)
