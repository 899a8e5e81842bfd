"""What a run rests on, compared when it is resumed: files, unit and calibration dates, as they were and as they are.

A run goes on with the texts that it keeps, whatever the files say now: one run has one part, one bench and one
sequence, or its readings would not belong together. So a change is either taken back, accepted with a note in the run's
record, or the reason to begin a new run.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from itertools import zip_longest
from pathlib import Path
from typing import Any

from bench.errors import Changed
from bench.store.records import FileText, RunLine, RunTexts
from sequences.bench_file import Bench
from sequences.errors import FileFaults
from sequences.read_files import fingerprints_of

#: Lines of a data file that are shown when it has changed.
_SHOWN_LINES = 3

_SHOWN_DIGITS = 12

#: End of the name under which a run keeps the fingerprints of a folder.
FOLDER = "/"

_ABSENT = "nothing"


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is not as it was.

    Attributes:
        what: File, or what else it is.
        key: Key of the file with its table, or line of a data file.
        was, now: Before the break, and now; "nothing" where there was or is none.
    """

    what: str
    key: str
    was: str
    now: str

    def __str__(self) -> str:
        return f"{self.what}: {self.key} was {self.was}, is {self.now}"


@dataclass(frozen=True, slots=True)
class Compared:
    """What a comparison came to, once somebody has accepted every change.

    Attributes:
        changes: What has changed.
        text: Which files were compared and which could not be.
    """

    changes: tuple[Change, ...]
    text: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a resumed run is compared with.

    Attributes:
        files: File to compare with by kind (part, bench, sequence); one that is not named is looked for where it lay.
        unit: Serial that is on the bench; None if nobody said.
        accept: Whether a change may stand.
        recheck: How many earlier conditions are measured once more; None for what the sequence says.
    """

    files: Mapping[str, Path] | None = None
    unit: str | None = None
    accept: bool = False
    recheck: int | None = None

    def accepted(self, line: RunLine, texts: RunTexts, bench: Bench, today: date) -> Compared:
        """Compare. Raises Changed for what nobody has accepted, and for another unit in any case."""
        if self.unit is not None and self.unit != line.unit:
            another = Change("unit", "serial", line.unit, self.unit)
            raise Changed(line.id, (str(another),), acceptable=False)
        changes = list(_calibrations(bench, line.began.date(), today))
        changes += driver_changes(texts.attachments)
        same: list[str] = []
        missing: list[str] = []
        for kind, kept in (("part", texts.part), ("bench", texts.bench), ("sequence", texts.sequence)):
            path = self._path(kind, kept)
            if path is None:
                continue
            text = _text(path)
            if text is None:
                missing.append(str(path))
                continue
            found = list(_file_changes(f"{kind} {path.name}", kept.text, text))
            if kind == "bench":
                found += _attachment_changes(texts.attachments, path.parent, missing)
            changes += found
            same += [] if found else [path.name]
        if changes and not self.accept:
            raise Changed(line.id, tuple(map(str, changes)))
        return Compared(tuple(changes), _text_of(same, missing))

    def _path(self, kind: str, kept: FileText) -> Path | None:
        if self.files is None:
            return None
        if kind in self.files:
            return self.files[kind]
        return Path(kept.folder) / kept.name if kept.folder else Path(kept.name)


def _text_of(same: list[str], missing: list[str]) -> str:
    said = [f"as when the run began: {', '.join(same)}"] if same else []
    said += [f"not there any more, so that the run's own copy stands alone: {', '.join(missing)}"] if missing else []
    return "; ".join(said) or "no file was compared"


def _text(path: Path) -> str | None:
    try:
        return path.read_text("utf-8-sig", "replace")
    except OSError:
        return None


def _file_changes(what: str, before: str, after: str) -> Iterator[Change]:
    """Keys whose values differ; words and order that mean the same are no change."""
    if before == after:
        return
    try:
        was, now = _flat(tomllib.loads(before)), _flat(tomllib.loads(after))
    except tomllib.TOMLDecodeError as error:
        yield Change(what, "the whole file", "readable", f"not: {error}")
        return
    for key in dict.fromkeys((*was, *now)):
        old, new = was.get(key, _ABSENT), now.get(key, _ABSENT)
        if old != new:
            yield Change(what, key, old, new)


def _flat(table: Mapping[str, Any], above: str = "") -> dict[str, str]:
    """Every value by its key with its tables; entries of a list of tables are numbered from 1."""
    flat: dict[str, str] = {}
    for key, value in table.items():
        name = f"{above}{key}"
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{name}.")
        elif isinstance(value, list) and value and all(isinstance(item, Mapping) for item in value):
            for number, item in enumerate(value, 1):
                flat |= _flat(item, f"{name}[{number}].")
        else:
            flat[name] = _shown(value)
    return flat


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, (int, float)):
        return f"{value:.12g}"  # 25 and 25.0 are the same number
    if isinstance(value, list):
        return f"[{', '.join(map(_shown, value))}]"
    return f'"{value}"' if isinstance(value, str) else str(value)


def _attachment_changes(kept: Mapping[str, str], folder: Path, missing: list[str]) -> Iterator[Change]:
    """Data files that the bench file names: path losses, two-ports, tables of deviations and registers."""
    for name, before in kept.items():
        if name.endswith(FOLDER):
            continue  # where it lies is another question; see ``driver_changes``
        after = _text(folder / name)
        if after is None:
            missing.append(str(folder / name))
        elif after.splitlines() != before.splitlines():
            yield from _line_changes(name, before.splitlines(), after.splitlines())


def driver_changes(kept: Mapping[str, str], beside: Path | None = None) -> Iterator[Change]:
    """Files of a folder of own drivers, by their fingerprints; it is looked for from the current folder, as it is used.

    Or from the folder ``beside``.

    A run of an earlier version has kept none.
    """
    for name, before in kept.items():
        if not name.endswith(FOLDER):
            continue
        try:
            was, now = _fingerprints(before), _fingerprints(fingerprints_of((beside or Path()) / name))
        except FileFaults as faults:
            yield Change(name, "the folder", "readable", str(faults))
            continue
        for file in sorted(was.keys() | now.keys()):
            if was.get(file) != now.get(file):
                yield Change(f"drivers {name}", file, *(each.get(file, _ABSENT) for each in (was, now)))


def _fingerprints(text: str) -> dict[str, str]:
    """The beginning of each file's fingerprint, enough for a person to tell two apart, by its path."""
    return {file: digest[:_SHOWN_DIGITS] for digest, _, file in (line.partition("  ") for line in text.splitlines())}


def _line_changes(name: str, before: list[str], after: list[str]) -> Iterator[Change]:
    differing = [
        (number, old, new)
        for number, (old, new) in enumerate(zip_longest(before, after, fillvalue=None), 1)
        if old != new
    ]
    for number, old, new in differing[:_SHOWN_LINES]:
        yield Change(name, f"line {number}", *(_ABSENT if text is None else f'"{text}"' for text in (old, new)))
    if len(differing) > _SHOWN_LINES:
        more = len(differing) - _SHOWN_LINES
        yield Change(name, "the rest", f"{len(before)} lines in all", f"{len(after)} lines in all, {more} more differ")


def _calibrations(bench: Bench, began: date, today: date) -> Iterator[Change]:
    """Calibrations that have ended during the break."""
    for place, entry in bench.instrument.present.items():
        due = entry.calibration_due
        if due is not None and began <= due < today:
            yield Change("calibration", place, f"valid until {due.isoformat()}", f"past due on {today.isoformat()}")
