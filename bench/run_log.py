"""The log of a run: one plain line for each thing that happens, in a file beside the store.

Each line is on its way to the disk before the run goes on, so a run that dies leaves its log up to the last event. The
log never disturbs a run: a disk that takes no more ends the log, not the night.
"""

from __future__ import annotations

import contextlib
import math
from datetime import datetime
from pathlib import Path
from typing import TextIO

from bench.events import Event, Facts
from sequences.units import plain_number, split_key


def log_path(store_file: Path | None, run: str) -> Path:
    """Where the log of a run lies: in a folder beside the store's file, or in the current one for other databases."""
    if store_file is None:
        return Path("nightbench-logs") / f"{run}.log"
    return store_file.with_name(f"{store_file.stem}-logs") / f"{run}.log"


def facts_text(facts: Facts) -> str:
    """Values of an event for people: ``attempt 1, drift -0.0357 K/min``; in JSON they have all their digits."""
    return ", ".join(_fact_text(name, value) for name, value in facts.items())


def one_line(text: str) -> str:
    """The text as one line that can be printed, whatever an instrument has put into it."""
    parts = [part for line in text.splitlines() if (part := line.strip())]
    # Behind a full stop or a colon a line goes on; other lines are items of a list.
    gaps = ["", *(" " if part.endswith((".", ":")) else "; " for part in parts)]
    joined = "".join(gap + part for gap, part in zip(gaps, parts, strict=False))
    return "".join(sign if sign.isprintable() else "?" for sign in joined)


def _fact_text(name: str, value: float | str | bool) -> str:
    """Name without its unit, value with it."""
    if isinstance(value, bool):
        return f"{name.replace('_', ' ')} {'yes' if value else 'no'}"
    if isinstance(value, str):
        return f"{name.replace('_', ' ')} {value}"
    stem, unit = split_key(name)
    number = plain_number(value) if math.isfinite(value) else str(value)
    return f"{stem.replace('_', ' ')} {number}" + (f" {unit.text}" if unit is not None else "")


class RunLog:
    """The open log of one run; a log that is there already is gone on with.

    Attributes:
        path: The file.
        problem: Why nothing more is written, empty while all is well.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.problem = ""
        self._file: TextIO | None = None
        try:
            path.parent.mkdir(exist_ok=True)
            self._file = path.open("a", encoding="utf-8", buffering=1)
        except OSError as error:
            self._give_up(error)

    def event(self, event: Event) -> None:
        """Write one event with its values."""
        values = facts_text(event.facts)
        self.line(event.at, event.kind, f"{event.text} [{values}]" if values else event.text)

    def line(self, at: datetime, kind: str, text: str) -> None:
        """Write one line; a text of several lines becomes one."""
        if self._file is None:
            return
        said = one_line(text)
        try:
            self._file.write(f"{at.strftime('%Y-%m-%dT%H:%M:%S')}Z  {kind}: {said}\n")
        except OSError as error:
            self._give_up(error)

    def close(self) -> None:
        """Close the file; closing twice is harmless."""
        if self._file is not None:
            file, self._file = self._file, None
            try:
                file.close()
            except OSError as error:
                self._give_up(error)

    def _give_up(self, error: OSError) -> None:
        self.problem = f"{self.path}: {error.strerror or error}"
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):  # it tries once more to write what it holds
                file.close()
