"""Other inputs for a derivation: a part file, a bench file, a run with a through; as read, as kept, as told.

Rule: readings stay what they are. A file that would make other readings of them is refused: other codes or channels of
the part, or a bench without the instrument that a reading came from.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.errors import BenchError
from reports.inputs import InputFile
from sequences.products import LOOKS, NOISE_HOT
from sequences.read_files import Loaded, parse_bench, parse_part, read_bench, read_part

if TYPE_CHECKING:
    from bench.store.records import RunTexts
    from reports.frames import RunFrames
    from sequences.bench_file import Bench
    from sequences.part_file import Part

#: Reading → the places it may have come from; the first that the run's bench has is the one.
_PLACES: dict[str, tuple[str, ...]] = {
    **{f"{line}_level_dbm": ("analyzer",) for line in LOOKS},
    f"{NOISE_HOT}_level_dbm": ("noise_source",),
    "source_1_level_dbm": ("tone_1",),
    "source_2_level_dbm": ("tone_2",),
    "source_1_measured_dbm": ("power_meter",),
    "source_2_measured_dbm": ("power_meter",),
    "supply_voltage_v": ("supply",),
    "supply_current_a": ("current_meter", "supply"),
    "board_temperature_c": ("board_thermometer",),
    "air_temperature_c": ("chamber",),
    "small_signal_power_dbm": ("network_analyzer",),
}


@dataclass(frozen=True, slots=True)
class Inputs:
    """What stands in for a run's own files; None for what does not."""

    part: Loaded[Part] | None = None
    bench: Loaded[Bench] | None = None
    residual: str | None = None

    @classmethod
    def read(cls, part: Path | None = None, bench: Path | None = None, residual: str | None = None) -> Inputs:
        """Read the files that are given. Raises FileFaults."""
        return cls(None if part is None else read_part(part), None if bench is None else read_bench(bench), residual)

    @classmethod
    def of_facts(cls, facts: Mapping[str, Any]) -> Inputs:
        """As they were kept, with no file at hand. Raises FileFaults if this version cannot read them."""
        part, bench = facts.get("part"), facts.get("bench")
        return cls(
            None if part is None else parse_part(part["text"], part["name"]),
            None if bench is None else parse_bench(bench["text"], bench["name"], bench["attachments"]),
            facts.get("residual"),
        )

    def other_than(self, own: RunTexts) -> Inputs:
        """Without files that are the run's own, word for word, with all that they name."""
        part, bench = self.part, self.bench
        if part is not None and part.fingerprint == own.part.fingerprint:
            part = None
        if bench is not None and bench.fingerprint == own.bench.fingerprint:
            bench = None if dict(bench.attachments) == dict(own.attachments) else bench
        return Inputs(part, bench, self.residual)

    @property
    def is_empty(self) -> bool:
        """Whether nothing stands in for anything."""
        return self.part is None and self.bench is None and self.residual is None

    def facts(self) -> dict[str, object]:
        """What is kept: names, texts and fingerprints; the texts are enough to derive again."""
        found: dict[str, object] = {}
        if self.part is not None:
            found["part"] = _file(self.part)
        if self.bench is not None:
            found["bench"] = _file(self.bench) | {"attachments": dict(self.bench.attachments)}
        return found if self.residual is None else found | {"residual": self.residual}

    def files(self, own: RunTexts) -> tuple[InputFile, ...]:
        """The files that a derivation rests on, the run's own among them."""
        return tuple(
            InputFile(kind, text.name, text.fingerprint, is_own=True)
            if given is None
            else InputFile(kind, given.path.name, given.fingerprint, is_own=False)
            for kind, given, text in (
                ("part file", self.part, own.part),
                ("bench file", self.bench, own.bench),
                ("sequence file", None, own.sequence),
            )
        )


def _file(loaded: Loaded[Any]) -> dict[str, object]:
    return {"name": loaded.path.name, "text": loaded.text, "fingerprint": loaded.fingerprint}


def check_same_readings(frames: RunFrames, part: Part, bench: Bench) -> None:
    """Refuse files with which the run's readings would not be what they are. Raises BenchError with every reason."""
    reasons = [*_of_part(frames.part, part), *_of_bench(frames, bench)]
    if reasons:
        text = "; ".join(reasons)
        raise BenchError(f"run {frames.facts.run[:8]} cannot be derived with these files: {text}")


def _of_part(own: Part, part: Part) -> Iterator[str]:
    if part.gain_codes != own.gain_codes:
        yield "the part file has other gain codes than the part that was measured"
    missing = [channel for channel in own.part.channels if channel not in part.part.channels]
    if missing:
        yield f"the part file has no channel {', '.join(missing)}"


def _of_bench(frames: RunFrames, bench: Bench) -> Iterator[str]:
    read = set(frames.readings["quantity"].unique())
    own = frames.bench.instrument
    for place in dict.fromkeys(_place(own, places) for quantity, places in _PLACES.items() if quantity in read):
        if place is not None and getattr(bench.instrument, place) is None:
            yield f"the bench file has no {place}, which {_example(own, read, place)} was read from"


def _place(own: object, places: tuple[str, ...]) -> str | None:
    return next((place for place in places if getattr(own, place) is not None), None)


def _example(own: object, read: set[str], place: str) -> str:
    return next(quantity for quantity, places in _PLACES.items() if quantity in read and _place(own, places) == place)
