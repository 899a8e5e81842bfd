"""Rules that need more than one file: what the sequence asks for must be in the part and within the bench's reach.

Every fault is reported at once; a rule that cannot be judged because of another fault is left out, never guessed.
Levels and ratings are in ``rating_checks``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import combinations, product

from sequences.bench_file import Bench
from sequences.conditions import NAMED_AXES, AxisValues, expand
from sequences.errors import FileFault, FileFaults, nearest_word
from sequences.part_file import Part, Span
from sequences.path_losses import Path, PathLosses
from sequences.products import LINES, TONES, line_frequency_hz
from sequences.rating_checks import FileNames, Subject, level_faults, rating_faults
from sequences.sequence_file import Sequence
from sequences.units import UNITS, UnknownUnit, plain_number, quantity_text, same_dimension
from sequences.values import Matcher

__all__ = ["FileNames", "cross_check"]

#: Lines must be this many of the narrowest bandwidths apart. Ours: a filter of five poles is 60 dB down at about five.
APART = 10.0

#: Axis → the place of the instrument without which a bench can hold only one of its values.
_SWEPT_BY = {
    "temperature_c": ("chamber",),
    "load_ohm": ("load_switch",),
    "channel": ("channel_switch",),
    "gain_code": ("code_port",),
    "supply_mode": ("supply", "code_port"),
}


def cross_check(
    sequence: Sequence,
    part: Part,
    bench: Bench,
    losses: PathLosses,
    names: FileNames | None = None,
    known_characteristics: Mapping[str, str] | None = None,
) -> tuple[FileFault, ...]:
    """Every fault between the files; empty when they fit.

    Args:
        sequence, part, bench: The three files.
        losses: The bench's path losses.
        names: How to call the files in messages.
        known_characteristics: Characteristics that a limit may name, with their unit; None leaves them unchecked.
    """
    subject = Subject(sequence, part, bench, losses, names or FileNames())
    unknown = tuple(_unknown_values(subject))
    instruments = tuple(_instrument_faults(subject))
    paths = tuple(_path_faults(subject)) if not unknown else ()
    faults = [
        *unknown,
        *instruments,
        *_route_faults(subject),
        *paths,
        *rating_faults(subject),
        *_reference_faults(subject),
        *_exclusion_faults(subject),
        *_limit_faults(subject, known_characteristics),
    ]
    try:
        conditions = expand(sequence, part, bench)
    except FileFaults as error:
        faults += [replace(fault, file=subject.names.sequence) for fault in error.faults]
    else:
        if not (unknown or paths):
            faults += level_faults(subject, conditions)
    return tuple(faults)


def _unknown_values(subject: Subject) -> Iterator[FileFault]:
    for axis, known in _known_to_part(subject.part).items():
        for value in subject.values[axis]:
            if not _is_among(value, known):
                yield _unknown_value(subject.names.sequence, "[axes]", axis, value, known)


def _known_to_part(part: Part) -> dict[str, AxisValues]:
    return {
        "channel": part.part.channels,
        "gain_code": tuple(part.gain_codes.gain_of),
        "supply_mode": tuple(part.modes),
        "load_ohm": part.part.loads_ohm,
    }


def _is_among(value: float | str, known: AxisValues) -> bool:
    if isinstance(value, str):
        return value in known
    return any(not isinstance(item, str) and math.isclose(item, value, rel_tol=1e-9) for item in known)


def _unknown_value(file: str, table: str, key: str, value: float | str, known: AxisValues) -> FileFault:
    words = [item for item in known if isinstance(item, str)]
    nearest = nearest_word(value, words) if isinstance(value, str) else ""
    return FileFault(
        "not allowed", file, table, key, _value_text(value), f"{_list_text(known)} (part file)", _quoted(nearest)
    )


def _list_text(values: AxisValues) -> str:
    """Values as a list, a long one by its beginning and its end."""
    texts = [_value_text(value) for value in values]
    return ", ".join(texts) if len(texts) <= 8 else f"{', '.join(texts[:3])} … {texts[-1]}"


def _quoted(word: str) -> str:
    """A name as TOML writes it; no word stays no word."""
    return f'"{word}"' if word else ""


def _value_text(value: float | str) -> str:
    return f'"{value}"' if isinstance(value, str) else plain_number(value)


def _instrument_faults(subject: Subject) -> Iterator[FileFault]:
    present = subject.bench.instrument.present
    for axis, places in _SWEPT_BY.items():
        count = len(subject.values[axis])
        for place in places:
            if count > 1 and place not in present:
                problem = f"more than one value needs [instrument.{place}] in {subject.names.bench}"
                yield subject.axis_fault("no instrument", axis, f"{count} values", problem=problem)
    measure = subject.sequence.measure
    needs = {
        "two_tone": ("tone_1", "tone_2", "analyzer") if measure.two_tone else (),
        "harmonics": ("tone_1", "tone_2", "analyzer") if measure.harmonics else (),
        "supply": ("supply",) if measure.supply else (),
        "compression": ("tone_1", "analyzer") if measure.compression else (),
        "noise": ("analyzer",) if measure.noise else (),
    }
    for key, places in needs.items():
        missing = [f"[instrument.{place}]" for place in places if place not in present]
        if missing:
            problem = f"this needs {' and '.join(missing)} in {subject.names.bench}"
            yield FileFault("no instrument", subject.names.sequence, "[measure]", key, "true", problem=problem)


def _route_faults(subject: Subject) -> Iterator[FileFault]:
    instrument = subject.bench.instrument
    routes: list[tuple[str, str, Iterable[float | str]]] = []
    if instrument.load_switch is not None:
        routes.append(("load_ohm", "load_switch", instrument.load_switch.loads))
    if instrument.channel_switch is not None:
        routes.append(("channel", "channel_switch", instrument.channel_switch.channels))
    if instrument.code_port is not None:
        routes.append(("channel", "code_port", instrument.code_port.channels))
    for axis, place, known in routes:
        listed = tuple(known)
        for value in subject.values[axis]:
            if value not in listed and _is_among(value, _known_to_part(subject.part)[axis]):
                allowed = f"{', '.join(map(_value_text, listed))} ([instrument.{place}] of {subject.names.bench})"
                yield subject.axis_fault("no route", axis, _value_text(value), allowed)


def _path_faults(subject: Subject) -> Iterator[FileFault]:
    """Each path must be served by one entry whose table reaches every line that is measured there."""
    if not subject.lines:
        return
    needed: dict[Path, tuple[float, float]] = {
        "input": _reach_hz(subject, TONES),
        "output": _reach_hz(subject, subject.lines),
    }
    if needed["output"][0] <= 0:
        spacing = quantity_text(subject.sequence.tones.spacing_hz, "Hz")
        problem = f"a line would fall to {quantity_text(needed['output'][0], 'Hz')}"
        yield FileFault(
            "not allowed", subject.names.sequence, "[tones]", "spacing_hz", spacing, "less spacing", problem=problem
        )
        return
    yield from _meeting_faults(subject)
    short: set[int] = set()
    for path, channel, load in product(needed, subject.values["channel"], subject.numbers("load_ohm")):
        serving = subject.losses.serving(path, str(channel), load)
        where = f"{path} path, channel {channel}, {load:g} Ω"
        if len(serving) != 1:
            found = ", ".join(f"no. {number + 1}" for number in serving) or "none"
            problem = f"{where} needs exactly one entry"
            yield FileFault("no path loss", subject.names.bench, "[[path_loss]]", "", found, problem=problem)
        elif serving[0] not in short:
            lowest, highest = subject.losses.covered_hz(path, str(channel), load)
            if not (lowest <= needed[path][0] and needed[path][1] <= highest):
                short.add(serving[0])
                yield _short_table(subject, serving[0], where, needed[path], (lowest, highest))


def _meeting_faults(subject: Subject) -> Iterator[FileFault]:
    """Two lines within one filter would be read as one: at 0.4 times the frequency HD2 falls onto the upper IM3."""
    analyzer = subject.bench.instrument.analyzer
    if analyzer is None:
        return
    spacing = subject.sequence.tones.spacing_hz
    least_hz = APART * min(analyzer.bandwidths_hz)
    # With both tones on every line is there, whether anybody wants to read it or not.
    present = LINES if subject.tones_on == TONES else subject.lines
    pairs = [pair for pair in combinations(present, 2) if not set(pair).isdisjoint(subject.lines)]
    for at in subject.numbers("frequency_hz"):
        for one, other in pairs:
            apart_hz = abs(subject.line_hz(one, at) - subject.line_hz(other, at))
            if apart_hz < least_hz:
                problem = f"{one} and {other} lie {quantity_text(apart_hz, 'Hz')} apart at {quantity_text(at, 'Hz')}"
                allowed = f"{quantity_text(least_hz, 'Hz')} or more between lines"
                found = quantity_text(spacing, "Hz")
                yield FileFault(
                    "not allowed", subject.names.sequence, "[tones]", "spacing_hz", found, allowed, problem=problem
                )
                return


def _short_table(
    subject: Subject, number: int, where: str, needed: tuple[float, float], known: tuple[float, float]
) -> FileFault:
    found, wanted = (f"{quantity_text(low, 'Hz')} … {quantity_text(high, 'Hz')}" for low, high in (known, needed))
    problem = f"the loss must be known from {wanted} ({where})"
    key = "loss_db" if subject.losses.entries[number].touchstone is None else "touchstone"
    table = f"[[path_loss]] no. {number + 1}"
    return FileFault("no path loss", subject.names.bench, table, key, found, problem=problem)


def _reach_hz(subject: Subject, lines: Iterable[str]) -> tuple[float, float]:
    """Lowest and highest frequency in Hz of ``lines`` over the frequency axis."""
    spacing = subject.sequence.tones.spacing_hz
    hertz = [line_frequency_hz(line, at, spacing) for line in lines for at in subject.numbers("frequency_hz")]
    return min(hertz), max(hertz)


def _reference_faults(subject: Subject) -> Iterator[FileFault]:
    """Drift and temperature coefficients need a reading at the reference temperature."""
    drifts = [
        limit.characteristic
        for limit in subject.part.limit
        if "drift" in limit.characteristic or "tempco" in limit.characteristic
    ]
    reference, temperatures = subject.sequence.sequence.reference_temperature_c, subject.numbers("temperature_c")
    if drifts and not _is_among(reference, temperatures):
        problem = f"the limit on {drifts[0]} needs it among temperature_c"
        allowed = ", ".join(map(plain_number, temperatures))
        yield FileFault(
            "contradiction",
            subject.names.sequence,
            "[sequence]",
            "reference_temperature_c",
            plain_number(reference),
            allowed,
            problem=problem,
        )


def _exclusion_faults(subject: Subject) -> Iterator[FileFault]:
    """A misspelt value would exclude nothing, silently."""
    known = _known_to_part(subject.part)
    for number, exclusion in enumerate(subject.sequence.exclude, start=1):
        for name, where in (("when", exclusion.when), ("unless", exclusion.unless)):
            table = f"[[exclude]] no. {number}"
            yield from _matcher_faults(subject.names.sequence, table, name, where, known)


def _limit_faults(subject: Subject, known_characteristics: Mapping[str, str] | None) -> Iterator[FileFault]:
    known = _known_to_part(subject.part)
    operating = subject.part.operating
    spans = {"temperature_c": (operating.temperature_c, "°C"), "frequency_hz": (operating.frequency_hz, "Hz")}
    for number, limit in enumerate(subject.part.limit, start=1):
        table = f"[[limit]] no. {number}"
        file = subject.names.part
        yield from _matcher_faults(file, table, "where", limit.where, known)
        for axis, (span, unit) in spans.items():
            if axis in limit.where and not _fits(limit.where[axis], span):
                found = _matcher_text(limit.where[axis], unit)
                allowed = f"{quantity_text(span.min, unit)} … {quantity_text(span.max, unit)} (part operating range)"
                yield FileFault("not allowed", file, table, f"where.{axis}", found, allowed)
        name, known_names = limit.characteristic, known_characteristics or {}
        if known_characteristics is not None and name not in known_names:
            nearest, allowed = _quoted(nearest_word(name, known_names)), ", ".join(known_names)
            yield FileFault("not allowed", file, table, "characteristic", f'"{name}"', allowed, nearest)
        yield from _unit_faults(file, table, limit.unit, known_names.get(name))


def _unit_faults(file: str, table: str, unit: str, expected: str | None) -> Iterator[FileFault]:
    try:
        fits = same_dimension(unit, unit if expected is None else expected)
    except UnknownUnit:
        nearest = _quoted(nearest_word(unit, UNITS))
        allowed = ", ".join(text for text in UNITS if text)
        yield FileFault("not allowed", file, table, "unit", f'"{unit}"', allowed, nearest)
        return
    if not fits:
        yield FileFault("wrong unit", file, table, "unit", f'"{unit}"', f'a unit like "{expected}"')


def _matcher_faults(
    file: str, table: str, key: str, where: Mapping[str, Matcher], known: Mapping[str, AxisValues]
) -> Iterator[FileFault]:
    for axis, matcher in where.items():
        place = f"{key}.{axis}"
        named = axis in NAMED_AXES
        if matcher.values is None:
            if named or (axis in known and not any(map(matcher.matches, known[axis]))):
                allowed = f"{_list_text(known[axis])} (part file)"
                yield FileFault("not allowed", file, table, place, str(matcher), allowed)
            continue
        for value in matcher.values:
            if isinstance(value, str) != named:
                allowed = "a name" if named else "a number"
                yield FileFault("wrong type", file, table, place, _value_text(value), allowed)
            elif axis in known and not _is_among(value, known[axis]):
                yield _unknown_value(file, table, place, value, known[axis])


def _matcher_text(matcher: Matcher, unit: str) -> str:
    values = matcher.values
    if values is None:
        ends = (matcher.lowest, matcher.highest)
        return " … ".join(quantity_text(end, unit) if math.isfinite(end) else "" for end in ends).strip()
    return ", ".join(_value_text(item) if isinstance(item, str) else quantity_text(item, unit) for item in values)


def _fits(matcher: Matcher, span: Span) -> bool:
    """Whether an interval reaches into ``span``, or every listed number lies in it; text is another rule's fault."""
    if matcher.values is None:
        return matcher.lowest <= span.max and matcher.highest >= span.min
    return all(isinstance(value, str) or span.holds(value) for value in matcher.values)
