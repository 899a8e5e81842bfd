"""How far the path losses and two-ports of a bench file reach, against the frequencies that are needed.

Pure. With a sequence, needed is what its lines or its sweep ask for; without one, the span that all entries of a kind
have in common is what the bench can be used in, and an entry that ends before the others is named.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import product
from typing import Literal

from sequences.bench_file import Bench
from sequences.conditions import axis_values
from sequences.de_embedding import DeEmbedding
from sequences.part_file import Part
from sequences.path_entries import DeEmbeddingEntry, PathLossEntry
from sequences.path_losses import Path, PathLosses, serving
from sequences.products import TONES, line_frequency_hz, measured_lines
from sequences.sequence_file import Sequence
from sequences.units import quantity_text

Kind = Literal["path_loss", "de_embedding"]
SpanHz = tuple[float, float]
PATHS: tuple[Path, ...] = ("input", "output")


@dataclass(frozen=True, slots=True)
class Needs:
    """What a sequence asks for.

    Attributes:
        span_hz: Lowest and highest frequency by kind of entry and path; what is not asked for is missing.
        channels: Channels that it measures.
        loads_ohm: Loads that it measures into.
    """

    span_hz: Mapping[tuple[Kind, Path], SpanHz]
    channels: tuple[str, ...]
    loads_ohm: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Reach:
    """One entry of the bench file.

    Attributes:
        kind: Which table.
        number: Its number in the file, from 1.
        path: Which way.
        where: Path, channel and load that it holds for, in words.
        source: Touchstone file, ``table`` or ``one number``.
        known_hz: From where to where it is known; infinite for one number.
        needed_hz: From where to where it is needed; None if it is not.
        gaps_hz: What is needed and not known.
    """

    kind: Kind
    number: int
    path: Path
    where: str
    source: str
    known_hz: SpanHz
    needed_hz: SpanHz | None
    gaps_hz: tuple[SpanHz, ...]


@dataclass(frozen=True, slots=True)
class PathReport:
    """All entries, what is wrong between them, and what they have in common.

    Attributes:
        reaches: Every entry of the file, in its order.
        faults: Paths that are needed and that no entry, or more than one, holds for; gaps.
        remarks: What limits the span in common; only without a sequence.
        common_hz: Span that all entries of a kind have in common; None where it is empty.
        by_sequence: Whether a sequence says what is needed.
    """

    reaches: tuple[Reach, ...]
    faults: tuple[str, ...]
    remarks: tuple[str, ...]
    common_hz: Mapping[Kind, SpanHz | None]
    by_sequence: bool


def needs_of(sequence: Sequence, part: Part) -> Needs:
    """Frequencies, channels and loads of a sequence."""
    measure, values = sequence.measure, axis_values(sequence, part)
    lines = measured_lines(
        two_tone=measure.two_tone, harmonics=measure.harmonics, compression=measure.compression, noise=measure.noise
    )
    spans: dict[tuple[Kind, Path], SpanHz] = {}
    if lines:
        spans["path_loss", "input"] = _span_of(sequence, TONES)
        spans["path_loss", "output"] = _span_of(sequence, lines)
    if measure.small_signal is not None:
        swept_hz = measure.small_signal.frequency_hz
        spans |= {("de_embedding", path): (swept_hz[0], swept_hz[-1]) for path in PATHS}
    return Needs(spans, tuple(map(str, values["channel"])), tuple(float(load) for load in values["load_ohm"]))


def path_report(bench: Bench, losses: PathLosses, fixtures: DeEmbedding, needs: Needs | None) -> PathReport:
    """Hold every entry against what is needed, or against the others."""
    two_ports = [(float(port.frequency_hz[0]), float(port.frequency_hz[-1])) for port in fixtures.two_ports]
    tables: dict[Kind, tuple[tuple[PathLossEntry | DeEmbeddingEntry, ...], list[SpanHz]]] = {
        "path_loss": (losses.entries, [losses.ends_hz(number) for number in range(len(losses.entries))]),
        "de_embedding": (fixtures.entries, two_ports),
    }
    reaches: list[Reach] = []
    faults: list[str] = []
    remarks: list[str] = []
    common: dict[Kind, SpanHz | None] = {}
    for kind, (entries, spans_hz) in tables.items():
        if entries:
            common[kind] = _common(spans_hz)
        for number, (entry, known_hz) in enumerate(zip(entries, spans_hz, strict=True), start=1):
            needed_hz = None if needs is None or not _is_used(entry, needs) else needs.span_hz.get((kind, entry.path))
            gaps = () if needed_hz is None else _gaps(known_hz, needed_hz)
            reach = Reach(kind, number, entry.path, _where(entry), _source(entry), known_hz, needed_hz, gaps)
            reaches.append(reach)
            faults += [f"{_name(reach)} is known {span_text(known_hz)}, missing {span_text(gap)}" for gap in gaps]
        faults += _unserved(kind, entries, bench, needs)
        if needs is None:
            remarks += _limiting([reach for reach in reaches if reach.kind == kind])
    return PathReport(tuple(reaches), tuple(faults), tuple(remarks), common, needs is not None)


def span_text(span_hz: SpanHz) -> str:
    """A span for people."""
    if span_hz == (0.0, math.inf):
        return "at every frequency"
    return f"{quantity_text(span_hz[0], 'Hz')} … {quantity_text(span_hz[1], 'Hz')}"


def _span_of(sequence: Sequence, lines: Iterable[str]) -> SpanHz:
    hertz = [
        line_frequency_hz(line, at, sequence.tones.spacing_hz) for line in lines for at in sequence.axes.frequency_hz
    ]
    return min(hertz), max(hertz)


def _common(spans_hz: Iterable[SpanHz]) -> SpanHz | None:
    lows, highs = zip(*spans_hz, strict=True)
    return (max(lows), min(highs)) if max(lows) <= min(highs) else None


def _gaps(known_hz: SpanHz, needed_hz: SpanHz) -> tuple[SpanHz, ...]:
    """What of ``needed_hz`` lies outside ``known_hz``: below it, above it, or all."""
    if needed_hz[1] < known_hz[0] or needed_hz[0] > known_hz[1]:
        return (needed_hz,)
    below = ((needed_hz[0], known_hz[0]),) if needed_hz[0] < known_hz[0] else ()
    above = ((known_hz[1], needed_hz[1]),) if needed_hz[1] > known_hz[1] else ()
    return (*below, *above)


def _is_used(entry: PathLossEntry | DeEmbeddingEntry, needs: Needs) -> bool:
    return any(
        serving((entry,), entry.path, channel, load) for channel, load in product(needs.channels, needs.loads_ohm)
    )


def _unserved(
    kind: Kind, entries: tuple[PathLossEntry | DeEmbeddingEntry, ...], bench: Bench, needs: Needs | None
) -> Iterator[str]:
    """Paths of the sequence, or of the bench's own routes, that not exactly one entry holds for."""
    if needs is None:
        if not entries:
            return
        channels, loads, paths = _routed_channels(kind, entries, bench), _routed_loads(kind, entries, bench), PATHS
    else:
        channels, loads = needs.channels, needs.loads_ohm
        paths = tuple(path for path in PATHS if (kind, path) in needs.span_hz)
    for path in paths:
        for count, words in ((0, "no entry holds"), (2, "more than one entry holds")):
            bad = [
                f"{channel} into {load:g} Ω"
                for channel, load in product(channels, loads)
                if min(len(serving(entries, path, channel, load)), 2) == count
            ]
            if bad:
                yield f"[[{kind}]]: {words} for the {path} path of channel {', '.join(bad)}"


def _routed_channels(kind: Kind, entries: Iterable[PathLossEntry | DeEmbeddingEntry], bench: Bench) -> tuple[str, ...]:
    switch = bench.instrument.channel_switch
    routed = () if switch is None else switch.channels if kind == "path_loss" else switch.network_channels
    return tuple(routed) or tuple(dict.fromkeys(entry.channel for entry in entries if entry.channel)) or ("",)


def _routed_loads(kind: Kind, entries: Iterable[PathLossEntry | DeEmbeddingEntry], bench: Bench) -> tuple[float, ...]:
    """Two-ports are characterized for the loads that are swept, which need not be all that the bench has."""
    switch = bench.instrument.load_switch
    named = tuple(dict.fromkeys(entry.load_ohm for entry in entries if entry.load_ohm is not None))
    if switch is None or kind == "de_embedding":
        return named or (1.0,)
    return tuple(switch.loads)


def _limiting(reaches: list[Reach]) -> Iterator[str]:
    """Entries that begin after others of their kind or end before them; one number reaches everywhere."""
    tables = [reach for reach in reaches if reach.known_hz[1] < math.inf]
    lowest_hz = min((reach.known_hz[0] for reach in tables), default=0.0)
    highest_hz = max((reach.known_hz[1] for reach in tables), default=0.0)
    for reach in tables:
        low_hz, high_hz = reach.known_hz
        if low_hz > lowest_hz:
            yield f"{_name(reach)} begins at {quantity_text(low_hz, 'Hz')}, others at {quantity_text(lowest_hz, 'Hz')}"
        if high_hz < highest_hz:
            yield f"{_name(reach)} ends at {quantity_text(high_hz, 'Hz')}, others at {quantity_text(highest_hz, 'Hz')}"


def _name(reach: Reach) -> str:
    source = f" ({reach.source})" if reach.kind == "de_embedding" or "." in reach.source else ""
    return f"[[{reach.kind}]] no. {reach.number}{source}, {reach.where},"


def _where(entry: PathLossEntry | DeEmbeddingEntry) -> str:
    channel = "all channels" if entry.channel is None else f"channel {entry.channel}"
    load = "" if entry.load_ohm is None else f", {entry.load_ohm:g} Ω"
    return f"{entry.path} path, {channel}{load}"


def _source(entry: PathLossEntry | DeEmbeddingEntry) -> str:
    if entry.touchstone is not None:
        return entry.touchstone
    return "one number" if isinstance(entry, PathLossEntry) and isinstance(entry.loss_db, float | int) else "table"
